"""Small camera files of every format for the tests of this room, made by other libraries."""

from __future__ import annotations

import functools
import io
import struct
import zlib
from typing import Any

import numpy as np
import piexif
import pillow_heif
import tifffile
from PIL import Image

from archiver.photo.camera_file import CameraFile
from archiver.photo.camera_reader import read_camera_bytes

EXIF: dict[int, Any] = {
    33434: (1, 125),
    33437: (22, 1),
    34850: 2,
    34855: 200,
    34864: 2,
    34866: 200,
    36864: b"0230",
    36867: b"2026:03:04 14:20:00",
    36881: b"+01:00",
    37377: (7, 1),
    37378: (89, 10),
    37379: (-3, 2),
    37380: (-1, 3),
    37381: (3, 1),
    37382: (31, 100),
    37383: 5,
    37384: 4,
    37385: 0x5F,
    37386: (105, 1),
    37396: (1, 2, 3, 4),
    37521: b"25",
    40961: 1,
    41483: (10, 1),
    41492: (10, 20),
    41493: (100, 1),
    41495: 2,
    41728: b"\3",
    41729: b"\1",
    41730: b"\2\0\2\0\0\1\1\2",
    41985: 0,
    41986: 1,
    41987: 1,
    41988: (1, 1),
    41989: 157,
    41990: 0,
    41991: 1,
    41992: 0,
    41993: 2,
    41994: 1,
    41996: 1,
    42032: b"Haugen, Liv",
    42033: b"B-00042",
    42034: ((105, 1), (105, 1), (28, 10), (28, 10)),
    42035: b"Invented Optics",
    42036: b"Macro 105",
    42037: b"L-77",
}
"""Tags of the EXIF directory that an invented camera writes."""

MAIN: dict[int, Any] = {271: b"Invented Cameras", 272: b"Model A", 305: b"firmware 1.2", 274: 6}


def exif_block(
    main: dict[int, Any] | None = None,
    exif: dict[int, Any] | None = None,
    interop: dict[int, Any] | None = None,
    gps: dict[int, Any] | None = None,
) -> bytes:
    """An EXIF block with its mark, written by piexif."""
    block: bytes = piexif.dump(
        {"0th": main or {}, "Exif": exif or {}, "Interop": interop or {}, "GPS": gps or {}}
    )
    return block


@functools.cache
def noise(columns: int = 53, rows: int = 37, samples: int = 3, bits: int = 8) -> np.ndarray:
    """Random pixels, so that no wrong byte order, sample or rounding stays hidden."""
    random = np.random.default_rng(columns * rows * samples * bits)
    shape = (rows, columns) if samples == 1 else (rows, columns, samples)
    return random.integers(0, 1 << bits, shape, dtype=np.uint8 if bits == 8 else np.uint16)


@functools.cache
def smooth(columns: int = 160, rows: int = 120) -> np.ndarray:
    """Gentle waves without symmetry, which lossy codecs keep nearly as they are."""
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    waves = [128 + 80 * np.sin(x / a + y / b) for a, b in ((31, 47), (53, 29), (41, -61))]
    return np.stack(waves, axis=-1).round().astype(np.uint8)


def saved(pixels: np.ndarray, kind: str, **options: Any) -> bytes:
    """A file as Pillow writes it."""
    target = io.BytesIO()
    Image.fromarray(pixels).save(target, kind, **options)
    return target.getvalue()


def tiff(pixels: np.ndarray, **options: Any) -> bytes:
    """A file as tifffile writes it."""
    target = io.BytesIO()
    tifffile.imwrite(target, pixels, **options)
    return target.getvalue()


def heic(pixels: np.ndarray, mode: str = "RGB", **options: Any) -> bytes:
    """A file as pillow-heif writes it."""
    rows, columns = pixels.shape[:2]
    picture = pillow_heif.from_bytes(mode, (columns, rows), pixels.tobytes())
    target = io.BytesIO()
    picture.save(target, **{"quality": -1, "chroma": 444, **options})
    return target.getvalue()


def dng(orientation: int = 6) -> bytes:
    """A raw file of an invented camera: a colour filter mosaic with a DNG's tags."""
    matrix = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)
    tags = [
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, (0, 1, 1, 2), True),
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50707, "B", 4, (1, 1, 0, 0), True),
        (50708, "s", 0, "Invented Cameras Model A", True),
        (50717, "I", 1, 65535, True),
        (50721, "2i", 9, matrix, True),
        (50728, "2I", 3, (1, 2, 1, 1, 1, 2), True),
        (271, "s", 0, "Invented Cameras", True),
        (272, "s", 0, "Model A", True),
        (274, "H", 1, orientation, True),
    ]
    return tiff(noise(192, 128, 1, 16), photometric=32803, extratags=tags, metadata=None)


def png_chunk(kind: bytes, content: bytes) -> bytes:
    return (
        struct.pack(">I", len(content))
        + kind
        + content
        + struct.pack(">I", zlib.crc32(kind + content))
    )


def with_chunk(png: bytes, kind: bytes, content: bytes) -> bytes:
    """Put a chunk behind the header of a PNG."""
    return png[:33] + png_chunk(kind, content) + png[33:]


def read(data: bytes, name: str = "IMG_0001") -> CameraFile:
    return read_camera_bytes(data, name)


def notes(photo: CameraFile) -> str:
    return "\n".join(str(note) for note in photo.notes)

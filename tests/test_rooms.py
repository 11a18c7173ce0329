"""The rooms keep to their order, and starting up stays cheap."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import archiver

PACKAGE = Path(archiver.__file__).parent
#: The rooms that everything after them may use.
ORDER = ("errors", "dentition", "photo", "objects", "standard", "archive")
ABOVE = {
    "errors": set(),
    "dentition": {"errors"},
    "photo": {"errors"},
    "objects": {"errors", "dentition", "photo"},
    "standard": {*ORDER[:4]},
    "archive": {*ORDER[:5]},
    "network": {*ORDER},
    "priors": {*ORDER},
    "records": {*ORDER},
    "handover": {*ORDER, "network", "priors", "records"},
    "web": {*ORDER, "network", "priors", "records", "handover"},
}
HEAVY = ("pydicom", "numpy", "PIL", "sqlalchemy")


def _imported_rooms(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        found |= {n.split(".")[1] for n in names if n.startswith("archiver.")}
    return found


@pytest.mark.parametrize("room", ABOVE)
def test_a_room_imports_only_rooms_above_it(room: str) -> None:
    place = PACKAGE / room
    files = sorted(place.rglob("*.py")) if place.is_dir() else [place.with_suffix(".py")]
    assert files
    for file in files:
        assert _imported_rooms(file) <= ABOVE[room] | {room}, file


@pytest.mark.parametrize("words", [["--help"], ["wrap", "--help"], ["explain", "--help"]])
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    script = (
        "import sys, archiver.cli\n"
        f"try: archiver.cli.main({words!r})\n"
        "except SystemExit: pass\n"
        f"heavy = [n for n in {HEAVY!r} if n in sys.modules]\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)\n"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert result.returncode == 0, result.stderr
    assert "usage: archiver" in result.stdout

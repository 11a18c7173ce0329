"""The list of versions that `tests/run` installs names all that is needed."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.package.tested_versions import lines

FOLDER = Path(__file__).parents[1]


def test_every_package_that_is_needed_has_its_version_in_the_list() -> None:
    file = FOLDER / f"constraints-{sys.version_info.major}.{sys.version_info.minor}.txt"
    if not file.exists():
        # Versions are kept for the Python of continuous integration; others take the newest.
        assert (FOLDER / "constraints-3.11.txt").exists()
        return
    listed = {line.partition("==")[0] for line in file.read_text().splitlines()}
    needed = {line.partition("==")[0] for line in lines()}
    assert needed <= listed, "python -m tests.package.tested_versions writes the list anew"

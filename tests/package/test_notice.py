"""The licences of all that comes along are named in the package."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import archiver
from tests.package.closure import closure

NOTICE = (Path(archiver.__file__).parent / "NOTICE").read_text(encoding="utf-8")
#: Blocks of the notice, by the package that they are of.
BLOCKS = {block.split()[0]: block for block in NOTICE.split("\n\n") if "\n    " in block}
#: Libraries in a folder of their own, as the tools that build wheels put them there.
LIBRARIES = [
    (name, found.group(1))
    for name, one in sorted(closure("archiver", "", "all").items())
    for file in one.files or ()
    if (found := re.match(r"[^/]+\.(?:libs|dylibs)/(lib[A-Za-z_]+[0-9]*[a-z_]*)", str(file)))
]


def test_there_are_libraries_to_name() -> None:
    assert {name for name, _ in LIBRARIES} >= {"numpy", "pillow", "opencv-python-headless"}


@pytest.mark.parametrize(("package", "library"), sorted(set(LIBRARIES)))
def test_every_bundled_library_is_named_with_its_package(package: str, library: str) -> None:
    bare = library.rstrip("_0123456789")
    assert re.search(rf"\b{bare}", BLOCKS[package]), (package, library)


def test_no_encoder_under_the_gpl_comes_along() -> None:
    for one in closure("archiver", "", "all").values():
        for file in one.files or ():
            assert not re.search(r"libx26[45]|pillow_heif", str(file)), file


def test_all_of_the_package_lies_where_the_notice_says() -> None:
    folder = Path(archiver.__file__).parent
    assert (folder / "sheets/fonts/LICENSE.txt").is_file()
    assert (folder / "sheets/tables/cividis.csv").is_file()

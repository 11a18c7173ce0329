"""The wheel: what is in it, and how much room it and all that it needs take."""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import archiver
from tests.package.closure import closure

ROOT = Path(__file__).parents[2]
#: Megabytes (10^6 bytes) of the files that archiver and its dependencies install, as their
#: metadata list them; what the interpreter compiles of them later is not counted.
MOST_MEGABYTES = 300


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (made,) = folder.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def names(wheel: Path) -> list[str]:
    with zipfile.ZipFile(wheel) as packed:
        return packed.namelist()


def test_the_wheel_has_the_demo_sessions_and_not_what_drew_them(names: list[str]) -> None:
    demo = [name for name in names if "demo_studies" in name]
    sessions = {path.relative_to(ROOT / "demo_studies") for path in _sessions()}
    assert {Path(name) for name in demo} == {Path("archiver/_demo_studies") / p for p in sessions}
    assert not [name for name in names if "render" in name and "_demo" in name]


def _sessions() -> list[Path]:
    """The files of the sessions: sheets, and photographs that stand in them."""
    sheets = sorted((ROOT / "demo_studies").glob("*/**/sheet.toml"))
    assert sheets
    return [file for sheet in sheets for file in sheet.parent.iterdir()]


def test_the_wheel_has_every_file_of_the_package_and_nothing_else(names: list[str]) -> None:
    expected = {
        str(path.relative_to(ROOT))
        for path in (ROOT / "archiver").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    of_others = r"archiver/_demo_studies/|archiver-[^/]+dist-info/"
    assert {name for name in names if not re.match(of_others, name)} == expected


def test_version_licence_and_notice_are_those_of_the_package(wheel: Path, names: list[str]) -> None:
    info = f"archiver-{archiver.__version__}.dist-info"
    assert {f"{info}/licenses/LICENSE", f"{info}/licenses/archiver/NOTICE"} <= set(names)
    with zipfile.ZipFile(wheel) as packed:
        metadata = packed.read(f"{info}/METADATA").decode()
    assert f"\nVersion: {archiver.__version__}\n" in metadata
    assert "\nRequires-Python: >=3.10\n" in metadata
    for minor in range(10, 15):
        assert f"\nClassifier: Programming Language :: Python :: 3.{minor}\n" in metadata
    # There is no page of the project yet to point to.
    assert "Project-URL" not in metadata and "Home-page" not in metadata


def test_it_takes_less_than_its_room_with_all_that_it_needs(wheel: Path) -> None:
    sizes = {
        name: sum(file.size or 0 for file in one.files or ())
        for name, one in closure().items()
        if name != "archiver"
    }
    with zipfile.ZipFile(wheel) as packed:
        sizes["archiver"] = sum(entry.file_size for entry in packed.infolist())
    largest = sorted(sizes.items(), key=lambda item: -item[1])
    table = "\n".join(f"{size / 1e6:8.1f} MB  {name}" for name, size in largest[:12])
    total = sum(sizes.values()) / 1e6
    print(f"\n{table}\n{total:8.1f} MB  all {len(sizes)}")
    assert total < MOST_MEGABYTES, f"{total:.1f} MB\n{table}"

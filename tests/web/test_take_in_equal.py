"""What is archived through the pages is what `archiver wrap` makes of the same sheet."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydicom import DataElement, Dataset, dcmread
from taking import STUDIES, Taking, let_in, say_as_the_sheet
from web_serving import Served, serve

from archiver import cli
from tests.new_archive import new_archive

SHEETS = sorted(STUDIES.glob("*/*/sheet.toml"))
CONFIRMERS = ("Vuorinen^Maia", "Prasetyo^Dewi")
#: The time at which an instance was made is all in which two makings of it may differ.
OF_MAKING = {"InstanceCreationDate", "InstanceCreationTime", "DateTime", "ContributionDateTime"}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An empty archive with the people who confirmed the demo studies."""
    served = serve(tmp_path_factory.mktemp("equal") / "archive")
    for name in CONFIRMERS:
        let_in(served.archive, name, "assistant")
    yield served
    served.kill()


def wrap(sheet: Path, archive: Path) -> None:
    """Do what `archiver wrap` does, in this process."""
    status = cli.main(["wrap", str(sheet), "--archive", str(new_archive(archive))])
    assert status == 0


def objects(archive: Path) -> dict[str, Path]:
    """Return the files of an archive by their paths in it, which hold the three UIDs."""
    root = archive / "objects"
    return {str(p.relative_to(root)): p for p in root.rglob("*.dcm")}


def differences(one: Dataset, other: Dataset, place: str = "") -> list[str]:
    """Return every attribute in which two datasets differ, the times of making left out."""
    found = []
    for tag in sorted({*one.keys(), *other.keys()}):
        a, b = one.get(tag), other.get(tag)
        if not isinstance(a, DataElement) or not isinstance(b, DataElement):
            found.append(f"{place}{tag}: only in one")
        elif a.keyword in OF_MAKING:
            continue
        elif a.VR == "SQ":
            if len(a.value) != len(b.value):
                found.append(f"{place}{a.keyword}: {len(a.value)} and {len(b.value)} items")
            for n, (x, y) in enumerate(zip(a.value, b.value, strict=False)):
                found += differences(x, y, f"{place}{a.keyword}[{n}].")
        elif (a.VR, a.value) != (b.VR, b.value):
            found.append(f"{place}{a.keyword}")
    return found


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda s: "-".join(s.parts[-3:-1]))
def test_a_draft_gives_what_its_sheet_gives_attribute_for_attribute(
    sheet: Path, tmp_path: Path, running: Served
) -> None:
    named = re.findall(r'confirmed_by = "(.+)"', sheet.read_text("utf-8"))
    assert set(named) <= set(CONFIRMERS)
    taking = Taking(running, named[0] if named else CONFIRMERS[0])
    before = objects(running.archive).keys()
    say_as_the_sheet(taking, sheet)
    task = taking.archive()
    assert task["state"] == "done", task

    wrap(sheet, tmp_path / "wrapped")
    mine, theirs = objects(running.archive), objects(tmp_path / "wrapped")
    for old in before:
        del mine[old]
    assert mine.keys() == theirs.keys()
    assert mine
    for path, file in mine.items():
        one, other = dcmread(file), dcmread(theirs[path])
        assert differences(one, other) == []
        assert differences(one.file_meta, other.file_meta) == []
        assert one.PixelData == other.PixelData


def test_the_sheet_that_a_draft_leaves_gives_the_same_again(
    tmp_path: Path, running: Served
) -> None:
    taking = Taking(running, CONFIRMERS[0])
    before = objects(running.archive).keys()
    (digest, *others) = taking.take(sorted((STUDIES / "P-1042" / "2024-03-19").glob("*.JPG")))
    taking.change(patient={"id": "P-1042", "issuer": "BRACKWATER"}, visit={"date": "2026-02-24"})
    crop = {"left": 100, "top": 50, "width": 333, "height": 222}
    taking.say(digest, view="occlusal", mirror=True, teeth="16", crop=crop, comment='a "b" \\ c')
    for other in others:
        taking.say(other, left_out=True)
    assert taking.archive()["state"] == "done"
    shutil.copytree(running.archive / "pages" / "drafts" / taking.id, tmp_path / "card")
    wrap(tmp_path / "card" / "sheet.toml", tmp_path / "wrapped")
    mine, theirs = objects(running.archive), objects(tmp_path / "wrapped")
    mine = {path: file for path, file in mine.items() if path not in before}
    assert len(mine) == 2
    assert mine.keys() == theirs.keys()
    for path, file in mine.items():
        assert differences(dcmread(file), dcmread(theirs[path])) == []

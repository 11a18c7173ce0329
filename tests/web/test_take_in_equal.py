"""What is archived through the pages is what `archiver wrap` makes of the same sheet."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from pydicom import DataElement, Dataset, dcmread
from taking import STUDIES, Taking, say_as_the_sheet
from web_serving import Served, add_user

SHEETS = sorted(STUDIES.glob("*/*/sheet.toml"))
#: The time at which an instance was made is all in which two makings of it may differ.
OF_MAKING = {"InstanceCreationDate", "InstanceCreationTime", "DateTime", "ContributionDateTime"}


def wrap(sheet: Path, archive: Path) -> None:
    words = [sys.executable, "-m", "archiver", "wrap", str(sheet), "--archive", str(archive)]
    subprocess.run(words, check=False, capture_output=True)


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
    sheet: Path, tmp_path: Path, start: Callable[..., Served]
) -> None:
    archive = tmp_path / "pages"
    names = {
        line.split('"')[1]
        for line in sheet.read_text("utf-8").splitlines()
        if "confirmed_by" in line
    }
    (name,) = names or {"Vuorinen^Maia"}
    served = start(archive)
    add_user(archive, name, "assistant")
    taking = Taking(served, name)
    say_as_the_sheet(taking, sheet)
    task = taking.archive()
    assert task["state"] == "done", task
    assert served.stop() == 0

    wrap(sheet, tmp_path / "wrapped")
    mine, theirs = objects(archive), objects(tmp_path / "wrapped")
    assert mine.keys() == theirs.keys()
    assert mine
    for path, file in mine.items():
        one, other = dcmread(file), dcmread(theirs[path])
        assert differences(one, other) == []
        assert differences(one.file_meta, other.file_meta) == []
        assert one.PixelData == other.PixelData


def test_the_sheet_that_a_draft_leaves_gives_the_same_again(
    tmp_path: Path, start: Callable[..., Served]
) -> None:
    archive = tmp_path / "pages"
    served = start(archive)
    taking = Taking(served)
    (digest, *others) = taking.take(sorted((STUDIES / "P-1042" / "2026-02-24").glob("*.JPG")))
    taking.change(patient={"id": "P-9", "name": 'O"Brien^"'}, visit={"date": "2026-02-24"})
    crop = {"left": 100, "top": 50, "width": 333, "height": 222}
    taking.say(digest, view="occlusal", mirror=True, teeth="16", crop=crop, comment='a "b" \\ c\n')
    for other in others:
        taking.say(other, left_out=True)
    assert taking.archive()["state"] == "done"
    folder = archive / "pages" / "drafts" / taking.id
    shutil.copytree(folder, tmp_path / "card")
    assert served.stop() == 0
    wrap(tmp_path / "card" / "sheet.toml", tmp_path / "wrapped")
    mine, theirs = objects(archive), objects(tmp_path / "wrapped")
    assert len(mine) == 2
    assert mine.keys() == theirs.keys()
    for path, file in mine.items():
        assert differences(dcmread(file), dcmread(theirs[path])) == []

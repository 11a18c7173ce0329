"""Every object that the demo studies become, before the tools that nobody here wrote."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path

import pydicom
import pytest
from outside_verifiers import decoded_by_dcmtk, objections, reject

import demo_studies
from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.store import Outcome
from archiver.archive.store.archive import Archive
from archiver.objects.description import describe
from archiver.objects.sheet import read_sheet
from archiver.photo.camera_reader import read_camera_file

HERE = Path(demo_studies.__file__).parent
SHEETS = sorted(HERE.glob("*/**/sheet.toml"))


def _now() -> datetime:
    return datetime(2026, 6, 1, 12, tzinfo=timezone.utc)


def _size_of(path: Path) -> tuple[int, int, int]:
    photo = read_camera_file(path)
    return photo.columns, photo.rows, photo.exif_orientation


def test_there_are_demo_studies() -> None:
    assert SHEETS, f"no sheets below {HERE}"


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda p: f"{p.parts[-3]}/{p.parts[-2]}")
def test_no_outside_verifier_objects_to_a_demo_study(sheet: Path, tmp_path: Path) -> None:
    session = read_sheet(sheet, size_of=_size_of)
    with Archive.open(tmp_path / "archive", actor="test") as archive:
        taken = list(take_in(session, archive, IngestSettings(_now)))

    assert {one.status for one in taken} == {Outcome.NEW}
    for one in taken:
        assert one.instances
        for kept in one.instances:
            path = Path(kept.path)
            assert objections(path) == []
            assert reject(path) == []
            dataset = pydicom.dcmread(path, stop_before_pixels=True)
            assert one.plan is not None
            found = describe(dataset)
            assert (found.teeth, found.view) == (one.plan.sight.teeth, one.plan.sight.view)
            assert found.role == kept.role
        shown = tmp_path / "shown.dcm"
        shown.write_bytes(Path(one.instances[-1].path).read_bytes())
        last = pydicom.dcmread(shown, stop_before_pixels=True)
        assert decoded_by_dcmtk(shown).shape[:2] == (last.Rows, last.Columns)

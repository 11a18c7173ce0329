"""What means nothing cannot be constructed."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timezone
from pathlib import Path

import pytest

from archiver.archive.ingest.session_ingest import IngestSettings
from archiver.archive.statements.amendments import AmendmentSettings
from archiver.archive.store.archive import Archive
from archiver.dentition.correction import plan
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Turn
from archiver.dentition.views import View
from archiver.errors import ArchiveError, InputError, MeaningError
from archiver.objects.session import Patient, Photograph, Visit
from archiver.records.audit import AuditRun

NAIVE = datetime(2026, 3, 5, 9, 30)


@pytest.mark.parametrize("identifier", ["", "  "])
def test_a_patient_has_an_identifier(identifier: str) -> None:
    with pytest.raises(InputError, match="no identifier"):
        Patient(identifier, "Okafor^Nadia")


def test_a_visit_is_on_a_day_not_at_a_moment() -> None:
    with pytest.raises(InputError, match="no day"):
        Visit(NAIVE)
    assert Visit(date(2026, 3, 4)).time is None


def test_a_view_of_teeth_names_its_teeth() -> None:
    with pytest.raises(MeaningError, match="needs its teeth"):
        Photograph(Path("IMG_0101.JPG"), View.OCCLUSAL, mirror=True)


def test_a_face_is_not_photographed_in_a_mirror() -> None:
    with pytest.raises(MeaningError, match="mirror"):
        Photograph(Path("IMG_0101.JPG"), View.FACE, mirror=True)


def test_what_a_plan_looks_at_names_its_teeth() -> None:
    made = plan(View.OCCLUSAL, parse_teeth("iso:25"), mirror=True)
    with pytest.raises(MeaningError, match="needs its teeth"):
        replace(made.sight, teeth=())


def test_a_plan_cannot_be_given_another_correction() -> None:
    made = plan(View.OCCLUSAL, parse_teeth("iso:25"), mirror=True)
    with pytest.raises(MeaningError, match="does not bring"):
        replace(made, correction=Turn.HALF)
    with pytest.raises(MeaningError, match="does not bring"):
        replace(made, exif=Turn.HALF)


def test_a_clock_tells_its_offset(tmp_path: Path) -> None:
    for construct in (
        lambda: IngestSettings(lambda: NAIVE),
        lambda: AmendmentSettings(NAIVE),
        lambda: AuditRun(NAIVE, "liv", "0"),
        lambda: Archive.open(tmp_path / "archive", clock=lambda: NAIVE),
    ):
        with pytest.raises(InputError, match="offset"):
            construct()
    assert not (tmp_path / "archive").exists()


def test_photographs_are_worked_on_by_somebody() -> None:
    with pytest.raises(InputError, match="workers"):
        IngestSettings(lambda: NAIVE.replace(tzinfo=timezone.utc), workers=0)


def test_an_archive_is_created_once(tmp_path: Path) -> None:
    with Archive.create(tmp_path / "archive") as archive:
        assert len(archive) == 0
    with pytest.raises(ArchiveError, match="already"):
        Archive.create(tmp_path / "archive")

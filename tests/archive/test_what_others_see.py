"""How a visit looks in any viewer: one series that is right, in order; the study's own modules."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import piexif
import pytest
from archive_samples import Clock
from pydicom import DataElement, Dataset, dcmread
from pydicom.config import IGNORE
from pydicom.sequence import Sequence

from archiver import (
    AmendmentRequest,
    AmendmentSettings,
    Change,
    IngestSettings,
    Patient,
    Photograph,
    Session,
    View,
    Visit,
    parse_teeth,
    wrap,
)
from archiver.archive import Query
from archiver.archive.ingest import add_files
from archiver.archive.statements import carry_out, prepare
from archiver.archive.store import Archive, Outcome
from archiver.objects import read_context
from archiver.objects.series import earlier_series
from tests.cli.sessions import picture
from tests.network import node_samples

DAY = date(2026, 3, 4)
NADIA = Patient("P-0417", "Okafor^Nadia")


@pytest.fixture
def archive(tmp_path: Path):
    with Archive.open(tmp_path / "archive", clock=Clock()) as opened:
        yield opened


def shot(folder: Path, when: str, *, mirror: bool, tooth: int = 25, name: str = "") -> Photograph:
    """A photograph of 2026-03-04, or of a whole date and time."""
    file = folder / f"{name or when.replace(':', '').replace(' ', '')}.JPG"
    said = when if " " in when else f"2026:03:04 {when}"
    tags = {piexif.ExifIFD.DateTimeOriginal: said.encode()} if when else {}
    exif = piexif.dump({"0th": {}, "Exif": tags})
    picture(abs(hash(file.name)) % 9999).save(file, "JPEG", quality=90, exif=exif)
    teeth = parse_teeth(f"iso:{tooth}")
    return Photograph(file, View.OCCLUSAL if mirror else View.BUCCAL, mirror=mirror, teeth=teeth)


def wrapped(archive: Archive, *shots: Photograph, visit: Visit | None = None) -> list[Dataset]:
    session = Session(NADIA, visit or Visit(DAY), shots)
    done = wrap(archive, session, IngestSettings(Clock(), workers=2))
    assert not [p for one in done.photographs for p in one.problems]
    return [dcmread(i.path) for one in done.photographs for i in one.instances]


def test_one_series_holds_the_whole_set_the_right_way_round_and_comes_first(
    archive: Archive, tmp_path: Path
) -> None:
    made = wrapped(
        archive,
        shot(tmp_path, "14:20:00", mirror=True),
        shot(tmp_path, "14:21:00", mirror=False),
        shot(tmp_path, "14:22:00", mirror=True, tooth=26),
    )
    of = {
        int(ds.SeriesNumber): [d for d in made if d.SeriesNumber == ds.SeriesNumber] for ds in made
    }
    assert sorted(of) == [1, 2]
    assert len({ds.SeriesInstanceUID for ds in made}) == 2
    assert sorted(ds.ImageType[0] for ds in of[1]) == ["DERIVED", "DERIVED", "ORIGINAL"]
    assert {ds.SeriesDescription for ds in of[1]} == {
        "Photographs the right way round: direct and corrected"
    }
    assert [ds.ImageType[0] for ds in of[2]] == ["ORIGINAL", "ORIGINAL"]
    assert all("reversed" in ds.SeriesDescription for ds in of[2])
    numbers = [int(ds.InstanceNumber) for ds in sorted(of[1], key=lambda ds: ds.AcquisitionTime)]
    assert numbers == [14200000, 14210000, 14220000]


def test_instance_numbers_follow_the_capture_over_all_sheets_of_a_visit(
    archive: Archive, tmp_path: Path
) -> None:
    late = wrapped(
        archive,
        shot(tmp_path, "15:00:00", mirror=False, name="c"),
        shot(tmp_path, "2026:03:05 00:10:00", mirror=False, name="e"),
        shot(tmp_path, "", mirror=False, name="f"),
    )
    early = wrapped(
        archive,
        shot(tmp_path, "14:59:59", mirror=False, name="b"),
        shot(tmp_path, "09:00:00", mirror=False, name="a"),
        shot(tmp_path, "15:00:00", mirror=False, name="d"),
        shot(tmp_path, "", mirror=False, name="g"),
    )
    ordered = sorted([*late, *early], key=lambda ds: int(ds.InstanceNumber))
    numbers = [int(ds.InstanceNumber) for ds in ordered]
    assert len(set(numbers)) == 7
    moments = [ds.get("AcquisitionDateTime", "9") for ds in ordered]
    assert moments == sorted(moments)
    assert len({ds.SeriesInstanceUID for ds in ordered}) == 1


def test_a_session_run_again_adds_nothing_and_old_series_stay(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shots = [shot(tmp_path, "14:20:00", mirror=True), shot(tmp_path, "14:21:00", mirror=False)]
    with monkeypatch.context() as before:
        before.setattr(
            "archiver.objects.photograph.series_of",
            lambda study, uids, *, upright, first: earlier_series(study, uids, derived=upright),
        )
        old = wrapped(archive, *shots)
    count = len(archive)
    again = wrapped(archive, *shots)
    assert len(archive) == count
    assert [d.SeriesInstanceUID for d in again] == [d.SeriesInstanceUID for d in old]
    new = wrapped(archive, shot(tmp_path, "14:30:00", mirror=True, tooth=26))
    assert {int(d.SeriesNumber) for d in new} == {101, 102}


def test_a_picture_that_is_amended_goes_to_the_series_of_its_state(
    archive: Archive, tmp_path: Path
) -> None:
    one = replace(shot(tmp_path, "14:20:00", mirror=False), view=View.OCCLUSAL)
    other = shot(tmp_path, "14:21:00", mirror=True, tooth=26)
    (direct, *_), _ = [wrapped(archive, each) for each in (one, other)]
    request = AmendmentRequest(direct.SOPInstanceUID, Change(mirror=True))
    carry_out(archive, prepare(archive, request, AmendmentSettings(Clock()())))
    found = archive.query(Query(patient_id=NADIA.id, modality="XC"))
    series = {r.role: {x.series_uid for x in found if x.role == r.role} for r in found}
    assert {role: len(uids) for role, uids in series.items()} == {"original": 1, "derived": 1}
    assert series["original"] != series["derived"]
    numbers = {dcmread(r.path).InstanceNumber for r in found}
    assert numbers == {14200000, 14210000}


def radiograph() -> Dataset:
    ds = node_samples.radiograph(1, study=7, series=3)
    ds.SpecificCharacterSet = "ISO_IR 100"
    ds.PatientName, ds.PatientID = "Brandén^Åsa", "P-77"
    ds.SeriesNumber, ds.StudyTime = 1, "142000.250"
    ds.StudyDescription, ds.PatientAge, ds.EthnicGroup = "Full mouth", "038Y", "north"
    ds.MedicalAlerts, ds.PatientComments = ["latex"], "prefers mornings"
    ds.OtherPatientNames = "Lindén^Åsa"
    ds.NameOfPhysiciansReadingStudy = "Berg^Ola"
    ds.ReferringPhysicianName, ds.AdmissionID = "Bråten^Ola", "A-9"
    other = Dataset()
    other.PatientID, other.TypeOfPatientID = "X-1", "TEXT"
    ds.OtherPatientIDsSequence = Sequence([other])
    procedure = Dataset()
    procedure.CodeValue, procedure.CodingSchemeDesignator = "99", "99LOCAL"
    procedure.CodeMeaning = "Full mouth survey"
    ds.ProcedureCodeSequence = Sequence([procedure])
    return ds


@pytest.mark.parametrize("kept", [False, True], ids=["as a file", "in the archive"])
def test_photographs_beside_a_radiograph_keep_its_modules_and_collide_with_nothing(
    archive: Archive, tmp_path: Path, kept: bool
) -> None:
    given = radiograph()
    file = node_samples.save(given, tmp_path)
    patient, visit = read_context(file)
    if kept:
        assert add_files(archive, [file]).count(Outcome.NEW) == 1
        # As the pages and a worklist join it: by its UID alone.
        visit = replace(visit, beside=None, series_number=None)
    session = Session(patient, visit, (shot(tmp_path, "14:20:00", mirror=True),))
    for _ in range(2):
        done = wrap(archive, session, IngestSettings(Clock()))
    made = [dcmread(i.path) for i in done.photographs[0].instances]
    for ds in made:
        for keyword in (
            *("PatientName", "PatientID", "PatientAge", "EthnicGroup", "MedicalAlerts"),
            *("PatientComments", "OtherPatientNames", "OtherPatientIDsSequence", "AdmissionID"),
            *("StudyTime", "StudyDate", "StudyDescription", "StudyID", "ReferringPhysicianName"),
            *("NameOfPhysiciansReadingStudy", "ProcedureCodeSequence", "AccessionNumber"),
        ):
            assert str(ds[keyword].value) == str(given[keyword].value), keyword
        assert ds.StudyInstanceUID == given.StudyInstanceUID
        assert ds.SeriesInstanceUID != given.SeriesInstanceUID
    assert sorted(int(ds.SeriesNumber) for ds in made) == [101, 102]


def test_an_unsound_value_of_the_radiograph_does_not_keep_photographs_out(
    archive: Archive, tmp_path: Path
) -> None:
    given = radiograph()
    given.add(DataElement("PatientAge", "AS", "38 years", validation_mode=IGNORE))
    patient, visit = read_context(node_samples.save(given, tmp_path))
    session = Session(patient, visit, (shot(tmp_path, "14:20:00", mirror=True),))
    done = wrap(archive, session, IngestSettings(Clock()))
    assert done.count(Outcome.NEW) == 1


def test_a_visit_that_says_no_time_has_none(archive: Archive, tmp_path: Path) -> None:
    (ds,) = wrapped(archive, shot(tmp_path, "14:20:00", mirror=False))
    assert ds.StudyTime == ""  # PS3.3 C.7.2.1, type 2

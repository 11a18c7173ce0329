"""Patient and visit taken from an object that exists."""

from __future__ import annotations

from datetime import date, time
from pathlib import Path

import pydicom
import pytest
from object_samples import entry, make, write
from pydicom import Dataset

from archiver.errors import ObjectError
from archiver.objects.session import Patient, Visit
from archiver.objects.study_context import context_of, read_context


def radiograph(**other: object) -> Dataset:
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.PatientID = "P-0417"
    ds.StudyInstanceUID = "1.2.840.99999.1"
    ds.StudyDate = "20260304"
    for keyword, value in other.items():
        setattr(ds, keyword, value)
    return ds


def test_patient_and_visit_are_those_of_the_object() -> None:
    ds = radiograph(
        PatientName="Grünwald^Jörg",
        IssuerOfPatientID="RIVERBEND",
        PatientBirthDate="19880217",
        PatientSex="M",
        StudyTime="142000.5",
        AccessionNumber="A-2291",
        StudyDescription="Bitewings",
        StudyID="S7",
        ReferringPhysicianName="Berg^Ola",
    )

    assert context_of(ds) == (
        Patient("P-0417", "Grünwald^Jörg", "RIVERBEND", date(1988, 2, 17), "M"),
        Visit(
            date(2026, 3, 4),
            time(14, 20),
            "A-2291",
            "Bitewings",
            study_uid="1.2.840.99999.1",
            study_id="S7",
            referring_physician="Berg^Ola",
        ),
    )


def test_what_the_object_does_not_say_stays_empty() -> None:
    assert context_of(radiograph()) == (
        Patient("P-0417"),
        Visit(date(2026, 3, 4), study_uid="1.2.840.99999.1"),
    )


@pytest.mark.parametrize(
    ("keyword", "words"),
    [
        ("PatientID", "no Patient ID (0010,0020)"),
        ("StudyInstanceUID", "no Study Instance UID (0020,000D)"),
        ("StudyDate", "no Study Date (0008,0020)"),
    ],
)
def test_an_object_without_what_is_needed_is_refused(keyword: str, words: str) -> None:
    ds = radiograph()
    ds[keyword].value = ""

    with pytest.raises(ObjectError) as caught:
        context_of(ds)
    assert words in str(caught.value)


def test_a_photograph_of_ours_serves_too(tmp_path: Path) -> None:
    made = make(entry())
    patient, visit = read_context(write(made.as_shot, tmp_path))

    assert patient == made.making.session.patient
    assert visit.study_uid == made.making.identity.study
    again = make(entry(), visit=visit)
    assert again.as_shot.dataset.StudyInstanceUID == made.as_shot.dataset.StudyInstanceUID


@pytest.mark.parametrize(
    "octets", [b"", b"no DICOM", b"\0" * 132, b"\0" * 128 + b"DICM" + b"\xff" * 9]
)
def test_a_file_that_is_no_dicom_is_refused_with_its_name(tmp_path: Path, octets: bytes) -> None:
    path = tmp_path / "x.dcm"
    path.write_bytes(octets)

    with pytest.raises(ObjectError, match=r"x\.dcm"):
        read_context(path)


def test_a_file_that_is_not_there_is_refused_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(ObjectError, match=r"none\.dcm"):
        read_context(tmp_path / "none.dcm")


def test_a_file_cut_short_is_refused_or_read(tmp_path: Path) -> None:
    whole = write(make(entry()).as_shot, tmp_path).read_bytes()
    path = tmp_path / "cut.dcm"
    for length in range(120, 1200, 7):
        path.write_bytes(whole[:length])
        try:
            read_context(path)
        except ObjectError:
            continue
        assert pydicom.dcmread(path, stop_before_pixels=True).StudyInstanceUID

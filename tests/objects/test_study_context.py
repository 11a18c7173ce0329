"""Patient and visit of an object that photographs are put beside, however little it says."""

from __future__ import annotations

from datetime import date, time

import pytest
from pydicom import Dataset

from archiver.errors import ObjectError
from archiver.objects.study_context import context_of


def radiograph(**said: str) -> Dataset:
    ds = Dataset()
    values = {"PatientID": "P-1", "StudyInstanceUID": "1.2.3", "StudyDate": "20260304", **said}
    for keyword, value in values.items():
        setattr(ds, keyword, value)
    return ds


@pytest.mark.parametrize(
    ("said", "born"),
    [
        ({}, None),
        ({"PatientBirthDate": "19880217"}, date(1988, 2, 17)),
        ({"PatientBirthDate": "1988"}, None),
        ({"PatientBirthDate": "unknown"}, None),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning")  # of pydicom, about what is no date
def test_a_birth_date_that_cannot_be_read_is_none(said: dict[str, str], born: date | None) -> None:
    patient, visit = context_of(radiograph(**said))
    assert patient.birth_date == born and visit.date == date(2026, 3, 4)


@pytest.mark.parametrize(
    ("said", "clock"),
    [
        ("", None),
        ("14", time(14)),
        ("1420", time(14, 20)),
        ("142015.25", time(14, 20, 15)),
        ("2575", None),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_a_time_may_be_short_or_missing(said: str, clock: time | None) -> None:
    _, visit = context_of(radiograph(StudyTime=said))
    assert visit.time == clock


@pytest.mark.parametrize(("sex", "kept"), [("M", "M"), ("F", "F"), ("O", "O"), ("X", ""), ("", "")])
def test_a_sex_that_the_standard_has_no_term_for_is_left_out(sex: str, kept: str) -> None:
    patient, _ = context_of(radiograph(PatientSex=sex))
    assert patient.sex == kept


@pytest.mark.parametrize(
    ("keyword", "value", "named"),
    [
        ("PatientID", "", "Patient ID"),
        ("StudyInstanceUID", "", "Study Instance UID"),
        ("StudyDate", "", "Study Date"),
        ("StudyDate", "20261399", "Study Date"),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_an_object_without_patient_study_or_day_is_refused(
    keyword: str, value: str, named: str
) -> None:
    with pytest.raises(ObjectError, match=named):
        context_of(radiograph(**{keyword: value}))


@pytest.mark.parametrize("empty", ["PatientComments", "EthnicGroup", "Occupation"])
def test_what_the_object_says_beside_is_kept_whatever_else_is_empty(empty: str) -> None:
    said = {"EthnicGroup": "x", "Occupation": "smith", "PatientComments": "asked"}
    _, visit = context_of(radiograph(**{**said, empty: ""}))
    assert visit.beside is not None
    kept = {one.keyword: one.value for one in visit.beside if one.keyword in said}
    assert kept == {name: value for name, value in said.items() if name != empty}

"""Objects against each other: sources, originals, one patient a study, one content a UID."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from pydicom import Dataset
from standard_photograph import ROOT, coded, photograph, written

from archiver.standard.files import validate
from archiver.standard.finding import Severity, Summary


def original() -> Dataset:
    """Return the photograph as shot that `photograph` was made from."""
    ds = photograph()
    ds.SOPInstanceUID = f"{ROOT}.4"
    ds.SeriesInstanceUID = f"{ROOT}.5"
    ds.SeriesNumber = 1
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.PatientOrientation = ["L", "A"]
    ds.ViewCodeSequence[0].ViewModifierCodeSequence = [
        coded("789135000", "SCT", "Mirrored image uncorrected")
    ]
    for keyword in ("SourceImageSequence", "ReferencedSeriesSequence", "DerivationDescription"):
        del ds[keyword]
    return ds


def checked(folder: Path, *objects: Dataset) -> Summary:
    folder.mkdir(exist_ok=True)
    for number, ds in enumerate(objects):
        (folder / f"{number}.dcm").write_bytes(written(ds))
    return validate([folder])


def test_a_corrected_picture_beside_its_original_has_no_finding(tmp_path: Path) -> None:
    summary = checked(tmp_path, original(), photograph())
    assert (summary.objects, summary.findings) == (2, ())


def _set(**values: object) -> Callable[[Dataset, Dataset], None]:
    def change(first: Dataset, second: Dataset) -> None:
        for keyword, value in values.items():
            setattr(first, keyword, value)

    return change


def _other_teeth(first: Dataset, second: Dataset) -> None:
    first.PrimaryAnatomicStructureSequence[0].CodeValue = "61897005"
    first.PrimaryAnatomicStructureSequence[0].CodeMeaning = "x"


def _derived_from_itself_by_a_detour(first: Dataset, second: Dataset) -> None:
    first.ImageType = ["DERIVED", "PRIMARY"]
    first.SourceImageSequence = photograph().SourceImageSequence
    first.SourceImageSequence[0].ReferencedSOPInstanceUID = second.SOPInstanceUID


SPOILT: dict[str, Callable[[Dataset, Dataset], None]] = {
    "source-of-other-patient": _set(PatientID="P-0418"),
    "study-of-two-patients": _set(PatientID="P-0418"),
    "source-of-other-study": _set(StudyInstanceUID=f"{ROOT}.11"),
    "source-orientation-contradicts": _set(PatientOrientation=["R", "P"]),
    "source-shows-other": _other_teeth,
    "source-class-contradicts": _set(SOPClassUID="1.2.840.10008.5.1.4.1.1.77.1.1"),
    "original-not-kept": _derived_from_itself_by_a_detour,
    "series-of-two-studies": _set(
        StudyInstanceUID=f"{ROOT}.11", SeriesInstanceUID=photograph().SeriesInstanceUID
    ),
    "patient-contradicts": _set(PatientBirthDate="19880218"),
    "instance-differs": _set(SOPInstanceUID=f"{ROOT}.3"),
}


@pytest.mark.parametrize("rule", SPOILT)
def test_the_rule_fires_when_the_two_contradict_each_other(rule: str, tmp_path: Path) -> None:
    first, second = original(), photograph()
    SPOILT[rule](first, second)
    assert rule in {f.rule for f in checked(tmp_path, first, second).findings}


def test_a_source_that_a_folder_lacks_is_an_error_and_for_a_lone_file_a_note(
    tmp_path: Path,
) -> None:
    found = {f.rule: f.severity for f in checked(tmp_path, photograph()).findings}
    assert found == {"source-absent": Severity.ERROR}
    alone = validate([tmp_path / "0.dcm"])
    assert {f.rule: f.severity for f in alone.findings} == {"source-not-looked-at": Severity.NOTE}


def test_the_same_file_twice_is_a_warning(tmp_path: Path) -> None:
    summary = checked(tmp_path, original(), original())
    assert [(f.rule, f.severity) for f in summary.findings] == [
        ("instance-twice", Severity.WARNING)
    ]


def test_what_is_no_dicom_file_is_left_alone_in_a_folder_but_not_when_named(
    tmp_path: Path,
) -> None:
    (tmp_path / "notes.txt").write_text("not an object")
    (tmp_path / "broken.dcm").write_text("named like one")
    assert [Path(f.path).name for f in validate([tmp_path]).findings] == ["broken.dcm"]
    named = validate([tmp_path / "notes.txt"])
    assert [f.rule for f in named.findings] == ["file-not-dicom"]


def test_a_file_that_is_named_twice_is_looked_at_once(tmp_path: Path) -> None:
    checked(tmp_path, original())
    assert validate([tmp_path, tmp_path / "0.dcm"]).objects == 1


def test_the_summary_is_plain_json_with_the_promised_keys(tmp_path: Path) -> None:
    ds = photograph()
    ds.Modality = "IO"
    told = json.loads(json.dumps(checked(tmp_path, ds).as_json()))
    assert set(told) == {"objects", "errors", "warnings", "findings"}
    assert told["objects"] == 1
    assert told["errors"] == sum(f["severity"] == "error" for f in told["findings"]) == 1
    assert set(told["findings"][0]) == {
        "path",
        "severity",
        "rule",
        "attribute",
        "found",
        "expected",
        "clause",
        "hint",
    }

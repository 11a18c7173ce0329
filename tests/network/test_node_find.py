"""Debian's findscu asks the node at every level, with every kind of matching (PS3.4 C.2.2.2)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from pydicom import Dataset, dcmread
from pynetdicom import AE

from archiver.network.node.node import Node
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, run, serving, store

VISITS = """\
patient_id,name,birth_date,sex,accession,date,time,station,physician,description
P-0417,Okafor^Nadia,1988-02-17,F,A-2291,2026-03-04,14:20,CAMERA1,Brânză^Ilinca,Recall
P-0502,Ødegård^Liv,2001-11-30,F,A-2292,2026-03-04,15:00,CAMERA2,Brânză^Ilinca,Whitening
P-0417,Okafor^Nadia,1988-02-17,F,A-2301,2026-03-05,09:00,CAMERA1,Brânză^Ilinca,Control
"""

#: Required keys of PS3.4 C.6.2.1.2, and optional ones that the node supports.
STUDY_KEYS = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "AccessionNumber",
    "StudyID",
    "ModalitiesInStudy",
    "NumberOfStudyRelatedSeries",
    "NumberOfStudyRelatedInstances",
    "ReferringPhysicianName",
    "SOPClassesInStudy",
)


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    folder = tmp_path_factory.mktemp("find")
    visits = folder / "visits.csv"
    visits.write_text(VISITS, "utf-8")
    with serving(folder / "archive", worklist=visits) as one:
        objects = [
            samples.photograph(1, study=1, series=1),
            samples.photograph(2, study=1, series=1),
            samples.radiograph(3, study=1, series=2, SeriesDescription="Bitewing"),
            samples.photograph(
                4,
                study=2,
                series=3,
                PatientName="Ødegård^Liv",
                PatientID="P-0502",
                StudyDate="20250110",
                StudyTime="081500",
                AccessionNumber="A-1",
                StudyID="S9",
            ),
            samples.photograph(
                5,
                study=3,
                series=4,
                PatientID="p-0417",
                StudyDate="20240229",
                AccessionNumber="",
            ),
        ]
        files = [samples.save(ds, folder) for ds in objects]
        store(one.dimse.port, *files, words=("-xy", "-R"))
        store(one.dimse.port, files[2], words=())
        yield one


def find(node: Node, folder: Path, *keys: str, model: str = "-S") -> list[Dataset]:
    """Ask; return the answers as findscu extracted them."""
    folder.mkdir(exist_ok=True)
    words: list[object] = ["findscu", "-v", model, "-aec", TITLE, "-X", "-od", folder]
    for key in keys:
        words += ["-k", key]
    result = run(*words, "127.0.0.1", node.dimse.port)
    assert "Success" in result.stdout, result.stdout
    return [dcmread(path, force=True) for path in sorted(folder.glob("rsp*.dcm"))]


def studies(node: Node, folder: Path, *keys: str) -> set[int]:
    found = find(node, folder, "QueryRetrieveLevel=STUDY", "StudyInstanceUID", *keys)
    return {int(str(ds.StudyInstanceUID).rpartition(".")[2]) for ds in found}


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("PatientID=P-0417", {1}),  # single value, case-sensitive (C.2.2.2.1)
        ("PatientID=?-0417", {1, 3}),
        ("PatientID=P*", {1, 2}),
        ("PatientID=", {1, 2, 3}),  # universal (C.2.2.2.3)
        ("PatientID=*", {1, 2, 3}),
        ("PatientName=okafor^nadia", {1, 3}),  # names may be matched without case
        ("PatientName=Okafor", set()),
        ("PatientName=OKA*", {1, 3}),
        ("PatientName=^=^", {1, 2, 3}),  # nothing but delimiters is no value (PS3.5 6.2.1)
        ("StudyDate=20250110", {2}),
        ("StudyDate=20240301-20260304", {1, 2}),  # ranges with both ends (C.2.2.2.5)
        ("StudyDate=-20250110", {2, 3}),
        ("StudyDate=20260101-", {1}),
        ("StudyTime=0800-0900", {2}),
        ("StudyTime=14-", {1, 3}),
        ("AccessionNumber=A-1", {2, 3}),  # an empty stored required key answers all
        ("StudyID=S9", {2}),
        ("ModalitiesInStudy=IO", {1}),
        ("ReferringPhysicianName=*", {1, 2, 3}),
        (f"StudyInstanceUID={samples.study_uid(1)}\\{samples.study_uid(3)}", {1, 3}),  # UID list
        ("PatientID=[P]-0417", set()),  # brackets mean nothing
        ("PatientID=P%", set()),
    ],
)
def test_a_key_matches_as_the_standard_says(
    node: Node, tmp_path: Path, key: str, expected: set[int]
) -> None:
    assert studies(node, tmp_path, key) == expected


@pytest.mark.parametrize("key", ["StudyDate=-", "StudyDate=1-2-3", "StudyTime=noon"])
def test_a_range_that_is_none_is_refused(node: Node, tmp_path: Path, key: str) -> None:
    words = ["findscu", "-v", "-S", "-aec", TITLE, "-k", "QueryRetrieveLevel=STUDY", "-k", key]
    # DCMTK's words for A900.
    assert "DataSetDoesNotMatchSOPClass" in run(*words, "127.0.0.1", node.dimse.port).stdout


def test_keys_are_combined(node: Node, tmp_path: Path) -> None:
    assert studies(node, tmp_path, "PatientName=OKA*", "StudyDate=20260101-") == {1}


def test_a_study_is_returned_with_all_required_keys_and_counts(node: Node, tmp_path: Path) -> None:
    [found] = find(
        node,
        tmp_path,
        "QueryRetrieveLevel=STUDY",
        f"StudyInstanceUID={samples.study_uid(1)}",
        *STUDY_KEYS,
    )
    assert found.PatientName == "Okafor^Nadia"
    assert (found.PatientID, found.PatientBirthDate, found.PatientSex) == (
        "P-0417",
        "19880217",
        "F",
    )
    assert (found.StudyDate, found.StudyTime[:6], found.StudyID) == ("20260304", "142000", "S7")
    assert list(found.ModalitiesInStudy) == ["IO", "XC"]
    assert (found.NumberOfStudyRelatedSeries, found.NumberOfStudyRelatedInstances) == (2, 3)
    assert set(found.SOPClassesInStudy) == {samples.PHOTOGRAPH, samples.INTRAORAL}
    assert found.ReferringPhysicianName == "Brânză^Ilinca"
    # PS3.4 C.4.1.1.3.2: every answer says where the entity can be had.
    assert (found.RetrieveAETitle, found.InstanceAvailability) == (TITLE, "ONLINE")


def test_names_outside_ascii_come_back_in_unicode(node: Node, tmp_path: Path) -> None:
    [found] = find(node, tmp_path, "QueryRetrieveLevel=STUDY", "PatientID=P-0502", "PatientName")
    assert found.SpecificCharacterSet == "ISO_IR 192"
    assert found.PatientName == "Ødegård^Liv"


def test_patients_are_found_in_the_patient_root(node: Node, tmp_path: Path) -> None:
    found = find(
        node, tmp_path, "QueryRetrieveLevel=PATIENT", "PatientID", "PatientName",
        "NumberOfPatientRelatedInstances", model="-P",
    )  # fmt: skip
    assert {(ds.PatientID, ds.NumberOfPatientRelatedInstances) for ds in found} == {
        ("P-0417", 3),
        ("P-0502", 1),
        ("p-0417", 1),
    }


def test_series_and_instances_are_found_below_their_study(node: Node, tmp_path: Path) -> None:
    study = f"StudyInstanceUID={samples.study_uid(1)}"
    series = find(
        node, tmp_path / "s", "QueryRetrieveLevel=SERIES", study, "SeriesInstanceUID", "Modality",
        "SeriesNumber", "NumberOfSeriesRelatedInstances", "BodyPartExamined",
    )  # fmt: skip
    told = {(s.Modality, s.SeriesNumber, s.NumberOfSeriesRelatedInstances) for s in series}
    assert told == {("XC", 1, 2), ("IO", 2, 1)}
    [one] = find(
        node, tmp_path / "i", "QueryRetrieveLevel=IMAGE", study,
        f"SeriesInstanceUID={samples.series_uid(1)}", "SOPInstanceUID", "InstanceNumber=2",
        "SOPClassUID", "Rows", "AvailableTransferSyntaxUID", "LossyImageCompression",
    )  # fmt: skip
    assert one.SOPInstanceUID == samples.instance_uid(2)
    assert (one.Rows, one.LossyImageCompression) == (48, "01")
    assert one.AvailableTransferSyntaxUID == "1.2.840.10008.1.2.4.50"


def test_any_attribute_of_an_instance_can_be_asked_for(node: Node, tmp_path: Path) -> None:
    keys = (
        "QueryRetrieveLevel=IMAGE",
        f"StudyInstanceUID={samples.study_uid(1)}",
        f"SeriesInstanceUID={samples.series_uid(2)}",
    )
    assert len(find(node, tmp_path / "a", *keys, "SeriesDescription=Bite*")) == 1
    assert not find(node, tmp_path / "b", *keys, "PhotometricInterpretation=RGB")
    [found] = find(node, tmp_path / "c", *keys, "PhotometricInterpretation=MONO*", "BitsStored")
    assert found.BitsStored == 12


@pytest.mark.parametrize(
    "keys",
    [
        ("QueryRetrieveLevel=SERIES", "SeriesInstanceUID"),  # unique key above is missing
        ("QueryRetrieveLevel=PATIENT", "PatientID"),  # not in Study Root
        ("QueryRetrieveLevel=NONSENSE",),
        ("StudyInstanceUID",),
        ("QueryRetrieveLevel=STUDY", "StudyDate=2026-01-01-03"),
        ("QueryRetrieveLevel=STUDY", "StudyDate=yesterday"),
    ],
)
def test_what_does_not_fit_the_model_is_refused(node: Node, keys: tuple[str, ...]) -> None:
    words: list[object] = ["findscu", "-v", "-S", "-aec", TITLE]
    for key in keys:
        words += ["-k", key]
    said = run(*words, "127.0.0.1", node.dimse.port).stdout
    assert "DataSetDoesNotMatchSOPClass" in said, said


def test_unsupported_keys_are_told_with_every_answer(node: Node) -> None:
    """PS3.4 C.4.1.1.4: FF01 where an optional key is not supported, else FF00."""
    words = ["findscu", "-v", "-S", "-aec", TITLE, "-k", "QueryRetrieveLevel=STUDY"]
    where = ("127.0.0.1", node.dimse.port)
    assert "WarningUnsupportedOptionalKeys" not in run(*words, *where).stdout
    assert "WarningUnsupportedOptionalKeys" in run(*words, "-k", "PixelSpacing", *where).stdout


def test_a_query_can_be_cancelled(node: Node) -> None:
    """PS3.4 C.4.1.2.1: a cancelled query ends with status FE00."""
    words = ["findscu", "-v", "-S", "--cancel", "1", "-aec", TITLE]
    words += ["-k", "QueryRetrieveLevel=STUDY", "-k", "StudyInstanceUID"]
    said = run(*words, "127.0.0.1", node.dimse.port).stdout
    # So few answers may all be on their way before the cancel arrives.
    assert "Cancel" in said or "Success" in said, said
    entity = AE()
    entity.add_requested_context("1.2.840.10008.5.1.4.1.2.2.1")
    association = entity.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
    keys = Dataset()
    keys.QueryRetrieveLevel, keys.StudyInstanceUID = "STUDY", ""
    statuses = [s.Status for s, _ in association.send_c_find(keys, "1.2.840.10008.5.1.4.1.2.2.1")]
    association.release()
    assert statuses == [0xFF00] * 3 + [0x0000]


class TestWorklist:
    def ask(self, node: Node, folder: Path, *keys: str) -> list[Dataset]:
        everything = [
            "ScheduledProcedureStepSequence[0].Modality",
            "ScheduledProcedureStepSequence[0].ScheduledProcedureStepStartTime",
            "ScheduledProcedureStepSequence[0].ScheduledProcedureStepID",
            "PatientName",
            "PatientID",
            "StudyInstanceUID",
            "RequestedProcedureID",
            "AccessionNumber",
        ]
        return find(node, folder, *everything, *keys, model="-W")

    def test_the_visits_of_a_station_and_day_are_found(self, node: Node, tmp_path: Path) -> None:
        step = "ScheduledProcedureStepSequence[0]"
        [visit] = self.ask(
            node, tmp_path,
            f"{step}.ScheduledStationAETitle=CAMERA1",
            f"{step}.ScheduledProcedureStepStartDate=20260304",
            f"{step}.Modality=XC",
        )  # fmt: skip
        assert (visit.PatientID, visit.AccessionNumber) == ("P-0417", "A-2291")
        inner = visit.ScheduledProcedureStepSequence[0]
        assert inner.ScheduledProcedureStepStartTime == "142000"
        # PS3.4 K.6.1.2.2: type 1 in answers.
        for value in (inner.ScheduledProcedureStepID, visit.StudyInstanceUID, inner.Modality):
            assert value
        assert visit.RequestedProcedureID

    def test_a_range_of_days_and_a_name_match(self, node: Node, tmp_path: Path) -> None:
        step = "ScheduledProcedureStepSequence[0].ScheduledProcedureStepStartDate"
        assert len(self.ask(node, tmp_path / "a", f"{step}=20260304-20260305")) == 3
        assert len(self.ask(node, tmp_path / "b", "PatientName=oka*", f"{step}=20260305")) == 1
        assert self.ask(node, tmp_path / "c", f"{step}=20270101") == []

    def test_a_visit_has_the_same_study_each_time(self, node: Node, tmp_path: Path) -> None:
        first = {v.StudyInstanceUID for v in self.ask(node, tmp_path / "a")}
        again = {v.StudyInstanceUID for v in self.ask(node, tmp_path / "b")}
        assert first == again
        assert len(first) == 3

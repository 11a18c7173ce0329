"""The worklist: DCMTK's wlmscpfs, plain and behind TLS, and a session wrapped from it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path

import pydicom
import pytest
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from archiver.errors import InputError, NetworkError
from archiver.network.client.dimse.worklist import ask_worklist, choose
from archiver.network.client.remote_patients import patients_scheduled
from tests.cli.sessions import archiver, camera_jpeg
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.new_archive import new_archive

TODAY = date.today()


def _entry(
    folder: Path, number: int, patient: str, name: str, day: date, modality: str = "XC"
) -> str:
    """Write a worklist entry and return its Study Instance UID."""
    made = Dataset()
    made.SpecificCharacterSet = "ISO_IR 192"
    made.AccessionNumber = f"A-{number}"
    made.ReferringPhysicianName = "Haugen^Liv"
    made.PatientName, made.PatientID = name, patient
    made.PatientBirthDate, made.PatientSex = "19880217", "F"
    made.StudyInstanceUID = generate_uid()
    made.RequestedProcedureDescription = "Photographs, recall"
    made.RequestedProcedureID = f"RP-{number}"
    step = Dataset()
    step.Modality = modality
    step.ScheduledStationAETitle = "CAMERA1"
    step.ScheduledProcedureStepStartDate = f"{day:%Y%m%d}"
    step.ScheduledProcedureStepStartTime = f"{8 + number:02}3000"
    step.ScheduledPerformingPhysicianName = "Haugen^Liv"
    step.ScheduledProcedureStepDescription = "Intraoral photographs"
    step.ScheduledProcedureStepID = f"SPS-{number}"
    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator = "PHOTO", "99CLINIC"
    code.CodeMeaning = "Photography"
    step.ScheduledProtocolCodeSequence = [code]
    made.ScheduledProcedureStepSequence = [step]
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made.file_meta.MediaStorageSOPClassUID = "1.2.276.0.7230010.3.1.0.1"
    made.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    made.save_as(folder / f"{number}.wl", enforce_file_format=True)
    return str(made.StudyInstanceUID)


@pytest.fixture(scope="module")
def worklist(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, dict[str, str]]]:
    """Its port, and Study Instance UIDs by patient."""
    folder = tmp_path_factory.mktemp("worklist")
    entries = folder / "CLINIC"
    entries.mkdir()
    studies = {
        "P-0417": _entry(entries, 2, "P-0417", "Okafor^Nadia", TODAY),
        "P-0555": _entry(entries, 1, "P-0555", "Müller^Jörg", TODAY),
        "P-0777": _entry(entries, 3, "P-0777", "Okafor^Ben", date(2020, 1, 2)),
        "P-0888": _entry(entries, 4, "P-0888", "Sato^Emi", TODAY, "IO"),
    }
    with peers.wlmscpfs(folder) as port:
        yield port, studies


def test_who_is_scheduled_comes_in_order_with_all_that_a_picture_needs(
    worklist: tuple[int, dict[str, str]],
) -> None:
    port, studies = worklist
    first, second = ask_worklist(peers.peer_at(port), day=TODAY, modality="XC")
    assert (first.patient_id, first.patient_name) == ("P-0555", "Müller^Jörg")
    assert (second.patient_id, second.study_uid) == ("P-0417", studies["P-0417"])
    assert second.start == datetime(TODAY.year, TODAY.month, TODAY.day, 10, 30)
    patient, visit = second.context(TODAY)
    assert (patient.id, patient.name, patient.sex) == ("P-0417", "Okafor^Nadia", "F")
    assert patient.birth_date == date(1988, 2, 17)
    assert (visit.accession, visit.study_uid) == ("A-2", studies["P-0417"])
    assert (visit.referring_physician, visit.study_id) == ("Haugen^Liv", "RP-2")


def test_a_worklist_is_asked_by_day_station_and_patient(
    worklist: tuple[int, dict[str, str]],
) -> None:
    peer = peers.peer_at(worklist[0])

    def asked(**keys: str) -> set[str]:
        return {one.patient_id for one in ask_worklist(peer, day=None, **keys)}

    assert asked() == {"P-0417", "P-0555", "P-0777", "P-0888"}
    assert asked(modality="IO") == {"P-0888"}
    assert asked(station="CAMERA1") == {"P-0417", "P-0555", "P-0777", "P-0888"}
    assert asked(station="CAMERA2") == set()
    assert asked(patient_id="P-0777") == {"P-0777"}
    assert asked(patient_name="Okafor*") == {"P-0417", "P-0777"}
    assert [o.patient_id for o in ask_worklist(peer, day=date(2020, 1, 2))] == ["P-0777"]


def test_a_worklist_behind_tls_answers_alike(
    worklist: tuple[int, dict[str, str]], tmp_path: Path
) -> None:
    files = peers.certificates(tmp_path)
    with peers.tunnel(worklist[0], files) as port:
        found = ask_worklist(peers.peer_at(port, tls=files.tls), day=TODAY)
    assert found == ask_worklist(peers.peer_at(worklist[0]), day=TODAY)
    assert len(found) == 3


def test_whoever_is_scheduled_on_any_day_can_be_known_by_it(
    worklist: tuple[int, dict[str, str]],
) -> None:
    known = patients_scheduled(peers.peer_at(worklist[0]))
    assert {(one.id, one.name) for one in known} == {
        ("P-0417", "Okafor^Nadia"),
        ("P-0555", "Müller^Jörg"),
        ("P-0777", "Okafor^Ben"),
        ("P-0888", "Sato^Emi"),
    }


def test_a_patient_is_never_guessed(worklist: tuple[int, dict[str, str]]) -> None:
    scheduled = ask_worklist(peers.peer_at(worklist[0]), day=TODAY, modality="XC")

    def chosen(words: str | None) -> str:
        return choose(scheduled, words, "clinic", lambda one: one.patient_id).patient_id

    for words in ("P-0417", "A-2", "SPS-2", "RP-2"):
        assert chosen(words) == "P-0417"
    with pytest.raises(InputError, match="2 entries are scheduled"):
        chosen(None)
    with pytest.raises(InputError, match='nobody is scheduled with "P-04"'):
        chosen("P-04")


def test_a_peer_without_a_worklist_is_told_in_words(tmp_path: Path) -> None:
    with (
        peers.storescp(tmp_path / "got") as port,
        pytest.raises(NetworkError, match="accepts none of the services"),
    ):
        ask_worklist(peers.peer_at(port), day=None)


def test_a_session_takes_patient_and_visit_from_the_worklist(
    worklist: tuple[int, dict[str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port, studies = worklist
    settings = tmp_path / "archiver.toml"
    settings.write_text(
        f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {port}\ntitle = "CLINIC"\n'
    )
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    listed = archiver("worklist", "clinic", "--modality", "XC", "--json")
    assert [row["patient_id"] for row in json.loads(listed.stdout)] == ["P-0555", "P-0417"]
    camera_jpeg(tmp_path / "A.JPG", 5)
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(
        'numbering = "ISO 3950"\n[[photo]]\nfile = "A.JPG"\nteeth = [16]\nview = "occlusal"\n'
        "mirror = true\n"
    )
    words = ("wrap", sheet, "--archive", tmp_path / "archive", "--from-worklist", "clinic")
    several = archiver(*words)
    assert several.returncode == 1 and "--scheduled" in several.stderr
    assert not (tmp_path / "archive").exists()
    new_archive(tmp_path / "archive")
    made = archiver(*words, "--scheduled", "P-0417")
    assert made.returncode == 0, made.stderr
    assert "Okafor^Nadia" in made.stdout
    records = objects.records(tmp_path / "archive")
    assert len(records) == 2
    for record in records:
        held = pydicom.dcmread(record.path, stop_before_pixels=True)
        assert held.StudyInstanceUID == studies["P-0417"]
        assert (held.PatientID, held.AccessionNumber) == ("P-0417", "A-2")
        assert held.StudyDate == f"{TODAY:%Y%m%d}"
        # Request Attributes (PS3.3 table 10-9): what the worklist scheduled.
        (request,) = held.RequestAttributesSequence
        assert (request.RequestedProcedureID, request.AccessionNumber) == ("RP-2", "A-2")
        assert request.StudyInstanceUID == studies["P-0417"]
        assert request.RequestedProcedureDescription == "Photographs, recall"
        assert request.ScheduledProcedureStepID == "SPS-2"
        assert request.ScheduledProcedureStepDescription == "Intraoral photographs"
        (code,) = request.ScheduledProtocolCodeSequence
        assert (code.CodeValue, code.CodingSchemeDesignator) == ("PHOTO", "99CLINIC")
    again = archiver(*words, "--scheduled", "P-0417")
    assert again.returncode == 0 and "nothing added" in again.stdout
    checked = archiver("validate", tmp_path / "archive" / "objects")
    assert checked.returncode == 0, checked.stdout

"""What happened to a picture, and who looked at a patient's, told from the journal alone."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from archive_samples import Clock, as_bytes, dataset
from pypdf import PdfReader

from archiver.archive.store import Archive, Incoming
from archiver.archive.witness import Witnesses, new_key, sign_head
from archiver.errors import ObjectError
from archiver.network.node.audit import Event, Happening
from archiver.objects.description import describe
from archiver.workflow import accesses, custody, custody_pdf, custody_text
from tests.cli.in_process import archiver

SOURCE = "ab" * 32


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    root, clock = tmp_path / "archive", Clock()
    with Archive.create(root, clock=clock, actor="assistant") as opened:
        kept = [dataset(1, study=1), dataset(2, study=1), dataset(3, study=2)]
        opened.put([Incoming(describe(kept[0]), [as_bytes(kept[0])], source_sha256=SOURCE)])
        opened.put([Incoming(describe(kept[1]), [as_bytes(kept[1])], source_sha256="cd" * 32)])
        opened.put([Incoming(describe(kept[2]), [as_bytes(kept[2])])])
        told = {kept[0].StudyInstanceUID: 2}
        for event, who, studies in (
            (Event.ACCESSED, "Vale^Iris@192.0.2.7", told),
            (Event.SENT, "REGION@192.0.2.9", told),
            (Event.ACCESSED, "Other^Person@192.0.2.7", {kept[2].StudyInstanceUID: 1}),
        ):
            happened = Happening(event, who, "ARCHIVE", studies=studies, detail="page")
            opened.record(list(happened.deeds()))
        sign_head(opened, new_key(tmp_path / "key.pem"), Witnesses((tmp_path / "w",)), clock.now)
    return root


def uid_of(number: int) -> str:
    return str(dataset(number).SOPInstanceUID)


def study_of(number: int) -> str:
    return str(dataset(number, study=number).StudyInstanceUID)


def test_every_step_of_a_picture_is_told_and_none_of_another(archive: Path) -> None:
    found = custody(archive, uid_of(1))
    assert found.camera_file == SOURCE and found.is_whole and found.patient.startswith("P-0417")
    assert [step.what for step in found.steps] == [
        "archived",
        "looked at",
        "was sent",
        "the journal up to here was signed for witnesses",
    ]
    assert [one.instance for one in found.held] == [uid_of(1)]
    assert found.steps[0].digest == found.held[0].digest
    assert "Vale^Iris" in found.steps[1].note
    assert json.loads(custody_text(found))["steps"][0]["who"] == "assistant"
    with pytest.raises(ObjectError, match="no instance"):
        custody(archive, "1.2.3")


@pytest.mark.parametrize(
    ("event", "told"),
    [
        (Event.ACCESSED, "looked at"),
        (Event.CHANGED, "changed what is said of"),
        (Event.RECEIVED, "brought"),
        (Event.SENT, "was sent"),
        (Event.BEGIN_TRANSFER, "began to send"),
        (Event.EXPORTED, "took a copy of"),
    ],
)
def test_each_kind_of_access_that_the_network_writes_is_told(
    archive: Path, event: Event, told: str
) -> None:
    happened = Happening(event, "Berg^Ida@192.0.2.7", "ARCHIVE", studies={study_of(1): 1})
    with Archive.open(archive, actor="assistant") as opened:
        opened.record(list(happened.deeds()))
    last = accesses(archive, "P-0417")[-1]
    assert (last.who, last.what) == ("Berg^Ida", told)


def test_it_is_on_paper_word_for_word(archive: Path) -> None:
    found = custody(archive, uid_of(1))
    made = custody_pdf(found)
    assert made == custody_pdf(found)
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(made)).pages)
    plain = "".join(text.split())
    for words in (
        SOURCE,
        found.journal_hash,
        "Vale^Iris",
        "P-0417",
        *(s.hash for s in found.steps),
    ):
        assert words in plain, words


def test_an_object_or_line_that_was_changed_is_told(archive: Path, tmp_path: Path) -> None:
    with Archive.open(archive, read_only=True) as opened:
        path = opened.path_of(uid_of(1))
    assert path is not None
    whole = path.read_bytes()
    path.write_bytes(whole[:-1] + b"\x01")
    assert not custody(archive, uid_of(1)).is_whole
    assert custody(archive, uid_of(2)).is_whole
    path.write_bytes(whole)
    journal = archive / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"Vale^Iris", b"Vale^Iria"))
    found = custody(archive, uid_of(1))
    assert not found.chain_is_whole and not found.is_whole
    told = archiver("custody", uid_of(1), "--into", tmp_path / "c", "--archive", archive)
    assert told.returncode == 1 and (tmp_path / "c" / "custody.pdf").is_file()


def test_who_looked_is_told_to_the_patient_in_plain_words(archive: Path) -> None:
    found = accesses(archive, "P-0417")
    assert [(one.who, one.what) for one in found][:2] == [
        ("Vale^Iris", "looked at"),
        ("REGION", "was sent"),
    ]
    told = archiver("custody", "--patient-id", "P-0417", "--archive", archive)
    assert told.returncode == 0
    assert "Vale^Iris looked at the pictures of the visit of 2026-03-04." in told.stdout
    unknown = archiver("custody", "--patient-id", "P-9", "--archive", archive)
    assert unknown.returncode == 1 and "no pictures of a patient P-9" in unknown.stderr
    assert not unknown.stdout
    wrong = archiver("custody", "--archive", archive)
    assert wrong.returncode == 2 and "SOP-UID" in wrong.stderr

"""`archiver delete` as two people use it: what it refuses, what goes, and who is told."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from archiver.archive.query import Query
from archiver.archive.store import Archive, describe_file
from archiver.network.outbox import Outbox
from archiver.objects import concepts
from archiver.service import ControlChannel
from tests.cli.in_process import archiver
from tests.cli.sessions import KEEPING, camera_jpeg, photo, write_sheet
from tests.new_archive import new_archive

BY, SECOND = ("--by", "Haugen^Liv"), ("--second", "Okafor^Ben")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive with two patients' photographs, rules and a table of contacts."""
    folder = tmp_path_factory.mktemp("made")
    for number, patient in enumerate(("P-0417", "P-0502")):
        card = folder / patient
        card.mkdir()
        camera_jpeg(card / "A.JPG", number)
        sheet = write_sheet(card, [photo("A.JPG", 26)], patient)
        born = f'id = "{patient}"\nbirth_date = 1988-02-17'
        sheet.write_text(sheet.read_text("utf-8").replace(f'id = "{patient}"', born), "utf-8")
        said = archiver("wrap", sheet, "--archive", new_archive(folder / "archive"))
        assert said.returncode in (0, 1), said.stderr
    return folder


@pytest.fixture
def practice(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made / "archive", tmp_path / "archive")
    (tmp_path / "due.toml").write_text(KEEPING.format(age=20), "utf-8")
    (tmp_path / "kept.toml").write_text(KEEPING.format(age=120), "utf-8")
    table = (
        "patient;last contact;legal hold\nP-0417;2026-03-04;\nP-0502;2026-03-04;claim 2025/118\n"
    )
    (tmp_path / "contacts.csv").write_text(table, "utf-8")
    return tmp_path


def run(practice: Path, *words: object) -> Any:
    own = ("--archive", practice / "archive", "--contacts", practice / "contacts.csv")
    return archiver("delete", *words, *own)


def told(practice: Path, *words: object) -> dict[str, Any]:
    said = run(practice, *words, "--json")
    assert said.returncode == 0, said.stderr
    return dict(json.loads(said.stdout))


def due(practice: Path) -> tuple[object, ...]:
    return ("--rules", practice / "due.toml", *BY, *SECOND)


def kept(practice: Path, patient: str = "P-0417", modality: str = "XC") -> dict[str, str]:
    with Archive.open(practice / "archive", read_only=True) as archive:
        asked = Query(patient_id=patient, modality=modality, include_rejected=True)
        return {one.sop_instance_uid: one.path for one in archive.query(asked)}


def roles(practice: Path) -> dict[str, str]:
    described = [describe_file(Path(path)) for path in kept(practice).values()]
    return {str(one.role): one.sop_instance_uid for one in described}


def lines(practice: Path) -> list[dict[str, Any]]:
    text = (practice / "archive" / "journal.jsonl").read_text("ascii")
    return [json.loads(line) for line in text.splitlines()]


def test_nothing_is_deleted_before_the_code_of_what_was_shown_is_given_back(practice: Path) -> None:
    before = lines(practice)
    shown = told(practice, "--patient-id", "P-0417", *due(practice))
    assert not shown["deleted"] and len(shown["instances"]) == 2
    assert lines(practice) == before and len(kept(practice)) == 2
    other = run(practice, roles(practice)["derived"], *due(practice), "--code", shown["code"])
    assert other.returncode == 2 and shown["code"] in other.stderr
    assert lines(practice) == before


def test_what_is_due_goes_and_leaves_tombstones_with_both_people_and_the_rule(
    practice: Path,
) -> None:
    paths, whole = kept(practice), ("--patient-id", "P-0417", *due(practice))
    done = told(practice, *whole, "--code", told(practice, *whole)["code"])
    assert done["deleted"] and kept(practice) == {}
    assert not any(Path(path).exists() for path in paths.values())
    buried = {line["sop"]: line for line in lines(practice) if line["action"] == "deleted"}
    assert set(buried) == set(paths)
    for one in done["instances"]:
        line = buried[one["sop_instance_uid"]]
        assert line["digest"] == one["sha256"]
        for words in ("Haugen^Liv", "Okafor^Ben", "Keeping 1: an age", "2008-02-17"):
            assert words in line["note"]
    custody = archiver("custody", min(paths), "--archive", practice / "archive", "--json")
    steps = json.loads(custody.stdout)["steps"]
    assert steps[0]["what"] == "archived" and "Okafor^Ben" in steps[-1]["note"]
    assert len(kept(practice, "P-0502")) == 2
    audit = archiver("audit", "--rules", "good-record", "--archive", practice / "archive",
                     "--out", practice / "report")  # fmt: skip
    assert audit.returncode in (0, 1), audit.stderr
    report = json.loads((practice / "report" / "audit.json").read_text("utf-8"))
    assert not [one for one in report["concerns"] if one["kind"].startswith(("object", "index"))]


def test_peers_that_had_it_are_sent_the_note_of_the_standard(practice: Path) -> None:
    uids = list(kept(practice))
    with Outbox.open(practice / "archive") as outbox:
        outbox.hold("clinic", uids)
    whole = ("--patient-id", "P-0417", *due(practice))
    done = told(practice, *whole, "--code", told(practice, *whole)["code"])
    assert done["queued"] == {"clinic": 1}
    (note,) = done["notes"]
    with Outbox.open(practice / "archive") as outbox:
        assert [one.sop_instance for one in outbox.shipments("clinic")] == [note]
    said = describe_file(Path(kept(practice, modality="KO")[note])).selection
    # PS3.16 CID 7011: 113039 Data Retention Policy Expired.
    assert said is not None and said.title.value == "113039" and set(said.uids) == set(uids)
    assert "Okafor^Ben" in str(said) and concepts.RETENTION_EXPIRED.value == "113039"
    sent = run(practice, note, *due(practice))
    assert sent.returncode == 1 and "rejection note" in sent.stderr


def _refusals() -> Iterator[tuple[str, tuple[str, ...], str]]:
    whole = ("--patient-id", "P-0417")
    yield "not due", (*whole, "--rules", "kept.toml", *BY, *SECOND), "keeping time"
    yield "no rule", (*whole, *BY, *SECOND), "keeping time"
    yield "held", ("--patient-id", "P-0502", "--rules", "due.toml", *BY, *SECOND), "claim 2025/118"
    words = ("--legal", "order", "--remark", "file 2026/118")
    yield "held, whatever the law", ("--patient-id", "P-0502", *words, *BY, *SECOND), "claim"
    yield "one person", (*whole, "--rules", "due.toml", *BY), "--second"
    same = ("--second", "HAUGEN^Liv^")
    yield "the same twice", (*whole, "--rules", "due.toml", *BY, *same), "the same"
    yield "no reason in words", (*whole, "--legal", "erasure", *BY, *SECOND), "--remark"
    yield "nobody", ("--patient-id", "P-9999", "--rules", "due.toml", *BY, *SECOND), "nothing"


@pytest.mark.parametrize(
    ("words", "said"), [one[1:] for one in _refusals()], ids=[one[0] for one in _refusals()]
)
def test_nothing_is_deleted_that_must_not_be(
    practice: Path, words: tuple[str, ...], said: str
) -> None:
    before = lines(practice)
    files = [practice / word if word.endswith(".toml") else word for word in words]
    refused = run(practice, *files)
    assert refused.returncode == 1 and said in refused.stderr
    assert lines(practice) == before


def test_nothing_is_deleted_of_whom_the_table_of_contacts_does_not_know(practice: Path) -> None:
    (practice / "contacts.csv").write_text("patient;last contact\nP-0502;2026-03-04\n", "utf-8")
    refused = run(practice, "--patient-id", "P-0417", *due(practice))
    assert refused.returncode == 1 and "P-0417" in refused.stderr


def test_a_corrected_picture_takes_one_person_and_leaves_the_picture_as_shot(
    practice: Path,
) -> None:
    by_role = roles(practice)
    words = (by_role["derived"], "--rules", practice / "due.toml", *BY)
    told(practice, *words, "--code", told(practice, *words)["code"])
    assert list(kept(practice)) == [by_role["original"]]


def test_with_the_picture_as_shot_goes_what_was_made_from_it(practice: Path) -> None:
    words = (roles(practice)["original"], *due(practice))
    assert len(told(practice, *words)["instances"]) == 2


def test_what_was_rejected_before_is_let_go_like_anything_else(practice: Path) -> None:
    original = roles(practice)["original"]
    own = ("--archive", practice / "archive", *BY)
    assert archiver("reject", original, "--reason", "quality", *own).returncode == 0
    words = ("--patient-id", "P-0417", "--legal", "erasure", "--remark", "request of 3 March",
             *BY, *SECOND)  # fmt: skip
    done = told(practice, *words, "--code", told(practice, *words)["code"])
    assert kept(practice) == {} and len(done["instances"]) == 2
    buried = [line for line in lines(practice) if line["action"] == "deleted"]
    # Which request it was may name the patient: that is in the note, not in the journal.
    assert all("erasure" in line["note"] and "March" not in line["note"] for line in buried)


def test_beside_a_server_the_server_deletes(practice: Path) -> None:
    words = ("--patient-id", "P-0417", *due(practice))
    code = told(practice, *words)["code"]
    errors: list[BaseException] = []
    with Archive.open(practice / "archive", actor="server") as archive:
        with ControlChannel(archive, errors.append):
            assert told(practice, *words, "--code", code)["deleted"]
        assert len(archive) == 3 and not errors
    assert kept(practice) == {}

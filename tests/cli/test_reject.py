"""`archiver reject` as a person uses it: what it hides, whom it tells, and how it is taken back."""

from __future__ import annotations

import json
import os
import pwd
from pathlib import Path
from typing import Any

import pytest

from archiver.archive.query import Query, Record
from archiver.archive.store import Archive
from archiver.network.outbox import Outbox
from archiver.objects import concepts
from archiver.records.rules import read_rules
from tests.cli.in_process import archiver
from tests.cli.sessions import KEEPING, camera_jpeg, photo, write_sheet
from tests.network.node_samples import photograph, save
from tests.new_archive import new_archive

BY = ("--by", "Haugen^Liv")


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    wrapped(tmp_path)
    return tmp_path / "archive"


def wrapped(folder: Path) -> str:
    card = folder / "card"
    if not card.exists():
        card.mkdir()
        camera_jpeg(card / "A.JPG", 3)
        written = write_sheet(card, [photo("A.JPG", 26)], "P-0417")
        born = 'id = "P-0417"\nbirth_date = 1988-02-17'
        written.write_text(written.read_text("utf-8").replace('id = "P-0417"', born), "utf-8")
    sheet = next(card.glob("*.toml"))
    made = archiver("wrap", sheet, "--archive", new_archive(folder / "archive"))
    assert made.returncode in (0, 1), made.stderr
    return str(made.stdout + made.stderr)


def found(archive: Path, **asked: Any) -> list[Record]:
    with Archive.open(archive, read_only=True) as opened:
        return opened.query(Query(modality="XC", **asked))


def run(archive: Path, *words: str) -> dict[str, Any]:
    said = archiver("reject", *words, *BY, "--archive", archive, "--json")
    assert said.returncode == 0, said.stderr
    (one,) = json.loads(said.stdout)
    return dict(one)


def refused(archive: Path, *words: str) -> str:
    said = archiver("reject", *words, *BY, "--archive", archive)
    assert said.returncode != 0
    assert "\n" not in said.stderr.strip()
    return str(said.stderr)


@pytest.mark.parametrize("reason", ["safety", "quality", "worklist"])
def test_a_photograph_is_rejected_without_a_successor_and_shown_again(
    archive: Path, reason: str
) -> None:
    before = found(archive)
    assert len(before) == 2
    note = run(archive, before[0].sop_instance_uid, "--reason", reason)["notes"][0]
    assert found(archive) == []
    hidden = found(archive, include_rejected=True)
    assert {one.rejected for one in hidden} == {note["reason"]}
    back = run(archive, "--revoke", before[1].sop_instance_uid, "--remark", "it was right")
    assert back["revoked"] == [note["sop_instance_uid"]]
    assert found(archive) == before


def test_what_revoking_prints_is_what_it_did(archive: Path) -> None:
    uid = found(archive)[0].sop_instance_uid
    run(archive, uid, "--reason", "quality")
    said = archiver("reject", "--revoke", uid, *BY, "--archive", archive).stdout.splitlines()
    assert [line.split()[0] for line in said[:3]] == ["shown", "shown", "noted"]
    assert said[2].endswith("shown again") and "Quality" not in "".join(said)


def test_what_was_shown_again_can_be_rejected_again_with_the_same_words(archive: Path) -> None:
    uid = found(archive)[0].sop_instance_uid
    for _ in range(3):
        run(archive, uid, "--reason", "safety")
        assert found(archive) == []
        run(archive, "--revoke", uid)
        assert len(found(archive)) == 2
    assert archiver("rebuild", "--archive", archive).returncode == 0
    assert len(found(archive)) == 2


def test_the_reason_for_wanting_quality_is_a_code_of_the_standard(archive: Path) -> None:
    uid = found(archive)[0].sop_instance_uid
    told = refused(archive, uid, "--reason", "quality", "--because", "1")
    assert "111210 Motion blur" in told
    assert "belongs" in refused(archive, uid, "--reason", "safety", "--because", "111210")
    run(archive, uid, "--reason", "quality", "--because", "111210", "--because", "111212")
    with Archive.open(archive, read_only=True) as opened:
        (note,) = opened.query(Query(modality="KO"))
    said = archiver("validate", note.path)
    assert said.returncode == 0, said.stdout


def test_a_radiograph_of_another_program_is_rejected_too(archive: Path, tmp_path: Path) -> None:
    ds = photograph(7)
    ds.Modality, ds.SOPClassUID = "IO", "1.2.840.10008.5.1.4.1.1.1.3"
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    assert archiver("add", save(ds, tmp_path / "film"), "--archive", archive).returncode == 0
    run(archive, str(ds.SOPInstanceUID), "--reason", "quality")
    with Archive.open(archive, read_only=True) as opened:
        assert opened.query(Query(modality="IO")) == []
        (one,) = opened.query(Query(modality="IO", include_rejected=True))
    assert one.rejected == concepts.REJECTED_FOR_QUALITY.meaning


def test_a_sheet_that_is_wrapped_again_is_told_by_whom_and_why(
    archive: Path, tmp_path: Path
) -> None:
    uid = found(archive)[0].sop_instance_uid
    note = run(archive, uid, "--reason", "safety", "--remark", "another patient's mouth")
    told = wrapped(tmp_path)
    assert "Haugen^Liv" in told and "another patient's mouth" in told
    assert "Rejected for Patient Safety Reasons" in told
    assert note["notes"][0]["sop_instance_uid"] in told
    assert found(archive) == []


def test_what_is_rejected_or_revoked_already_is_said(archive: Path) -> None:
    uid = found(archive)[0].sop_instance_uid
    note = run(archive, uid, "--reason", "safety")["notes"][0]["sop_instance_uid"]
    assert note in refused(archive, uid, "--reason", "quality")
    run(archive, "--revoke", note)
    assert "no note rejects" in refused(archive, "--revoke", uid)
    assert "no note rejects" in refused(archive, "--revoke", note)
    assert "no instance" in refused(archive, "1.2.3.4", "--reason", "safety")
    assert "--reason" in refused(archive, uid)


def foreign_note(archive: Path, folder: Path, uid: str) -> str:
    """A note of another program, brought in by hand."""
    import dataclasses

    from pydicom import dcmread

    from archiver.cli.context import now
    from archiver.objects import DerivedUids, key_objects, part10

    with Archive.open(archive, read_only=True) as opened:
        path = opened.path_of(uid)
    assert path is not None
    ds = dcmread(path, stop_before_pixels=True)
    note = key_objects.Note(concepts.REJECTED_FOR_SAFETY, (key_objects.referenced(ds),), "gone")
    assert dataclasses.is_dataclass(note)
    made = key_objects.build(note, ds, created=now(), uids=DerivedUids())
    (folder / "note.dcm").write_bytes(part10.whole(made))
    assert archiver("add", folder / "note.dcm", "--archive", archive).returncode == 0
    return str(made.SOPInstanceUID)


def undecided(archive: Path, folder: Path) -> list[dict[str, Any]]:
    words = ("--rules", "good-record", "--out", folder / "report", "--archive", archive)
    archiver("audit", *words)
    report = json.loads((folder / "report" / "audit.json").read_text("utf-8"))
    return [one for one in report["concerns"] if one["kind"] == "rejection-undecided"]


@pytest.mark.parametrize("decision", ["--heed", "--revoke"])
def test_a_note_that_was_added_counts_for_nothing_until_a_person_decides(
    archive: Path, tmp_path: Path, decision: str
) -> None:
    uid = found(archive)[0].sop_instance_uid
    note = foreign_note(archive, tmp_path, uid)
    assert len(found(archive)) == 2
    (told,) = undecided(archive, tmp_path)
    assert told["severity"] == "danger" and {note, uid} <= set(told["uids"].split())
    run(archive, decision, note)
    assert undecided(archive, tmp_path) == []
    assert len(found(archive)) == (1 if decision == "--heed" else 2)


def test_keeping_times_reject_only_what_has_passed_them(archive: Path, tmp_path: Path) -> None:
    uid = found(archive)[0].sop_instance_uid
    rules = tmp_path / "keeping.toml"
    asked = (uid, "--reason", "retention")
    assert "no rule says" in refused(archive, *asked)
    for age, passed in ((140, False), (1, True)):
        rules.write_text(KEEPING.format(age=age))
        assert read_rules(rules).retention
        if passed:
            run(archive, *asked, "--rules", str(rules))
        else:
            assert "no rule says" in refused(archive, *asked, "--rules", str(rules))
    assert found(archive) == []


def test_peers_that_had_it_are_owed_the_note_and_what_revokes_it(
    archive: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    settings = tmp_path / "archiver.toml"
    settings.write_text(
        '[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = 9\ntitle = "CLINIC"\n'
    )
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    uids = [one.sop_instance_uid for one in found(archive)]
    with Outbox.open(archive) as outbox:
        outbox.hold("clinic", uids)
    note = run(archive, uids[0], "--reason", "safety")
    assert note["queued"] == {"clinic": 1}
    with Outbox.open(archive) as outbox:
        outbox.hold("clinic", [note["notes"][0]["sop_instance_uid"]])
    back = run(archive, "--revoke", uids[0])
    assert back["queued"] == {"clinic": 1}
    with Outbox.open(archive) as outbox:
        queued = {one.sop_instance for one in outbox.shipments("clinic")}
    assert back["notes"][0]["sop_instance_uid"] in queued


def test_who_is_at_work_is_the_account_not_what_the_environment_says(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("LOGNAME", "USER", "LNAME", "USERNAME"):
        monkeypatch.setenv(name, "chief.auditor")
    run(archive, found(archive)[0].sop_instance_uid, "--reason", "quality")
    lines = [json.loads(line) for line in (archive / "journal.jsonl").read_text().splitlines()]
    assert lines[-1]["who"] == pwd.getpwuid(os.getuid()).pw_name
    assert "chief.auditor" not in (archive / "journal.jsonl").read_text()


def test_a_contact_sheet_shows_nothing_that_was_rejected_for_safety(
    archive: Path, tmp_path: Path
) -> None:
    words = ("query", "--include-rejected", "--archive", archive)
    for reason, shown in (("quality", True), ("safety", False)):
        uid = found(archive)[0].sop_instance_uid
        run(archive, uid, "--reason", reason)
        sheet = tmp_path / f"{reason}.png"
        assert archiver(*words, "--contact-sheet", sheet).returncode == 0
        assert (sheet.stat().st_size > 100_000) is shown
        run(archive, "--revoke", uid)


def outside(archive: Path, folder: Path) -> list[str]:
    words = ("--rules", "good-record", "--out", folder / "report", "--archive", archive)
    archiver("audit", *words)
    report = json.loads((folder / "report" / "audit.json").read_text("utf-8"))
    return [one["found"] for one in report["concerns"] if one["kind"] == "package-outside"]


def test_every_audit_lists_packages_that_hold_what_was_rejected_or_withdrawn_since(
    archive: Path, tmp_path: Path
) -> None:
    patient = ("--patient-id", "P-0417", "--archive", archive)
    consent = ("consent", *patient, "--purpose", "laboratory", "--noted-by", "Haugen^Liv")
    assert archiver(*consent).returncode == 0
    package = ("handover", *patient, "--case", "1187", "--to", "North laboratory")
    made = archiver(*package, "--insist-by", "Haugen^Liv", "--out", tmp_path / "1187")
    assert made.returncode == 0, made.stderr
    assert outside(archive, tmp_path) == []
    uid = found(archive)[0].sop_instance_uid
    run(archive, uid, "--reason", "safety")
    (told,) = outside(archive, tmp_path)
    assert "North laboratory" in told and "Rejected for Patient Safety Reasons" in told
    run(archive, "--revoke", uid)
    assert archiver(*consent, "--withdrawn").returncode == 0
    (told,) = outside(archive, tmp_path)
    assert "North laboratory" in told and "withdrawn" in told and "Haugen^Liv" in told


@pytest.mark.parametrize("spoil", [b"", None])
def test_no_package_is_made_while_the_consents_are_not_whole(
    archive: Path, tmp_path: Path, spoil: bytes | None
) -> None:
    patient = ("--patient-id", "P-0417", "--archive", archive)
    consent = ("consent", *patient, "--purpose", "laboratory", "--noted-by", "Haugen^Liv")
    assert archiver(*consent).returncode == 0
    assert archiver(*consent, "--withdrawn").returncode == 0
    log = archive / "consents.jsonl"
    if spoil is None:
        log.write_bytes(log.read_bytes()[:-1])
    else:
        log.write_bytes(log.read_bytes().replace(b'"withdrawn"', b'"given"    '))
    package = ("handover", *patient, "--case", "1187", "--to", "North laboratory")
    made = archiver(*package, "--insist-by", "Haugen^Liv", "--out", tmp_path / "1187")
    assert made.returncode == 1 and "consents.jsonl" in made.stderr, made.stderr
    assert not (tmp_path / "1187").exists()

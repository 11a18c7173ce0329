"""`archiver amend` as a person uses it: what it says, what it refuses, whom it tells."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

import pytest
from in_process import archiver
from sessions import camera_jpeg, photo, write_sheet

from archiver.archive.query import Query, Record
from archiver.archive.statements.amendments import (
    AmendmentRequest,
    AmendmentSettings,
    carry_out,
    prepare,
)
from archiver.archive.statements.handover_register import HandedOver, register
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_teeth
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Goods, Outbox
from archiver.objects.mistakes import Change
from tests.confirming import code_after
from tests.new_archive import new_archive

NOW = datetime(2026, 3, 5, tzinfo=timezone.utc)


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """A mirror picture of 25 and one of another patient."""
    for patient, seed in (("P-0417", 1), ("P-0502", 2)):
        folder = tmp_path / patient
        folder.mkdir()
        camera_jpeg(folder / "A.JPG", seed)
        sheet = write_sheet(folder, [photo("A.JPG")], patient)
        archive = new_archive(tmp_path / "archive")
        assert archiver("wrap", sheet, "--archive", archive).returncode == 0
    return archive


def seen(archive: Path, **asked: Any) -> list[Record]:
    with Archive.open(archive, read_only=True) as opened:
        return opened.query(Query(**{"modality": "XC", "patient_id": "P-0417", **asked}))


def uid_of(archive: Path, role: str = "derived", **asked: Any) -> str:
    return next(r.sop_instance_uid for r in seen(archive, **asked) if r.role == role)


def goods(archive: Path) -> list[Goods]:
    return [
        Goods(
            r.sop_instance_uid,
            r.sop_class_uid,
            r.study_uid,
            Path(r.path).relative_to(archive).as_posix(),
            r.source_sha256 or "",
        )
        for r in seen(archive)
    ]


def test_it_tells_what_was_wrong_what_is_and_what_became_of_which_instance(archive: Path) -> None:
    old = {r.sop_instance_uid for r in seen(archive)}
    said = archiver("amend", uid_of(archive), "--tooth", "universal:14", "--archive", archive)
    assert said.returncode == 0, said.stderr
    assert "wrong: the teeth were said to be 25, they are 26" in said.stdout
    assert "now: 26 upper left first molar (Universal 14), occlusal" in said.stdout
    assert "side: UNCONFIRMED" in said.stdout
    assert "Rejected for Patient Safety Reasons" in said.stdout
    new = seen(archive)
    assert {r.teeth for r in new} == {("26",)}
    for uid in old | {r.sop_instance_uid for r in new}:
        assert uid in said.stdout
    table = archiver("query", "--archive", archive, "--patient-id", "P-0417").stdout
    assert "3 found" in table and "Rejected for Patient Safety Reasons" in table
    words = ("query", "--archive", archive, "--patient-id", "P-0417", "--include-rejected")
    assert archiver(*words).stdout.count("REJECTED FOR PATIENT SAFETY REASONS") == 2


def test_a_dry_run_says_the_same_and_writes_nothing(archive: Path) -> None:
    before = {p: p.read_bytes() for p in archive.rglob("*") if p.is_file()}
    words = ("amend", uid_of(archive), "--mirror", "no", "--archive", archive, "--json")
    dry = json.loads(archiver(*words, "--dry-run").stdout)
    after = {
        p: p.read_bytes() for p in archive.rglob("*") if p.is_file() and "sqlite" not in p.name
    }
    assert after == {p: b for p, b in before.items() if "sqlite" not in p.name}
    wet = json.loads(archiver(*words).stdout)
    assert (dry["done"], wet["done"]) == (False, True)
    for key in ("mistakes", "reason", "reason_code", "rejected", "successors", "note"):
        assert dry[key] == wet[key], key


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("2.25.404", "--tooth", "iso:26"), 1, "there is no instance 2.25.404"),
        (("UID",), 1, "nothing would change"),
        (("UID", "--tooth", "26"), 2, "numbering"),
        (("UID", "--view", "sideways"), 2, "sideways"),
        (("UID", "--crop", "big"), 2, "is no crop"),
        (("UID", "--crop", "9000x10+0+0"), 1, "leaves the corrected picture"),
        (("UID", "--view", "incisal"), 1, "incisal"),
        (("UID", "--top", "head"), 1, "cannot be at the top"),
        (("UID", "--patient-id", "P-9999"), 1, "knows no patient P-9999"),
        (("UID", "--patient-id", "P-0502", "--patient-name", "A^B"), 1, "another name"),
        (("UID", "--study", "2.25.1"), 2, "say whose it is with --patient-id"),
    ],
)
def test_what_cannot_be_done_is_refused_in_one_line(
    archive: Path, words: tuple[str, ...], status: int, said: str
) -> None:
    asked = [uid_of(archive) if word == "UID" else word for word in words]
    result = archiver("amend", *asked, "--archive", archive)
    assert result.returncode == status, result.stderr
    assert said in result.stderr and len(result.stderr.strip().splitlines()) == 1
    assert len(seen(archive, include_rejected=True)) == 2


def test_an_amended_one_is_refused_with_its_successor(archive: Path) -> None:
    old = uid_of(archive)
    assert archiver("amend", old, "--tooth", "iso:26", "--archive", archive).returncode == 0
    again = archiver("amend", old, "--tooth", "iso:27", "--archive", archive)
    assert again.returncode == 1
    assert "is rejected already" in again.stderr and uid_of(archive) in again.stderr


def test_a_photograph_moves_to_the_patient_who_is_named(archive: Path) -> None:
    words = ("amend", uid_of(archive), "--patient-id", "P-0502", "--archive", archive)
    moved = archiver(*words, "--remark", "card mixed up", "--reason", "worklist")
    assert moved.returncode == 0, moved.stderr
    assert seen(archive) == []
    assert len(seen(archive, patient_id="P-0502")) == 4
    (note,) = seen(archive, modality="KO")
    assert note.series_description == "Incorrect Modality Worklist Entry"


def test_every_peer_that_had_it_gets_what_came_in_its_place_and_the_note(archive: Path) -> None:
    things = goods(archive)
    with Outbox.open(archive) as outbox:
        outbox.queue("clinic", things, NOW)
        sent = outbox.shipments("clinic")
        outbox.save(sent, [replace(s, state=State.COMMITTED, attempts=1) for s in sent])
        outbox.queue("surgeon", things[:1], NOW)
        (failed,) = outbox.shipments("surgeon")
        outbox.save([failed], [replace(failed, attempts=3)])
        outbox.queue("teaching", things, NOW)
    words = ("amend", uid_of(archive), "--tooth", "iso:26", "--archive", archive, "--json")
    told = json.loads(archiver(*words).stdout)
    assert told["queued"] == {"clinic": 3, "surgeon": 2, "teaching": 3}
    new = {one["sop_instance_uid"] for one in told["successors"]} | {told["note"]}
    old = {one.sop_instance for one in things}
    with Outbox.open(archive) as outbox:
        rows = {
            name: {one.sop_instance for one in outbox.shipments(name)}
            for name in ("clinic", "surgeon", "teaching")
        }
    assert rows["clinic"] == old | new
    # One role was sent, one is owed: the one in its place, and the note.
    assert told["note"] in rows["surgeon"] and len(rows["surgeon"] & new) == 2
    # What nobody has been offered yet is not offered any more.
    assert rows["teaching"] == new
    assert b'"action":"dropped"' in (archive / "journal.jsonl").read_bytes()


def test_peers_that_have_it_otherwise_are_owed_the_same(archive: Path) -> None:
    """One gave it to us; from another's outbox it was dropped when it had been sent."""
    things = goods(archive)
    old = [one.sop_instance for one in things]
    with Outbox.open(archive) as outbox:
        outbox.hold("giver", old)
        outbox.hold("giver", old)  # fetched twice
        outbox.queue("dropped", things, NOW)
        outbox.queue("never", things, NOW)
        sent = outbox.shipments("dropped")
        outbox.save(sent, [replace(s, state=State.SENT, attempts=1) for s in sent])
        assert outbox.drop_noting(outbox.shipments("dropped"), "liv", NOW) == 2
        assert outbox.drop_noting(outbox.shipments("never"), "liv", NOW) == 2
        assert outbox.holders() == {"giver": set(old), "dropped": set(old)}
    words = ("amend", uid_of(archive), "--tooth", "iso:26", "--archive", archive, "--json")
    told = json.loads(archiver(*words).stdout)
    assert told["queued"] == {"giver": 3, "dropped": 3}


def test_what_is_rejected_is_not_sent_any_more_whatever_ended_the_amendment(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    things = goods(archive)
    old = {one.sop_instance for one in things}
    with Outbox.open(archive) as outbox:
        for name in ("fresh", "tried", "refused"):
            outbox.queue(name, things, NOW)
        tried = outbox.shipments("tried")
        outbox.save(tried, [replace(s, attempts=2) for s in tried])
        refused = outbox.shipments("refused")
        outbox.save(refused, [replace(s, state=State.FAILED, attempts=1) for s in refused])
    # Stopped between the amendment and what it puts into the outbox.
    with Archive.open(archive) as opened:
        wish = AmendmentRequest(uid_of(archive), Change(teeth=parse_teeth("iso:26")))
        carry_out(opened, prepare(opened, wish, AmendmentSettings(NOW)))
    peers = "".join(
        f'[[peer]]\nname = "{name}"\nhost = "127.0.0.1"\nport = 9\ntitle = "X"\n'
        for name in ("fresh", "tried", "refused")
    )
    (tmp_path / "archiver.toml").write_text(peers)
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(tmp_path / "archiver.toml"))
    sent = archiver("send", "--to", "fresh", "--queue-only", "--archive", archive)
    assert "6 rejected instances are not sent any more" in sent.stderr
    new = {r.sop_instance_uid for r in seen(archive)}
    (note,) = seen(archive, modality="KO")
    for _ in "12":  # the second time nothing is left to do
        with Outbox.open(archive) as outbox:
            for name in ("fresh", "tried", "refused"):
                rows = outbox.shipments(name)
                assert {s.sop_instance for s in rows} == new | {note.sop_instance_uid}
                assert {s.state for s in rows} == {State.QUEUED}
            assert outbox.holders() == {"tried": old, "refused": old}
        again = archiver("send", "--to", "tried", "--queue-only", "--archive", archive)
        assert "rejected" not in again.stderr


def test_a_peer_that_is_owed_nothing_is_not_spoken_of(archive: Path) -> None:
    with Outbox.open(archive) as outbox:
        outbox.hold("giver", [one.sop_instance for one in goods(archive)])
    amend = ("amend", uid_of(archive), "--archive", archive, "--tooth")
    assert "3 objects put into the outbox for giver" in archiver(*amend, "iso:26").stdout
    other = uid_of(archive, patient_id="P-0502")
    told = archiver("amend", other, "--archive", archive, "--tooth", "iso:26").stdout
    assert "noted" in told and "outbox" not in told


def test_two_amendments_before_the_first_sending_owe_the_last_one_alone_and_both_notes(
    archive: Path,
) -> None:
    with Outbox.open(archive) as outbox:
        outbox.queue("clinic", goods(archive), NOW)
        sent = outbox.shipments("clinic")
        outbox.save(sent, [replace(s, state=State.COMMITTED, attempts=1) for s in sent])
    for tooth in ("iso:26", "iso:27"):
        words = ("amend", uid_of(archive), "--tooth", tooth, "--archive", archive)
        assert archiver(*words).returncode == 0
    notes = {r.sop_instance_uid for r in seen(archive, modality="KO")}
    valid = {r.sop_instance_uid for r in seen(archive)}
    with Outbox.open(archive) as outbox:
        queued = {s.sop_instance for s in outbox.shipments("clinic", [State.QUEUED])}
    assert queued == notes | valid


def test_packages_that_hold_it_are_told(archive: Path) -> None:
    uid = uid_of(archive)
    package = HandedOver(
        "1187",
        "laboratory",
        "Lab North",
        "2026-03-05T10:00:00+00:00",
        "1187",
        "0" * 64,
        (uid,),
        "x",
    )
    with Archive.open(archive, clock=lambda: NOW) as opened:
        register(opened, package, {uid: "0" * 64})
    said = archiver("amend", uid, "--tooth", "iso:26", "--archive", archive)
    assert "HANDED OVER already: case 1187, laboratory, to Lab North, 2026-03-05" in said.stderr


def test_a_lost_confirmation_is_told(archive: Path) -> None:
    code = code_after(archive, uid_of(archive), Change())
    words = ("--confirmed-by", "Haugen^Liv", "--shown", code, "--archive", archive)
    confirmed = archiver("amend", uid_of(archive), *words)
    assert confirmed.returncode == 0 and "Rejected for Quality Reasons" in confirmed.stdout
    assert {r.confirmed for r in seen(archive)} == {True}
    changed = archiver("amend", uid_of(archive), "--tooth", "iso:26", "--archive", archive)
    assert "compare it again" in changed.stderr
    assert {r.confirmed for r in seen(archive)} == {False}

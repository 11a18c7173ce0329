"""Consents, hand-overs, users and the secret stand in the journal: what changes one is found."""

from __future__ import annotations

import json
import re
import tarfile
from collections.abc import Callable
from pathlib import Path

import pytest
from archive_samples import Clock, incoming, uid

from archiver.access import users_of
from archiver.archive.index_rebuild import rebuild
from archiver.archive.statements import (
    HandedOver,
    Operation,
    OperationKind,
    consents_of,
    evidence,
    jsonl_log,
    note,
    note_operation,
    note_settings,
    noted_settings,
    register,
)
from archiver.archive.statements.consents import GIVEN, SCHEMA, WITHDRAWN
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import verify_chain
from archiver.archive.store.layout import Layout
from archiver.errors import IntegrityError
from archiver.objects import Purpose
from archiver.records import Depth, Memory, survey_archive
from archiver.records.checks.settings_checks import check_settings

PATIENT = ("P-0417", "")
FIXTURE = Path(__file__).parent / "fixtures" / "old_archive.tar.xz"


def say(archive: Archive, state: str = GIVEN, purpose: Purpose = Purpose.LABORATORY) -> None:
    note(archive, PATIENT, purpose, by="Haugen^Liv", now=Clock()(), state=state)


def hand_over(archive: Archive, case: str) -> None:
    package = HandedOver(
        case, "laboratory", "North", "2026-03-04T12:00:00+00:00", "p", case * 16, (uid(1),), "ab"
    )
    register(archive, package, {uid(1): "00" * 32})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An archive with two consents, one of them withdrawn, two packages and a user."""
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        archive.put([incoming(1)])
        say(archive)
        say(archive, purpose=Purpose.TEACHING)
        say(archive, WITHDRAWN)
        hand_over(archive, "1187")
        hand_over(archive, "1188")
        note_settings(archive, {"node": {"may_reject": ["CAMERA1"]}}, "it", Clock()())
        users_of(folder).add("liv", frozenset({"dentist"}), "three green herons")
        archive.record([evidence.file_deed(folder, evidence.USERS)])
    return folder


def found(folder: Path, memory: Memory | None = None) -> list[str]:
    """The files in which an audit finds something."""
    survey = survey_archive(
        Layout(folder), Depth.DIGESTS, memory or Memory(None, ""), Clock()(), full=memory is None
    )
    assert survey.tells_all is not bool(
        [c for c in survey.concerns if c.kind == "statements-broken"]
    )
    return sorted({c.path for c in survey.concerns if c.kind == "statements-broken"})


def test_what_was_written_is_as_the_journal_says(folder: Path) -> None:
    assert found(folder) == []
    assert verify_chain(folder / "journal.jsonl") == []
    assert rebuild(folder, clock=Clock()).is_sound
    assert found(folder) == []
    with Archive.open(folder, clock=Clock()) as archive:
        say(archive)
    assert found(folder) == []


def edited(path: Path, change: Callable[[bytes], bytes]) -> None:
    path.write_bytes(change(path.read_bytes()))


def forged(folder: Path) -> bytes:
    """A line as this program would write it."""
    last = (folder / "consents.jsonl").read_bytes().splitlines()[-1]
    fields = {**json.loads(last), "state": GIVEN}
    fields.pop("version", None)
    return jsonl_log.line_of(SCHEMA, fields)


def without_line(data: bytes, number: int) -> bytes:
    lines = data.splitlines(keepends=True)
    return b"".join(lines[:number] + lines[number + 1 :])


def other_secret(folder: Path) -> None:
    edited(folder / "secret", lambda data: re.sub(rb"[0-9a-f]{64}", b"5" * 64, data))


TAMPERED: dict[str, tuple[str, Callable[[Path], object]]] = {
    "a byte is cut off": (
        "consents.jsonl",
        lambda f: edited(f / "consents.jsonl", lambda data: data[:-1]),
    ),
    "a line is cut off": (
        "consents.jsonl",
        lambda f: edited(f / "consents.jsonl", lambda data: without_line(data, 2)),
    ),
    "withdrawn is edited": (
        "consents.jsonl",
        lambda f: edited(f / "consents.jsonl", lambda d: d.replace(b"withdrawn", b"given")),
    ),
    "withdrawn is edited at the same length": (
        "consents.jsonl",
        lambda f: edited(f / "consents.jsonl", lambda d: d.replace(b'"withdrawn"', b'"given"    ')),
    ),
    "a line is forged": (
        "consents.jsonl",
        lambda f: edited(f / "consents.jsonl", lambda data: data + forged(f)),
    ),
    "a torn line is forged": (
        "consents.jsonl",
        lambda f: edited(f / "consents.jsonl", lambda data: data + forged(f)[:-1]),
    ),
    "lines change places": (
        "consents.jsonl",
        lambda f: edited(
            f / "consents.jsonl", lambda d: b"".join(sorted(d.splitlines(True), reverse=True))
        ),
    ),
    "consents are deleted": ("consents.jsonl", lambda f: (f / "consents.jsonl").unlink()),
    "the secret is deleted": ("secret", lambda f: (f / "secret").unlink()),
    "the secret is another": ("secret", other_secret),
    "a line of the register is deleted": (
        "handovers.jsonl",
        lambda f: edited(f / "handovers.jsonl", lambda data: without_line(data, 0)),
    ),
    "the last line of the register is deleted": (
        "handovers.jsonl",
        lambda f: edited(f / "handovers.jsonl", lambda data: without_line(data, 1)),
    ),
    "a role is edited": (
        "pages/users.json",
        lambda f: edited(f / "pages/users.json", lambda d: d.replace(b"dentist", b"IT")),
    ),
    "settings are edited": (
        "settings.jsonl",
        lambda f: edited(f / "settings.jsonl", lambda d: d.replace(b"CAMERA1", b"CAMERA2")),
    ),
    "settings are deleted": ("settings.jsonl", lambda f: (f / "settings.jsonl").unlink()),
    "users are deleted": ("pages/users.json", lambda f: (f / "pages/users.json").unlink()),
}


@pytest.mark.parametrize("what", TAMPERED)
def test_what_was_tampered_with_is_found_by_every_audit(folder: Path, what: str) -> None:
    name, change = TAMPERED[what]
    memory = Memory(None, "")
    assert found(folder, memory) == []
    change(folder)
    assert name in found(folder)
    assert name in found(folder, memory)
    assert rebuild(folder, clock=Clock()).is_sound
    assert name in found(folder)


OF_CONSENTS = [what for what, (name, _) in TAMPERED.items() if name == "consents.jsonl"]


# A line without its end counts for nobody, and the next writer cuts it away.
@pytest.mark.parametrize("what", [what for what in OF_CONSENTS if "torn" not in what])
def test_what_is_written_after_tampering_does_not_hide_it(folder: Path, what: str) -> None:
    TAMPERED[what][1](folder)
    with Archive.open(folder, clock=Clock()) as archive:
        say(archive)
    assert "consents.jsonl" in found(folder)


@pytest.mark.parametrize(
    "what", [w for w, (n, _) in TAMPERED.items() if n[:6] in ("consen", "secret")]
)
def test_nobody_goes_by_consents_that_are_not_whole(folder: Path, what: str) -> None:
    names = (evidence.CONSENTS, evidence.SECRET)
    evidence.demand_whole(folder, folder / "journal.jsonl", names)
    TAMPERED[what][1](folder)
    with pytest.raises(IntegrityError):
        evidence.demand_whole(folder, folder / "journal.jsonl", names)


def test_a_secret_that_is_gone_is_not_made_anew(folder: Path) -> None:
    (folder / "secret").unlink()
    with Archive.open(folder, clock=Clock()) as archive:
        with pytest.raises(IntegrityError):
            archive.secret()
        with pytest.raises(IntegrityError):
            say(archive)
    assert not (folder / "secret").exists()


def test_settings_that_change_are_noted_once_and_told_until_the_next_audit(folder: Path) -> None:
    clock = Clock()
    opened = {
        "node": {"may_reject": ["CAMERA1", "XRAY"], "rights": {"dimse:XRAY": ["store"]}},
        "peer": [{"name": "clinic", "port": 11112}],
    }
    with Archive.open(folder, clock=clock) as archive:
        changed = note_settings(archive, opened, "it", clock())
        assert changed == ("node.may_reject", "node.rights.dimse:XRAY", "peer.clinic.name",
                           "peer.clinic.port")  # fmt: skip
        assert note_settings(archive, opened, "liv", clock()) == ()
    assert [one.who for one in noted_settings(folder)] == ["it", "it"]
    assert "changed node.may_reject" in (folder / "journal.jsonl").read_text("utf-8")
    assert found(folder) == []
    (told,) = [str(c.found) for c in check_settings(folder)]
    assert "it, 2026-" in told and "node.may_reject" in told
    with Archive.open(folder, clock=clock) as archive:
        note_operation(archive, Operation(OperationKind.AUDIT, clock().isoformat(), True, ""))
    assert list(check_settings(folder)) == []


def test_users_of_whom_the_journal_does_not_tell_are_found(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    Archive.open(folder, clock=Clock()).close()
    users_of(folder).add("mallory", frozenset({"dentist"}), "three green herons")
    assert found(folder) == ["pages/users.json"]


@pytest.mark.parametrize("kill", ["before the line", "within the line", "after the line"])
def test_a_kill_while_a_line_is_written_loses_and_forges_nothing(
    folder: Path, kill: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Killed(BaseException):
        pass

    append = jsonl_log.append

    def killed(path: Path, *line: object) -> None:
        if kill == "after the line":
            append(path, *line)  # type: ignore[arg-type]
        elif kill == "within the line":
            edited(path, lambda data: data + b'{"torn')
        raise Killed

    archive = Archive.open(folder, clock=Clock(), actor="tests")
    monkeypatch.setattr(jsonl_log, "append", killed)
    with pytest.raises(Killed):
        say(archive, purpose=Purpose.REFERRAL)
    monkeypatch.undo()
    archive.close()
    assert found(folder) == []
    with Archive.open(folder, clock=Clock(), actor="tests") as again:
        assert found(folder) == []
        noted = [one.purpose for one in consents_of(folder, *PATIENT)]
        assert (Purpose.REFERRAL in noted) is (kill == "after the line")
        say(again, purpose=Purpose.REFERRAL)
    assert found(folder) == []


@pytest.fixture
def old(tmp_path: Path) -> Path:
    with tarfile.open(FIXTURE) as packed:
        packed.extractall(tmp_path, filter="data")
    return tmp_path / "archive"


def of_old(folder: Path) -> list[str]:
    survey = survey_archive(Layout(folder), Depth.DIGESTS, Memory(None, ""), Clock()(), full=True)
    return sorted({c.path for c in survey.concerns if c.kind == "statements-broken"})


def test_an_archive_of_an_earlier_version_is_brought_up_when_it_is_opened(old: Path) -> None:
    assert of_old(old) == []
    before = (old / "journal.jsonl").read_bytes()
    Archive.open(old, clock=Clock(), actor="tests").close()
    after = (old / "journal.jsonl").read_bytes()
    assert after.startswith(before) and after != before
    assert found(old) == []
    Archive.open(old, clock=Clock(), actor="tests").close()
    assert (old / "journal.jsonl").read_bytes() == after
    assert rebuild(old, clock=Clock()).is_sound
    assert (old / "journal.jsonl").read_bytes().count(b"brought-up") == after.count(b"brought-up")
    edited(old / "handovers.jsonl", lambda data: data[:-2])
    assert found(old) == ["handovers.jsonl"]


OLD = {
    "a line is cut off": lambda data: without_line(data, data.count(b"\n") - 1),
    "a line is edited": lambda data: data.replace(b"Haugen", b"Hausen").replace(b"North", b"South"),
    "a line is forged": lambda data: data + data.splitlines(keepends=True)[-1],
}


@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize("what", OLD)
def test_what_was_tampered_with_before_it_was_brought_up_is_found_after(
    old: Path, what: str, opened: bool
) -> None:
    edited(old / "consents.jsonl", OLD[what])
    if opened:
        Archive.open(old, clock=Clock(), actor="tests").close()
    assert of_old(old) == ["consents.jsonl"]

"""The channel itself: who is let in, what goes over it, and what a fault at either end leaves."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import pwd
import socket
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path

import pytest

from archiver.access.rights import Rights
from archiver.archive import verify
from archiver.archive.ingest.service import Ingest
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, OnDoubt, Outcome
from archiver.archive.store.journal_lines import Deed
from archiver.errors import ArchiveError, ObjectError
from archiver.service import ControlChannel, ServedArchive, control_channel, served_archive
from archiver.service.control_channel import COMMANDS
from archiver.service.control_messages import CARRIED
from tests.archive.archive_samples import content, incoming, uid
from tests.network.node_serving import serving
from tests.network.test_forwarding import wait_for
from tests.new_archive import new_archive


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "archive"


@pytest.fixture
def faults() -> list[BaseException]:
    """What the channel met and nobody foresaw."""
    return []


@pytest.fixture
def archive(folder: Path, faults: list[BaseException]) -> Iterator[Archive]:
    with Archive.create(folder, actor="server") as opened, ControlChannel(opened, faults.append):
        yield opened


@pytest.fixture
def served(archive: Archive) -> Iterator[ServedArchive]:
    found = ServedArchive.reach(archive.layout.root, actor="caller")
    assert found is not None
    with found:
        yield found


def test_everything_of_an_instance_but_the_instance_itself_goes_with_it() -> None:
    # Who comes by this channel rejects by statements, which are kept together.
    here = {"description", "parts", "aside", "by", "may_reject"}
    assert {one.name for one in fields(Incoming)} == here | set(CARRIED)


def test_what_is_brought_is_kept_as_if_it_were_put_there(
    archive: Archive, served: ServedArchive
) -> None:
    one = incoming(1, source="a" * 64)
    (stored,) = Ingest.of(served).accept([one])
    assert stored.outcome is Outcome.NEW and stored.path.read_bytes() == content(one)
    assert stored.path == served.path_of(uid(1))
    assert archive.has(uid(1))
    (again,) = served.put([incoming(1, modality="IO")])
    assert again.outcome is Outcome.CONFLICT and again.problem is not None
    assert len(served) == len(archive) == 1


def test_the_journal_names_the_caller(archive: Archive, served: ServedArchive) -> None:
    served.put([incoming(1)])
    served.record([Deed("viewed")])
    served.put_together([incoming(2), incoming(3)], ["one", "two"])
    me = pwd.getpwuid(os.geteuid()).pw_name
    text = archive.layout.journal.read_text()
    lines = [json.loads(line) for line in text.splitlines()]
    assert [line["who"] for line in lines] == ["server", *[me] * (len(lines) - 1)]
    assert [line["action"] for line in lines][-2:] == ["amended", "amended"]


def test_who_brings_somebody_else_is_answered_as_without_a_server(served: ServedArchive) -> None:
    served.put([incoming(1)])
    other = incoming(2, name="Haugen^Liv")
    told = served.put([Incoming(other.description, other.parts, on_doubt=OnDoubt.REFUSE)])
    assert told[0].outcome is Outcome.REFUSED and told[0].problem is not None
    told = served.put([other])
    assert told[0].outcome is Outcome.NEW and told[0].doubt is not None


class Broken:
    """A file that fails in the middle."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def __iter__(self) -> Iterator[bytes]:
        yield bytes(3 << 20)
        raise self.error


@pytest.mark.parametrize(
    ("error", "raised"),
    [
        (ObjectError("archive.journal.bad_line"), ObjectError),
        (OSError(errno.EIO, "x"), ArchiveError),
    ],
)
def test_a_file_that_fails_here_leaves_nothing_there(
    archive: Archive, served: ServedArchive, error: Exception, raised: type[Exception]
) -> None:
    parts: Iterable[bytes] = Broken(error)
    with pytest.raises(raised):
        served.put([incoming(1), Incoming(incoming(2).description, parts)])
    served.put([incoming(3)])
    assert not list(archive.layout.temporary.iterdir())
    assert len(archive) == 1


def test_a_full_disk_there_is_told_here(
    archive: Archive, served: ServedArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, parts: Iterable[bytes]) -> None:
        next(iter(parts))
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(control_channel, "write_whole", full)
    big = Incoming(incoming(1).description, [bytes(8 << 20)])
    with pytest.raises(ArchiveError, match="the disk is full: nothing was stored"):
        served.put([big])
    assert len(archive) == 0


def test_what_is_no_object_is_refused(archive: Archive, served: ServedArchive) -> None:
    with pytest.raises(ObjectError):
        served.put([Incoming(incoming(1).description, [b"holiday"])])
    assert len(archive) == 0 and not list(archive.layout.temporary.iterdir())


def test_an_error_that_nobody_foresaw_is_told_without_its_words(
    served: ServedArchive, monkeypatch: pytest.MonkeyPatch, faults: list[BaseException]
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("Okafor^Nadia")

    monkeypatch.setattr(control_channel, "describe", fail)
    with pytest.raises(ArchiveError, match="an error that nobody foresaw") as caught:
        served.put([incoming(1)])
    assert "Okafor" not in str(caught.value) and isinstance(faults[0], RuntimeError)


def test_another_version_is_told_to_start_the_server_again(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(served_archive, "__version__", "9.0")
    with pytest.raises(ArchiveError, match=r"version 9\.0 .*start the server again"):
        ServedArchive.reach(archive.layout.root, actor="caller")


@pytest.mark.parametrize(("mode", "wanted"), [(0o755, 0o600), (0o700, 0o600), (0o2770, 0o660)])
def test_who_may_use_it_follows_from_the_folder(folder: Path, mode: int, wanted: int) -> None:
    with Archive.create(folder) as archive:
        folder.chmod(mode)
        with ControlChannel(archive, lambda error: None):
            found = (folder / "control").stat()
            assert found.st_mode & 0o777 == wanted
            assert found.st_gid == folder.stat().st_gid


def test_who_is_not_let_in_is_told(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(root: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(served_archive.control_address, "knock", refuse)
    with pytest.raises(ArchiveError, match="lets in only who may write to its folder"):
        ServedArchive.reach(archive.layout.root, actor="caller")


def test_a_server_that_stands_still_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(served_archive, "_PATIENCE", 0.1)
    with Archive.create(folder), socket.socket(socket.AF_UNIX) as still:
        still.bind(os.path.relpath(folder / "control"))
        still.listen()
        with pytest.raises(ArchiveError, match="does not answer"):
            ServedArchive.reach(folder, actor="caller")


def test_a_folder_deeper_than_a_socket_may_lie_has_one_all_the_same(tmp_path: Path) -> None:
    folder = tmp_path / ("deep" * 30) / ("deeper" * 20)
    with Archive.create(folder) as archive, ControlChannel(archive, lambda error: None):
        assert (folder / "control").is_socket()
        served = ServedArchive.reach(folder, actor="caller")
        assert served is not None
        with served:
            assert served.put([incoming(1)])[0].outcome is Outcome.NEW


def test_a_socket_that_nobody_listens_at_is_nobody(folder: Path) -> None:
    Archive.create(folder).close()
    assert ServedArchive.reach(folder, actor="caller") is None
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(os.path.relpath(folder / "control"))
    assert (folder / "control").is_socket()
    assert ServedArchive.reach(folder, actor="caller") is None
    with Archive.open(folder) as archive, ControlChannel(archive, lambda error: None):
        served = ServedArchive.reach(folder, actor="caller")
        assert served is not None
        served.close()
    assert not (folder / "control").exists()


def test_a_server_that_has_ended_is_told(folder: Path) -> None:
    with Archive.create(folder) as archive:
        with ControlChannel(archive, lambda error: None):
            served = ServedArchive.reach(folder, actor="caller")
        assert served is not None
        with served, pytest.raises(ArchiveError, match="has ended"):
            served.put([incoming(1)])
        assert len(archive) == 0


def test_more_callers_than_are_served_at_once_are_all_served(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control_channel, "_AT_ONCE", 3)

    def bring(number: int) -> Outcome:
        served = ServedArchive.reach(archive.layout.root, actor="caller")
        assert served is not None
        with served:
            return served.put([incoming(number)])[0].outcome

    with ThreadPoolExecutor(16) as pool:
        assert set(pool.map(bring, range(40))) == {Outcome.NEW}
    assert len(archive) == 40 and verify(archive.layout.root).is_sound


def test_noise_at_the_door_harms_nobody(
    archive: Archive, served: ServedArchive, faults: list[BaseException]
) -> None:
    for noise in (
        b"",
        b"GET / HTTP/1.1\r\n\r\n",
        b"\0\0\0\4nope",
        b"\x7f\xff\xff\xff" + bytes(100),
    ):
        with socket.socket(socket.AF_UNIX) as one:
            one.connect(os.path.relpath(archive.layout.root / "control"))
            one.sendall(noise)
    assert served.put([incoming(1)])[0].outcome is Outcome.NEW


@pytest.mark.parametrize("right", [set(), {"store"}, {"operate"}, {"store", "operate"}])
def test_an_account_does_what_its_rights_allow_and_no_more(
    folder: Path, faults: list[BaseException], right: set[str]
) -> None:
    new_archive(folder)
    me = pwd.getpwuid(os.geteuid()).pw_name
    rights = ((f"local:{me}", Rights(frozenset(right))),)
    with (
        serving(folder, rights=rights, web_port=-1, dimse_port=-1) as node,
        ControlChannel(node.archive, faults.append, lambda: "anew", node.admit),
    ):
        served = ServedArchive.reach(folder, actor="somebody else")
        assert served is not None
        # By every request that there is.
        asked = {
            "put": lambda: served.put([incoming(1)]),
            "record": lambda: served.record([Deed("viewed")]),
            "append": lambda: served._ask({"do": "append", "name": "none"}),
            "delete": lambda: served.delete([]),
            "secret": served.secret,
            "rebuild": served.rebuild,
            "reload": served.reload,
        }
        assert {"hello", *asked} == set(COMMANDS)
        refused = []
        for name, ask in asked.items():
            try:
                ask()
            except ArchiveError as error:
                refused += [name] * (error.problems[0].code == "access.account")
        assert refused == [one for one in asked if COMMANDS[one] not in right]
        served.close()
    lines = [json.loads(line) for line in (folder / "journal.jsonl").read_text().splitlines()]
    alerts = [line for line in lines if "110132" in json.dumps(line)]
    assert len(alerts) == len(refused) and all(me in json.dumps(line) for line in alerts)


def test_an_account_that_has_used_up_its_minute_waits(folder: Path) -> None:
    new_archive(folder)
    with serving(folder, web_port=-1, dimse_port=-1) as node:
        node.admit("anna", "store", 65 << 20)
        with pytest.raises(ArchiveError, match="too much to do"):
            node.admit("anna", "store", 1)
        node.admit("berg", "store", 1)


def test_one_account_never_holds_all_places(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control_channel, "_AT_ONCE", 4)
    told: list[str] = []

    def caller(_: object) -> str:
        told.append("idle" if len(told) < 6 else "another")
        return told[-1]

    monkeypatch.setattr(control_channel.control_address, "caller", caller)
    with contextlib.ExitStack() as stack:
        for _ in range(6):
            one = stack.enter_context(socket.socket(socket.AF_UNIX))
            one.connect(os.path.relpath(archive.layout.root / "control"))
        wait_for(lambda: len(told) == 6)
        served = ServedArchive.reach(archive.layout.root, actor="caller")
        assert served is not None
        with served:
            assert served.put([incoming(1)])[0].outcome is Outcome.NEW

"""Whatever goes wrong in the writer ends one request; the others are carried out."""

from __future__ import annotations

import inspect
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from archive_samples import Clock, incoming, uid

from archiver.archive.index_rebuild import rebuild
from archiver.archive.store import atomic_batch, transactions
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Outcome, Placement
from archiver.archive.store.index import Index
from archiver.archive.store.journal import Journal
from archiver.archive.store.journal_lines import Deed
from archiver.archive.store.transactions import Transactions
from archiver.errors import ArchiveError


class UnforeseenError(RuntimeError):
    """What nobody reckoned with."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "archive"


@pytest.fixture
def archive(folder: Path) -> Iterator[Archive]:
    with Archive.open(folder, clock=Clock()) as opened:
        yield opened


def writing(archive: Archive) -> Transactions:
    """Return what an open archive writes by."""
    assert archive._transactions is not None
    return archive._transactions


def fail_once(original: Callable[..., object]) -> Callable[..., object]:
    """Return what raises when it is first called and does its work from then on."""
    calls: list[int] = []

    def call(*args: object, **kwargs: object) -> object:
        calls.append(1)
        if len(calls) == 1:
            raise UnforeseenError("quotes Okafor^Nadia")
        return original(*args, **kwargs)

    return call


#: Every call by which a put is carried out, in its order.
PUT = (
    (Index, "position"),
    (Index, "held"),
    (Index, "add"),
    (Journal, "append"),
    (Placement, "write"),
    (Placement, "place"),
    (transactions, "decide"),
    (transactions, "deeds_of"),
    (transactions, "kept_of"),
    (transactions, "stored_of"),
)
TOGETHER = (
    *[one for one in PUT if one[1] != "deeds_of"],
    (atomic_batch, "demand_new"),
    (atomic_batch, "intended"),
    (atomic_batch, "kept_and_done"),
)


def test_the_table_names_every_call_that_a_put_makes() -> None:
    source = "".join(
        inspect.getsource(method)
        for method in (
            Transactions.put,
            Transactions._append,
            Transactions._enter,
            Transactions._caught_up,
        )
    )
    named = {name for _, name in PUT}
    called = {
        name
        for name in ("decide", "place", "deeds_of", "append", "kept_of", "add", "stored_of")
        if f"{name}(" in source
    }
    assert called == named - {"position", "held", "write"}


@pytest.mark.parametrize(("owner", "name"), PUT, ids=lambda v: getattr(v, "__name__", v))
def test_an_unforeseen_error_fails_one_request_and_the_writer_goes_on(
    archive: Archive, folder: Path, monkeypatch: pytest.MonkeyPatch, owner: object, name: str
) -> None:
    reported: list[BaseException] = []
    archive.writer.on_error = reported.append
    if name == "position":
        # ToothAsked only where an earlier put did not reach the index.
        writing(archive)._applied = object()  # type: ignore[assignment]
    monkeypatch.setattr(owner, name, fail_once(getattr(owner, name)))

    with pytest.raises(UnforeseenError):
        archive.put([incoming(1)])

    assert archive.writer.is_alive and archive.writer.health.faults == 1
    assert [type(error) for error in reported] == [UnforeseenError]
    again = archive.put([incoming(1)])[0]
    assert again.outcome in (Outcome.NEW, Outcome.SAME)
    assert archive.put([incoming(2)])[0].outcome is Outcome.NEW
    assert archive.has(uid(1)) and archive.has(uid(2))
    archive.close()
    assert not rebuild(folder, clock=Clock()).problems


@pytest.mark.parametrize(("owner", "name"), TOGETHER, ids=lambda v: getattr(v, "__name__", v))
def test_an_unforeseen_error_while_instances_are_kept_together_leaves_all_or_none(
    archive: Archive, folder: Path, monkeypatch: pytest.MonkeyPatch, owner: object, name: str
) -> None:
    if name == "position":
        writing(archive)._applied = object()  # type: ignore[assignment]
    monkeypatch.setattr(owner, name, fail_once(getattr(owner, name)))

    with pytest.raises(UnforeseenError):
        archive.put_together([incoming(1), incoming(2)], ["first", "second"])

    assert archive.writer.is_alive
    if writing(archive).is_open:
        assert archive.put([incoming(3)])[0].outcome is Outcome.NEW
    archive.close()
    with Archive.open(folder, clock=Clock()) as opened:
        assert opened.has(uid(1)) is opened.has(uid(2))


def test_others_that_wait_with_the_faulty_one_are_kept(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go = threading.Event(), threading.Event()
    original = archive.writer._put

    def put(batch: list[object]) -> object:
        if not begun.is_set():
            begun.set()
            go.wait(10)
        if any(one.description.sop_instance_uid == uid(5) for one in batch):  # type: ignore[attr-defined]
            raise UnforeseenError
        return original(batch)  # type: ignore[arg-type]

    monkeypatch.setattr(archive.writer, "_put", put)
    with ThreadPoolExecutor(9) as pool:
        first = pool.submit(archive.put, [incoming(1)])
        assert begun.wait(10)
        rest = {n: pool.submit(archive.put, [incoming(n)]) for n in range(2, 10)}
        while archive.writer._jobs.qsize() < 8:
            threading.Event().wait(0.01)
        go.set()
        assert first.result(10)[0].outcome is Outcome.NEW
        for number, one in rest.items():
            if number == 5:
                with pytest.raises(UnforeseenError):
                    one.result(10)
            else:
                assert one.result(10)[0].outcome is Outcome.NEW


def test_a_listener_that_fails_fails_no_request(archive: Archive) -> None:
    heard: list[str] = []

    def fail(stored: object) -> None:
        raise UnforeseenError

    archive.listen(fail)
    archive.listen(lambda stored: heard.extend(one.sop_instance_uid for one in stored))
    assert archive.put([incoming(1)])[0].outcome is Outcome.NEW
    archive.record([])
    assert heard == [uid(1)] and archive.writer.health.faults == 1


def test_a_log_that_fails_does_not_end_the_writer(archive: Archive) -> None:
    def fail(error: object) -> None:
        raise OSError("no space left")

    archive.writer.on_error = fail
    archive.listen(fail)
    archive.put([incoming(1)])
    assert archive.put([incoming(2)])[0].outcome is Outcome.NEW
    assert archive.writer.is_alive


def test_events_that_could_not_be_written_are_written_later(
    archive: Archive, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Journal, "append", fail_once(Journal.append))
    failed = threading.Event()
    archive.writer.on_error = lambda error: failed.set()
    archive.record_soon([Deed("audit", note="looked")])
    assert failed.wait(10)
    archive.record([Deed("audit", note="another")])
    archive.close()
    text = (folder / "journal.jsonl").read_text()
    assert text.count('"looked"') == 1 and text.count('"another"') == 1


def test_a_closed_archive_refuses_instead_of_waiting(folder: Path) -> None:
    archive = Archive.open(folder, clock=Clock())
    archive.close()
    with pytest.raises(ArchiveError, match="not open for writing"):
        archive.put([incoming(1)])


def test_the_writer_does_not_wait_for_itself(archive: Archive) -> None:
    archive.listen(lambda stored: archive.put([incoming(2)]))
    assert archive.put([incoming(1)])[0].outcome is Outcome.NEW
    assert archive.writer.health.faults == 1 and not archive.has(uid(2))


def test_a_process_that_forgets_to_close_its_archive_ends_all_the_same(tmp_path: Path) -> None:
    """By then everything acknowledged is on the disk; the threads hold nobody up."""
    code = (
        "import sys; from pathlib import Path; sys.path.append(sys.argv[2])\n"
        "from archive_samples import incoming\n"
        "from archiver.archive.ingest.service import Ingest\n"
        "from archiver.archive.store.archive import Archive\n"
        "Ingest.of(Archive.open(Path(sys.argv[1]))).accept([incoming(1)])\n"
    )
    command = [sys.executable, "-c", code, tmp_path / "archive", Path(__file__).parent]
    subprocess.run(command, check=True, timeout=60)
    with Archive.open(tmp_path / "archive", read_only=True) as archive:
        assert archive.has(uid(1))

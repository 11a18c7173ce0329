"""Whatever is done to an archive, in whatever order, it keeps what it promised."""

from __future__ import annotations

import tempfile
from pathlib import Path

from archive_samples import Clock, content, incoming, uid
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from archiver.archive.index_rebuild import rebuild
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Outcome
from archiver.archive.store.journal_lines import verify_chain

NUMBERS = st.integers(0, 5)
CONTENTS = st.sampled_from([b"first", b"second"])


class AnyHistory(RuleBasedStateMachine):
    """An archive beside a dictionary of what it has promised to keep."""

    def __init__(self) -> None:
        super().__init__()
        self._temporary = tempfile.TemporaryDirectory()
        self.folder = Path(self._temporary.name, "archive")
        self.clock = Clock()
        self.promised: dict[str, bytes] = {}
        self.archive = self.opened()

    def opened(self) -> Archive:
        return Archive.open(self.folder, clock=self.clock, actor="history")

    @rule(batch=st.lists(st.tuples(NUMBERS, CONTENTS), min_size=1, max_size=4))
    def put(self, batch: list[tuple[int, bytes]]) -> None:
        ones = [incoming(n, pixels=pixels, teeth=("36",)) for n, pixels in batch]
        for one, stored in zip(ones, self.archive.put(ones), strict=True):
            before = self.promised.setdefault(stored.sop_instance_uid, content(one))
            same = before == content(one)
            assert (stored.outcome is Outcome.CONFLICT) == (not same)

    @rule()
    def open_again(self) -> None:
        self.archive.close()
        self.archive = self.opened()
        assert self.archive.recovery.problems == ()

    @rule(torn=st.binary(min_size=1, max_size=40).filter(lambda text: b"\n" not in text))
    def tear_the_journal(self, torn: bytes) -> None:
        self.archive.close()
        with (self.folder / "journal.jsonl").open("ab") as journal:
            journal.write(torn)
        self.archive = self.opened()
        assert self.archive.recovery.torn_line_cut

    @rule()
    def lose_the_index(self) -> None:
        self.archive.close()
        (self.folder / "index.sqlite").unlink()
        self.archive = self.opened()
        assert self.archive.recovery.taken_in == len(self.promised)

    @rule(text=st.binary(max_size=30))
    def leave_a_file_aside(self, text: bytes) -> None:
        self.archive.close()
        (self.folder / "tmp" / "0.part").write_bytes(text)
        self.archive = self.opened()
        assert self.archive.recovery.aside_removed == 1

    @rule(number=NUMBERS)
    def lose_an_object_and_hand_it_in_again(self, number: int) -> None:
        path = self.archive.path_of(uid(number))
        if path is None:
            return
        kept = path.read_bytes()
        path.unlink()
        one = incoming(number, teeth=("36",))
        stored = self.archive.put([type(one)(one.description, [kept])])[0]
        assert stored.outcome is Outcome.NEW

    @rule()
    def make_the_index_again(self) -> None:
        before = self.archive.query(Query())
        self.archive.close()
        report = rebuild(self.folder, clock=self.clock)
        assert report.problems == () and report.indexed == len(self.promised)
        self.archive = self.opened()
        assert self.archive.query(Query()) == before

    @invariant()
    def every_promise_is_kept(self) -> None:
        records = self.archive.query(Query())
        assert {r.sop_instance_uid: Path(r.path).read_bytes() for r in records} == self.promised
        assert verify_chain(self.folder / "journal.jsonl") == []
        assert len(list((self.folder / "objects").rglob("*.dcm"))) == len(self.promised)

    def teardown(self) -> None:
        self.archive.close()
        self._temporary.cleanup()


AnyHistory.TestCase.settings = settings(max_examples=8, stateful_step_count=15, deadline=None)


class TestAnyHistory(AnyHistory.TestCase):  # type: ignore[name-defined,misc]
    """Lets the test runner find it."""

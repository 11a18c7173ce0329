"""Does the journal still hold what witnesses have of it, and from when on is it vouched for?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

from archiver.archive.store import (
    JournalEntry,
    Layout,
    Position,
    entries_of,
    holds_at,
    identity_of,
)
from archiver.archive.witness import (
    HEAD_SIGNED,
    KeptHead,
    SignedHead,
    read_heads,
    stamp_of,
    verified,
)
from archiver.errors import ArchiverError, InputError
from archiver.records.model import Concern
from archiver.wording import Text

#: How far two clocks may go apart, and one be set back by itself, before it is told.
_TOLERANCE = timedelta(minutes=5)


@dataclass(frozen=True)
class Vouching:
    """Witnesses of a journal.

    Parameters
    ----------
    folders
        Of signed heads.
    signer
        The public key that is trusted, as PEM; None trusts whoever signed and only names them.
    authorities
        Certificates of the roots whose time stamps are trusted; None verifies no stamp.
    """

    folders: tuple[Path, ...]
    signer: bytes | None = None
    authorities: Path | None = None


@dataclass(frozen=True)
class Vouched:
    """That everything up to a line of the journal stands as it stood at a time.

    Parameters
    ----------
    line
        Of the journal.
    since
        When it was signed, by the signer's clock, ISO 8601.
    signer
        SHA-256 of the public key.
    witness
        The folder's name.
    stamped
        When an authority had it, ISO 8601, and which; empty where none is verified.
    """

    line: int
    since: str
    signer: str
    witness: str
    stamped: str = ""
    authority: str = ""


@dataclass
class WitnessReport:
    """What came of comparing."""

    concerns: list[Concern] = field(default_factory=list)
    vouched: list[Vouched] = field(default_factory=list)


def check_witnesses(layout: Layout, vouching: Vouching) -> WitnessReport:
    """Compare the journal with every signed head.

    Raises
    ------
    UsageError
        If the extra `evidence` is not installed.
    """
    found = WitnessReport()
    heads: dict[int, SignedHead] = {}
    for folder in vouching.folders:
        try:
            kept = list(read_heads(folder))
        except ArchiverError as error:
            found.concerns.append(Concern("head-missing", error.problems[0], path=str(folder)))
            continue
        if not kept:
            found.concerns.append(_concern("head-missing", Text("records.witness.none"), folder))
        last: Vouched | None = None
        for one in kept:
            last = _judge(layout, vouching, one, found) or last
            if one.head is not None:
                heads.setdefault(one.head.number, one.head)
        found.concerns += _gaps(kept, folder)
        if last is not None:
            found.vouched.append(last)
    found.concerns += _unannounced(layout, heads)
    return found


def _concern(kind: str, found: Text, folder: Path, file: str = "") -> Concern:
    return Concern(kind, found, path=str(folder / file) if file else str(folder))


def _judge(
    layout: Layout, vouching: Vouching, one: KeptHead, found: WitnessReport
) -> Vouched | None:
    """Judge one head; return for what it vouches, None where for nothing."""

    def report(kind: str, words: Text) -> None:
        found.concerns.append(_concern(kind, words, one.witness, one.file))

    head = one.head
    trusted = vouching.signer or one.public
    is_signed = head is not None and verified(trusted, one.signature, one.text)
    if head is None or not is_signed:
        report("head-broken", Text("records.witness.not_signed"))
        return None
    if head.archive != str(identity_of(layout.root) or ""):
        report("head-broken", Text("records.witness.other_archive"))
        return None
    if not surely_holds_at(layout.journal, head.position):
        day = head.said_at[:19]
        report("head-differs", Text("records.witness.differs", line=head.line, time=day))
        return None
    stamped, authority = "", ""
    if one.stamp and vouching.authorities is not None:
        try:
            stamp = stamp_of(one.stamp, one.text, vouching.authorities)
        except InputError:
            report("head-broken", Text("records.witness.bad_stamp"))
            return None
        stamped, authority = stamp.time.isoformat(), stamp.authority
        if abs(stamp.time - datetime.fromisoformat(head.said_at)) > _TOLERANCE:
            words = Text("records.witness.other_time", here=head.said_at[:19], there=stamped[:19])
            report("clock-set-back", words)
    return Vouched(head.line, head.said_at, head.signer, one.witness.name, stamped, authority)


def surely_holds_at(journal: Path, position: Position) -> bool:
    """Return whether a journal has a position; not where the position is none, or it is unread."""
    try:
        return holds_at(journal, position)
    except (OSError, ValueError, OverflowError):
        return False


def _gaps(kept: Sequence[KeptHead], folder: Path) -> Iterator[Concern]:
    """Tell heads between others that a witness lacks, and those that do not follow."""
    heads = sorted((k.head for k in kept if k.head is not None), key=lambda head: head.number)
    for before, head in pairwise(heads):
        if head.number != before.number + 1:
            words = Text("records.witness.gap", first=before.number + 1, last=head.number - 1)
            yield _concern("head-missing", words, folder)
        elif head.previous != before.digest:
            words = Text("records.witness.does_not_follow", number=head.number)
            yield _concern("head-broken", words, folder)


def _unannounced(layout: Layout, heads: dict[int, SignedHead]) -> Iterator[Concern]:
    """Tell heads of which the journal tells and that nobody has, and the other way round."""
    try:
        lines = {entry.digest: entry for entry in entries_of(layout.journal, (HEAD_SIGNED,))}
    except OSError:
        return  # told where the journal is read
    known = {head.digest for head in heads.values()}
    for digest, entry in lines.items():
        if digest not in known:
            words = Text("records.witness.nobody_has", line=entry.seq, day=entry.time[:10])
            yield Concern("head-missing", words, path=layout.journal.name)
    newest = max(heads, default=0)
    for number, head in sorted(heads.items()):
        # Of the newest, a kill may have left the journal without its line.
        if head.digest not in lines and number != newest:
            words = Text("records.witness.not_told", number=number)
            yield Concern("head-differs", words, path=layout.journal.name)


def check_clock(entries: Iterable[JournalEntry]) -> Iterator[Concern]:
    """Tell lines of the journal that are older than the one before them."""
    before: datetime | None = None
    for entry in entries:
        try:
            time = datetime.fromisoformat(entry.time)
        except ValueError:
            continue
        if before is not None and time.tzinfo is not None and before - time > _TOLERANCE:
            words = Text("records.witness.back", line=entry.seq, time=entry.time, before=before)
            yield Concern("clock-set-back", words, path="journal.jsonl")
        if time.tzinfo is not None:
            before = time if before is None else max(before, time)

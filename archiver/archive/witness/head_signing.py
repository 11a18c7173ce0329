"""Signing the journal's head now, and handing it to the witnesses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archiver.archive.store.archive import Archive
from archiver.archive.store.identity import identity_of
from archiver.archive.store.journal_lines import (
    LONGEST_LINE,
    Deed,
    JournalEntry,
    Position,
    parsed,
)
from archiver.archive.witness.signed_head import SignedHead
from archiver.archive.witness.signing_key import Signer
from archiver.archive.witness.time_stamp import ask_for_stamp
from archiver.archive.witness.witness_folder import keep_head, read_heads
from archiver.errors import ArchiveError, IntegrityError, Problem

#: By which the journal tells of a signed head: its digest, and which line it is of.
HEAD_SIGNED = "head-signed"


@dataclass(frozen=True)
class Witnesses:
    """Who is given signed heads.

    Parameters
    ----------
    folders
        One at least.
    stamp
        Address of an authority for time stamps (RFC 3161); empty for none.
    """

    folders: tuple[Path, ...]
    stamp: str = ""


def sign_head(
    archive: Archive, signer: Signer, witnesses: Witnesses, now: datetime
) -> tuple[SignedHead, Problem | None]:
    """Sign the head of an archive's journal, hand it to the witnesses and tell the journal.

    Parameters
    ----------
    archive
        Open for writing, or reached by way of the process that serves it.

    Returns
    -------
    tuple
        The head, and why no authority stamped it where one should have: it counts without.

    Raises
    ------
    ArchiveError
        If a witness cannot be written to.
    IntegrityError
        If the journal has no sound last line.
    """
    root = archive.layout.root
    if not witnesses.folders:
        raise ArchiveError(Problem("archive.witness.nobody"))
    before = newest_head(witnesses.folders)
    position, entry = _end(archive.layout.journal)
    head = SignedHead(
        str(identity_of(root) or ""),
        before.number + 1 if before else 1,
        position.seq,
        position.hash,
        position.offset,
        entry.time,
        now.isoformat(timespec="milliseconds"),
        signer.name,
        before.digest if before else "",
    )
    stamp, trouble = b"", None
    if witnesses.stamp:
        try:
            stamp = ask_for_stamp(witnesses.stamp, head.text)
        except ArchiveError as error:
            trouble = error.problems[0]
    for folder in witnesses.folders:
        keep_head(folder, head, signer.sign(head.text), signer.public, stamp)
    archive.record([Deed(HEAD_SIGNED, digest=head.digest, note=f"head {head.number}")])
    return head, trouble


def newest_head(folders: Sequence[Path]) -> SignedHead | None:
    """Return the head with the highest number that any witness has."""
    kept = [one for folder in folders if folder.is_dir() for one in read_heads(folder)]
    heads = [one.head for one in kept if one.head is not None]
    return max(heads, key=lambda head: head.number, default=None)


def _end(journal: Path) -> tuple[Position, JournalEntry]:
    """Return the last whole line of the journal and the position behind it."""
    with journal.open("rb") as file:
        size = file.seek(0, 2)
        begin = max(0, size - 2 * LONGEST_LINE)
        file.seek(begin)
        tail = file.read()
    # What is written just now is not counted before its line end is there.
    whole = tail[: tail.rfind(b"\n") + 1]
    entry, wrong = parsed(whole[:-1].rpartition(b"\n")[2])
    if entry is None or wrong:
        raise IntegrityError(Problem("archive.witness.no_line").at(file=str(journal)))
    return Position(entry.seq, entry.hash, begin + len(whole)), entry

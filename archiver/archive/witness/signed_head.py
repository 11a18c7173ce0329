"""What is signed of a journal: one JSON object, keys sorted, as it stands in a witness's file."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass

from archiver.archive.store.journal_lines import Position
from archiver.errors import InputError, Problem

_FORMAT = 1
_NO_HEAD = ""


@dataclass(frozen=True)
class SignedHead:
    """The head of a journal at a time.

    Parameters
    ----------
    archive
        Identity of the archive.
    number
        From 1; each head of an archive has the next one.
    line, hash, offset
        The journal's last line: its number, its hash, and where it ends (bytes).
    line_time, said_at
        When that line was written and when the head was signed, by the clock here, ISO 8601.
    previous
        SHA-256 of the head before as it was signed; empty for the first.
    signer
        SHA-256 of the signer's public key.
    """

    archive: str
    number: int
    line: int
    hash: str
    offset: int
    line_time: str
    said_at: str
    signer: str
    previous: str = _NO_HEAD

    @property
    def position(self) -> Position:
        """The place in the journal for which it vouches."""
        return Position(self.line, self.hash, self.offset)

    @property
    def text(self) -> bytes:
        """The bytes that are signed."""
        fields = {**asdict(self), "format": _FORMAT}
        return json.dumps(fields, sort_keys=True, indent=1).encode("ascii") + b"\n"

    @property
    def digest(self) -> str:
        """SHA-256 of what is signed."""
        return hashlib.sha256(self.text).hexdigest()


def head_of(text: bytes) -> SignedHead:
    """Read a head; only what `SignedHead.text` writes is one.

    Raises
    ------
    InputError
        If it is none.
    """
    try:
        fields = json.loads(text)
        if fields.pop("format") != _FORMAT:
            raise ValueError
        head = SignedHead(**fields)
        if head.text != text:
            raise ValueError
    except (ValueError, TypeError, KeyError, AttributeError):
        raise InputError(Problem("archive.witness.no_head")) from None
    return head

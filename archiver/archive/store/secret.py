"""The archive's secret, with which identifiers are replaced so that nobody can go back.

It never leaves the archive's folder. Whoever loses it can still read everything; only a case
that goes on would get other identifiers than before.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from collections.abc import Callable
from pathlib import Path

from archiver.archive.store.durable import translated, write_once
from archiver.archive.store.schema import Schema, unchanged
from archiver.errors import IntegrityError, Problem
from archiver.wording import Text

FILE = "secret"
#: A version and the secret in hexadecimal digits; version 0 was the digits alone.
SCHEMA: Schema[str] = Schema(Text("archive.schema.secret"), (unchanged,))
_LENGTH = 32


def secret_of(root: Path, random: Callable[[int], bytes] = os.urandom) -> bytes:
    """Return the secret of an archive, made when it is first asked for.

    Parameters
    ----------
    root
        The archive's folder; the caller holds its writer lock.
    random
        Gives so many bytes of chance.

    Raises
    ------
    ArchiveError
        If the disk refuses, or the secret is of a newer version.
    IntegrityError
        If the file is damaged.
    """
    path = root / FILE
    with translated(Text("archive.secret.not_made"), path):
        if not path.exists():
            write_once(path, f"{SCHEMA.version} {random(_LENGTH).hex()}".encode(), mode=0o600)
        text = path.read_bytes()
    return _read(text, path)


def read_secret(root: Path) -> bytes | None:
    """Return the secret of an archive, None where there is none (yet).

    Raises
    ------
    ArchiveError
        If it cannot be read, or is of a newer version.
    IntegrityError
        If the file is damaged.
    """
    path = root / FILE
    with translated(Text("archive.secret.not_made"), path):
        if not path.exists():
            return None
        text = path.read_bytes()
    return _read(text, path)


def _read(text: bytes, path: Path) -> bytes:
    try:
        version, _, digits = text.decode("ascii").rpartition(" ")
        digits = SCHEMA.upgraded(digits, int(version or "0"), path)
        secret = bytes.fromhex(digits)
    except ValueError:
        secret = b""
    if len(secret) != _LENGTH:
        raise IntegrityError(Problem("archive.secret.damaged").at(file=str(path)))
    return secret


def keyed(secret: bytes, *words: str) -> bytes:
    """Return the keyed digest (HMAC-SHA-256, RFC 2104) of words, told apart by their lengths."""
    told = b"".join(len(w.encode()).to_bytes(4, "big") + w.encode() for w in words)
    return hmac.new(secret, told, hashlib.sha256).digest()

"""What the verbs take from the world around them: the time, the person, the files."""

from __future__ import annotations

import getpass
import os
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.errors import InputError, UsageError

if TYPE_CHECKING:
    from archiver.network.client import HeaderCache
    from archiver.network.outbox import OutboxContext
    from archiver.records import Contact


def now() -> datetime:
    """Return the time now, with its offset from UTC."""
    return datetime.now().astimezone()


def actor() -> str:
    """Return who is at work, for the journal: the account, whatever the environment says."""
    try:
        import pwd
    except ImportError:  # there is no such module on Windows
        return getpass.getuser()
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return f"uid {os.getuid()}"


def contacts_of(path: Path, today: date) -> dict[tuple[str, str], Contact]:
    """Return what a table of last contacts says.

    Raises
    ------
    UsageError
        If it cannot be read.
    """
    from archiver.records import read_contacts

    try:
        return read_contacts(path, today=today)
    except InputError as error:
        raise UsageError(*error.problems) from None


def header_folder() -> Path:
    """Return where other archives' headers are remembered, in the user's own cache folder."""
    from platformdirs import user_cache_path

    return user_cache_path("archiver", appauthor=False)


def header_cache() -> HeaderCache:
    """Return the cache of other archives' headers."""
    from archiver.network.client import HeaderCache

    return HeaderCache(header_folder())


def world() -> OutboxContext:
    """Return the time, chance and identifiers that a sender needs."""
    import random

    from pydicom.uid import generate_uid

    from archiver.network.outbox import OutboxContext

    # A UID from a random UUID (PS3.5 B.2).
    return OutboxContext(now, random.random, lambda: str(generate_uid(prefix=None)))

"""Room on the disk: what is kept free, and when the rest will be used up."""

from __future__ import annotations

import errno
import os
import shutil
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from sqlalchemy import func, select

from archiver.archive.store import Archive, tables

#: The forecast supposes that objects come as they did in this time, or since the archive was made;
#: of one younger than the second nothing can be told: what comes first is what lay elsewhere.
WINDOW_DAYS, LEAST_DAYS = 30, 7


def free_bytes(folder: Path) -> int:
    """Return how much can still be written to the file system of a folder."""
    return shutil.disk_usage(folder).free


@dataclass(frozen=True)
class Reserve:
    """What is kept free for journal, index, outbox and statements; nothing is received into it.

    Parameters
    ----------
    folder
        Of the archive.
    size
        In bytes.
    """

    folder: Path
    size: int

    def is_reached(self) -> bool:
        """Return whether nothing more may come in."""
        return free_bytes(self.folder) < self.size

    def demand(self) -> None:
        """Refuse what would come in.

        Raises
        ------
        OSError
            As from a disk that is full, which it soon will be.
        """
        if self.is_reached():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def days_left(free: int, grown: int, days: float) -> float | None:
    """Return after how many days nothing is free; None where nothing grows.

    Parameters
    ----------
    free
        Bytes.
    grown
        Bytes that came within `days`.
    """
    return None if grown <= 0 else round(max(free, 0) * days / grown, 1)


def grown_since(archive: Archive, since: datetime) -> int:
    """Return the bytes of the objects that were archived since a time.

    Their times are compared as texts: beside a change of the clock's offset from UTC it is some
    hours more or less.
    """
    instances = tables.instances
    text = since.isoformat(timespec="milliseconds")
    statement = select(func.sum(instances.c.size)).where(instances.c.added >= text)
    with archive.reading() as connection:
        return int(connection.execute(statement).scalar() or 0)


def window(now: datetime, made: datetime) -> timedelta | None:
    """Return the time from which the forecast is made, None where the archive is too young."""
    age = now - made
    return None if age < timedelta(days=LEAST_DAYS) else min(age, timedelta(days=WINDOW_DAYS))

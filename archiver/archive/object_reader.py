"""Objects read one after the other: digest and meaning, in several processes where it pays."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.store.durable import Written, digest_file
from archiver.archive.store.metadata_reader import Describe, describe_file
from archiver.errors import ArchiveError, ArchiverError, ObjectError, Problem
from archiver.workers import confined, in_order

if TYPE_CHECKING:
    from archiver.objects import Description

#: Objects from which on processes are started, and how many of them one is given at once.
_PAYS = 2000
_AT_ONCE = 50
_PROCESSES = max(2, min(4, os.cpu_count() or 2))


@dataclass(frozen=True)
class ObjectRead:
    """A file under ``objects`` that was read.

    Parameters
    ----------
    written
        Its digest and size; None where the disk refused it.
    description
        None where it cannot be read as an object.
    problem
        Why not.
    """

    path: Path
    written: Written | None
    description: Description | None = None
    problem: Problem | None = None


def read_in_order(paths: Iterable[Path], describe: Describe, total: int) -> Iterator[ObjectRead]:
    """Yield objects with what they are, in the order of their paths.

    Parameters
    ----------
    describe
        Reads the meaning of one; another function than the archive's own is called in this process.
    total
        How many there are, about.
    """
    if describe is not describe_file or total < _PAYS:
        yield from (_read(path, describe) for path in paths)
        return
    rest = iter(paths)
    batches = iter(lambda: list(islice(rest, _AT_ONCE)), [])
    for _, read in in_order(_together, batches, _PROCESSES, "objects"):
        yield from read


def _together(paths: Sequence[Path]) -> list[ObjectRead]:
    try:
        return _read_all(paths)
    except ArchiverError:
        # One of them takes too much: each alone, so that only that one is lost.
        return [_alone(path) for path in paths]


def _alone(path: Path) -> ObjectRead:
    try:
        return _read_all([path])[0]
    except ArchiverError as error:
        problem = error.problems[0]
    with suppress(OSError):
        return ObjectRead(path, digest_file(path), None, problem)
    return ObjectRead(path, None, None, problem)


@confined(ArchiveError)
def _read_all(paths: Sequence[Path]) -> list[ObjectRead]:
    return [_read(path, describe_file) for path in paths]


def _read(path: Path, describe: Describe) -> ObjectRead:
    written = None
    try:
        written = digest_file(path)
        return ObjectRead(path, written, describe(path))
    except ObjectError as error:
        return ObjectRead(path, written, None, error.problems[0])
    except OSError as error:
        problem = Problem("archive.index_rebuild.unreadable", reason=error.strerror)
        return ObjectRead(path, None, None, problem)

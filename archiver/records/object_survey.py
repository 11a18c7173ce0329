"""Going through the objects of an archive: those that changed are read, the others remembered."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archiver.archive.store import Layout
from archiver.records.audit_memory import Memory, RememberedObject
from archiver.records.checks.integrity import FileSeen
from archiver.records.examination import Depth, Examined, examine_file
from archiver.records.model import ObjectFacts
from archiver.wording import Text
from archiver.workers import in_order

#: Objects read at once; reading and hashing give the interpreter lock away.
WORKERS = 2


@dataclass(frozen=True, slots=True)
class Looked:
    """An object that was looked at.

    Parameters
    ----------
    known
        What is to be remembered of it, or was.
    fresh
        Whether it was read now.
    """

    seen: FileSeen
    known: RememberedObject
    fresh: bool


@dataclass(frozen=True, slots=True)
class _Job:
    path: str
    size: int
    changed: int
    old: RememberedObject | None
    special: str = ""


def look_at_objects(
    layout: Layout, depth: Depth, memory: Memory, now: datetime, *, full: bool
) -> Iterator[Looked]:
    """Yield every file under ``objects``, in the order of their names.

    Parameters
    ----------
    depth
        How far each is looked at; what is remembered from less is read again.
    full
        Read everything, whatever is remembered.
    """
    stamp = now.isoformat(timespec="seconds")
    memory.begin()
    device = layout.objects.stat().st_dev if layout.objects.is_dir() else 0
    mounted = mounts_within(layout.objects)

    def jobs() -> Iterator[_Job]:
        for path, status in walk(layout.objects):
            relative = Path(path).relative_to(layout.root).as_posix()
            memory.note_present(relative)
            size, changed = status.st_size, status.st_mtime_ns
            special = _special(status, device)
            if not special and path.startswith(mounted):
                special = "mounted"
            old = None if full or special else memory.object(relative)
            if old is not None and (
                (old.size, old.changed) != (size, changed) or old.depth < depth
            ):
                old = None
            yield _Job(relative, size, changed, old, special)

    def look(job: _Job) -> FileSeen:
        if job.old is not None:
            return FileSeen(job.path, Examined(job.old.facts))
        if job.special:
            # Not opened: a link leads out of the archive, a pipe never ends.
            return FileSeen(job.path, None, Text(f"records.survey.special.{job.special}"))
        try:
            return FileSeen(job.path, examine_file(layout.root / job.path, depth))
        except OSError as error:
            return FileSeen(job.path, None, Text("records.survey.disk_says", error=error.strerror))

    for job, seen in in_order(look, jobs(), WORKERS, "object"):
        if job.old is not None:
            yield Looked(seen, job.old, False)
            continue
        facts = seen.examined.facts if seen.examined else ObjectFacts("", 0)
        new = RememberedObject(job.path, seen.stem, job.size, job.changed, depth, facts, stamp)
        yield Looked(seen, new, True)
    memory.drop_absent()


def _special(status: os.stat_result, device: int) -> str:
    """Return what a file is that is no plain file of the archive's own disk, else empty."""
    if stat.S_ISLNK(status.st_mode):
        return "link"
    if not stat.S_ISREG(status.st_mode):
        return "no_file"
    return "mounted" if status.st_dev != device else ""


def mounts_within(folder: Path, table: Path = Path("/proc/self/mountinfo")) -> tuple[str, ...]:
    """Return the folders below one that something is mounted on, each with a slash at its end.

    Of a folder of the same disk that is mounted once more (a bind mount) files do not tell. None
    where the system has no such table (proc(5)).
    """
    try:
        lines = table.read_text("utf-8", "surrogateescape").splitlines()
    except OSError:
        return ()
    points = [re.sub(r"\\([0-7]{3})", _octal, line.split(" ")[4]) for line in lines if line]
    here = f"{os.fspath(folder.resolve())}/"
    beyond = [point.removeprefix(here) for point in points if point.startswith(here)]
    return tuple(f"{os.fspath(folder)}/{one}/" for one in beyond)


def _octal(found: re.Match[str]) -> str:
    return chr(int(found[1], 8))


def walk(folder: Path) -> Iterator[tuple[str, os.stat_result]]:
    """Yield every file under a folder with what the system knows of it, in the order of paths.

    Links are not followed. Of one folder at a time there is more in memory than its own files'
    names.
    """
    yield from _walk(os.fspath(folder))


def _walk(folder: str) -> Iterator[tuple[str, os.stat_result]]:
    try:
        with os.scandir(folder) as entries:
            names = sorted(
                f"{one.name}/" if one.is_dir(follow_symlinks=False) else one.name for one in entries
            )
    except FileNotFoundError:
        return
    for name in names:
        path = f"{folder}/{name}"
        if name.endswith("/"):
            yield from _walk(path[:-1])
        else:
            with suppress(FileNotFoundError):
                yield path, os.lstat(path)

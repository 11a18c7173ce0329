"""A dry run: every file is looked at once and decided about; nothing is archived, nothing changed.

The survey is resumable: what a killed run had noted is not looked at again. Memory does not grow
with the number of files: they are walked, looked at and decided about one after the other, and
all that is known of them lies in the database of the import.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePosixPath

from archiver.errors import InputError, Problem
from archiver.legacy.copies import OriginalCandidate, alike, best_original, relation
from archiver.legacy.decisions import Decider
from archiver.legacy.file_look import LookedAt, look_at
from archiver.legacy.import_memory import ImportMemory, ImportRow
from archiver.legacy.import_rules import ImportRules
from archiver.legacy.mends import Mend
from archiver.legacy.path_reading import read_path
from archiver.legacy.reasons import FileFate, ImportReason
from archiver.vision import hash_parts
from archiver.wording import Text
from archiver.workers import in_order

THUMBNAILS = "thumbnails"
#: Files noted between two commits.
_TOGETHER = 200

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class _Found:
    """A file on the way to be looked at."""

    path: str
    size: int
    changed: int


def walk(root: Path) -> Iterator[Path]:
    """Yield all files below a folder, links themselves in place of what they point at."""

    def told(error: OSError) -> None:
        problem = Problem("legacy.survey.unreadable", reason=error.strerror)
        raise InputError(problem.at(file=str(error.filename))) from error

    for folder, below, names in os.walk(root, onerror=told):
        below.sort()
        links = [name for name in below if Path(folder, name).is_symlink()]
        yield from (Path(folder, name) for name in sorted([*names, *links]))


def look_at_all(
    root: Path,
    memory: ImportMemory,
    *,
    workers: int = 1,
    without: Path | None = None,
    progress: Progress | None = None,
) -> int:
    """Look at every file below a folder that was not looked at before; return how many there are.

    Parameters
    ----------
    without
        A folder that is passed over: that of the report, where it lies within.
    progress
        Told how many were looked at, of how many.

    Raises
    ------
    InputError
        If a folder cannot be read.
    """
    run = memory.begin_run()
    total = sum(1 for _ in walk(root)) if progress is not None else 0
    seen = 0

    def new() -> Iterator[_Found]:
        nonlocal seen
        for path in walk(root):
            if without is not None and without in path.parents:
                continue
            seen += 1
            status = path.lstat()
            found = _Found(_below(path, root), status.st_size, status.st_mtime_ns)
            if not memory.is_known(found.path, found.size, found.changed, run):
                yield found
            if progress is not None:
                progress(seen, total)

    def look(one: _Found) -> LookedAt:
        return look_at(root / one.path)

    shown = memory.path.parent / THUMBNAILS
    for count, (found, told) in enumerate(in_order(look, new(), workers, "import"), start=1):
        _keep_thumbnail(shown, told)
        memory.note(found.path, found.size, found.changed, run, told)
        if count % _TOGETHER == 0:
            memory.commit()
    memory.forget_others(run)
    return seen


def _below(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix()


def thumbnail_of(sha256: str) -> str:
    """Return where the thumbnail of a picture lies, below the folder of the report."""
    return f"{THUMBNAILS}/{sha256[:2]}/{sha256}.jpg"


def _keep_thumbnail(shown: Path, told: LookedAt) -> None:
    if told.picture is None:
        return
    path = shown.parent / thumbnail_of(told.sha256)
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(told.picture.thumbnail)


def names_in(memory: ImportMemory, rules: ImportRules, today: date) -> tuple[list[str], list[str]]:
    """Return the names and the identifiers that paths of pictures have, each once."""
    names: dict[str, None] = {}
    identifiers: dict[str, None] = {}
    for row in memory.rows('seen like \'%"kind": "picture"%\''):
        said = read_path(PurePosixPath(row.path), rules, today)
        if said is not None:
            names |= {said.name: None} if said.name else {}
            identifiers |= {said.patient_id: None} if said.patient_id else {}
    return list(names), list(identifiers)


def decide_all(memory: ImportMemory, decider: Decider, mends: Mapping[str, Mend]) -> None:
    """Decide about every file: by itself first, then beside those that are the same picture."""
    for row in memory.rows():
        memory.decide(
            row.key, decider.decide(PurePosixPath(row.path), row.seen, mends.get(row.path))
        )
    memory.commit()
    _same_bytes(memory)
    _same_pictures(memory)
    memory.commit()


#: Why somebody is not known whom a path names: the same picture elsewhere does not answer that.
_ABOUT_WHO = (
    ImportReason.NAME_ALONE,
    ImportReason.PATIENT_UNKNOWN,
    ImportReason.SEVERAL_PATIENTS,
    ImportReason.NAME_DIFFERS,
    ImportReason.BIRTH_DATE_DIFFERS,
    ImportReason.LEFT_OUT,
)


def _same_bytes(memory: ImportMemory) -> None:
    """Of files with the same bytes keep one; none where they are said to be several people's."""
    again = "select sha from file where sha is not null group by sha having count(*) > 1"
    for (sha,) in list(memory.keys(again)):
        rows = list(memory.rows("sha = ?", (sha,)))
        taken = [one for one in rows if _fate(one) is FileFate.ACCEPTED]
        if len({_whose(one) for one in taken}) > 1:
            _quarantine(memory, taken, ImportReason.OTHER_PATIENTS_TOO)
        elif len({_meaning(one) for one in taken}) > 1:
            _quarantine(memory, taken, ImportReason.COPIES_DIFFER)
        else:
            # The shortest name: copies are marked by further words.
            keeper = min(
                taken or rows, key=lambda one: (len(PurePosixPath(one.path).name), one.path)
            )
            for one in rows:
                if one.key != keeper.key and _adds_nothing(one, keeper):
                    memory.decide_again(one.key, ImportReason.SAME_BYTES, None, keeper.key)


def _adds_nothing(row: ImportRow, keeper: ImportRow) -> bool:
    """Whether nothing is lost where a file counts as the same as another one."""
    assert row.decision is not None and keeper.decision is not None
    if row.decision.reason in _ABOUT_WHO:
        return False
    return _whose(row) in (None, _whose(keeper)) or row.decision.fate is FileFate.ACCEPTED


def _fate(row: ImportRow) -> FileFate:
    assert row.decision is not None
    return row.decision.fate


def _whose(row: ImportRow) -> tuple[str, str] | None:
    who = row.decision.patient if row.decision is not None else None
    return (who.issuer, who.id) if who is not None else None


def _meaning(row: ImportRow) -> object:
    """What must be told alike of the same bytes: when, and what is shown where that is told."""
    assert row.decision is not None
    shown = row.decision.shown
    return (row.decision.day, shown.view, shown.teeth, shown.state, shown.mirror, shown.flipped)


def _quarantine(memory: ImportMemory, rows: Iterable[ImportRow], reason: ImportReason) -> None:
    several = list(rows)
    for one in several:
        others = tuple(other.path for other in several if other.key != one.key)[:3]
        memory.decide_again(one.key, reason, Text("legacy.why.beside", others=others))


def _same_pictures(memory: ImportMemory) -> None:
    """Find copies that are not the same file, and the best original of each."""
    groups = _Groups()
    for row in memory.rows("length(hashes) > 0 and reason != ?", (ImportReason.SAME_BYTES.value,)):
        assert row.seen.picture is not None
        for other in _near(memory, row):
            assert other.seen.picture is not None
            if alike(other.seen.picture, row.seen.picture) is not None:
                groups.join(row.key, other.key)
    for keys in groups.all():
        _group(memory, [memory.row(key) for key in keys])


def _near(memory: ImportMemory, row: ImportRow) -> Iterator[ImportRow]:
    """Yield pictures before this one that share a part of a hash with it in some position."""
    assert row.seen.picture is not None
    found: set[int] = set()
    for text in row.seen.picture.hashes:
        for number, value in hash_parts(int(text, 16)):
            question = "select key from part where number = ? and value = ? and key < ?"
            found |= {key for (key,) in memory.keys(question, (number, value, row.key))}
    for key in sorted(found):
        other = memory.row(key)
        if other.decision is not None and other.decision.reason is not ImportReason.SAME_BYTES:
            yield other


class _Groups:
    """Pictures that are the same, joined pair by pair."""

    def __init__(self) -> None:
        self._above: dict[int, int] = {}

    def _top(self, key: int) -> int:
        while (above := self._above.setdefault(key, key)) != key:
            self._above[key] = self._above[above]
            key = above
        return key

    def join(self, one: int, other: int) -> None:
        """Put two into one group."""
        self._above[self._top(one)] = self._top(other)

    def all(self) -> list[list[int]]:
        """Return the groups."""
        found: dict[int, list[int]] = defaultdict(list)
        for key in self._above:
            found[self._top(key)].append(key)
        return [sorted(keys) for keys in found.values()]


def _group(memory: ImportMemory, rows: list[ImportRow]) -> None:
    taken = [one for one in rows if _fate(one) is FileFate.ACCEPTED]
    if len({_whose(one) for one in taken}) > 1:
        _quarantine(memory, taken, ImportReason.OTHER_PATIENTS_TOO)
        return
    best = best_original([_candidate(one) for one in taken]) if taken else None
    if best is None:
        return
    for one in taken:
        if one.key == best.key:
            continue
        assert one.seen.picture is not None
        how = alike(best.picture, one.seen.picture)
        if how is not None:
            reason = relation(best.picture, one.seen.picture, how)
            memory.decide_again(one.key, reason, None, best.key)


def _candidate(row: ImportRow) -> OriginalCandidate:
    assert row.seen.picture is not None
    return OriginalCandidate(row.key, row.seen.picture, row.size)

"""What the journal says of files that are no objects: statements, users and the secret.

Every line of statements stands in the journal by a keyed digest, with where it begins and ends, and
every file that is written as a whole by a digest of its content. So whoever truncates, edits,
extends, removes or replaces one is found, although no patient is named in the journal. A line is
announced before it is written and told after; what a kill left between is neither lost nor forged.

Lines of earlier versions stand in the journal by digests of their own, those of hand-overs by that
of their package. An archive of an earlier version is brought up once: what it has is told as it is.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from archiver.archive.store import secret as secret_file
from archiver.archive.store.journal_lines import (
    BROUGHT_UP,
    CREATED,
    FILE,
    LINE,
    LINE_BEGUN,
    WITH_STATEMENTS,
    Deed,
    JournalEntry,
    entries_of,
)
from archiver.archive.store.secret import keyed, read_secret
from archiver.errors import IntegrityError, Problem

SECRET = secret_file.FILE
USERS = "pages/users.json"
CONSENTS, REGISTER, SAME_PERSON = "consents.jsonl", "handovers.jsonl", "same_person.jsonl"
#: Files that are evidence, by whichever way they are written.
LOGS = (CONSENTS, REGISTER, SAME_PERSON, "operations.jsonl", "settings.jsonl")
#: Actions by which earlier versions told of a line, and the word of its keyed digest.
_EARLIER = {CONSENTS: ("consent", "consent"), SAME_PERSON: ("same-person", "same person")}
_HANDED_OVER = "handed-over"
ACTIONS = (LINE, LINE_BEGUN, FILE, BROUGHT_UP, CREATED, "consent", "same-person", _HANDED_OVER)


@dataclass(frozen=True)
class _Line:
    """Where a stretch of lines stands, and its digest."""

    name: str
    begin: int
    end: int
    digest: str
    seq: int


def line_deed(secret: bytes, name: str, begin: int, text: bytes) -> Deed:
    """Return what the journal is told before a line is written; after it, as `LINE`."""
    digest = _digest(secret, name, begin, text)
    return Deed(LINE_BEGUN, digest=digest, size=begin + len(text), note=f"{name} from {begin}")


def file_deed(root: Path, name: str) -> Deed:
    """Return what the journal is told of a file that was written as a whole.

    Parameters
    ----------
    name
        With forward slashes, from the archive's folder on; where it is gone, that is told.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    path = root / name
    if not path.exists():
        return Deed(FILE, note=name)
    data = path.read_bytes()
    return Deed(FILE, digest=_of_file(root, name, data), size=len(data), note=name)


def _of_file(root: Path, name: str, data: bytes) -> str:
    if name == SECRET:
        return hashlib.sha256(data).hexdigest()  # 256 bits of chance: nobody guesses it
    secret = read_secret(root)
    return keyed(secret, "file", name, data.decode("latin-1")).hex() if secret else ""


def _digest(secret: bytes, name: str, begin: int, text: bytes) -> str:
    return keyed(secret, "line", name, str(begin), text.decode("latin-1")).hex()


def brought_up(root: Path, entries: Iterable[JournalEntry]) -> list[Deed]:
    """Return what the journal of an archive of an earlier version is told, once."""
    if any(_is_start(entry) for entry in entries):
        return []
    deeds = [file_deed(root, name) for name in (SECRET, USERS) if (root / name).exists()]
    secret = read_secret(root)
    for name in LOGS:
        whole = _whole(root / name)
        if secret and whole:
            deeds.append(replace(line_deed(secret, name, 0, whole), action=LINE))
    return [*deeds, Deed(BROUGHT_UP, note=f"{len(deeds)} files of an earlier version")]


def _is_start(entry: JournalEntry) -> bool:
    return entry.action == BROUGHT_UP or (entry.action == CREATED and entry.note == WITH_STATEMENTS)


def _whole(path: Path) -> bytes:
    """Return the whole lines of a file."""
    data = path.read_bytes() if path.exists() else b""
    return data[: data.rfind(b"\n") + 1]


def unfinished(root: Path, entries: Sequence[JournalEntry]) -> list[Deed]:
    """Return what the journal is told of a line that was written before a kill could tell of it."""
    begun = {one.name: one for one in _lines(entries, LINE_BEGUN)}
    told = {one.name: one for one in _lines(entries, LINE)}
    open_ = [one for one in begun.values() if one.name not in told or told[one.name].seq < one.seq]
    secret = read_secret(root) if open_ else None
    return [
        Deed(LINE, digest=one.digest, size=one.end, note=f"{one.name} from {one.begin}")
        for one in open_
        if secret
        and _digest(secret, one.name, one.begin, _whole(root / one.name)[one.begin :]) == one.digest
    ]


def _lines(entries: Iterable[JournalEntry], action: str) -> Iterator[_Line]:
    for entry in entries:
        name, _, begin = entry.note.partition(" from ")
        if entry.action == action and begin.isdigit():
            yield _Line(name, int(begin), entry.size, entry.digest, entry.seq)


def announced(entries: Iterable[JournalEntry]) -> dict[str, int]:
    """Return where the first line begins that entries announce, by the name of its file."""
    found: dict[str, int] = {}
    for one in _lines(entries, LINE_BEGUN):
        found.setdefault(one.name, one.begin)
    return found


@dataclass(frozen=True)
class Evidence:
    """What was found of the files.

    Parameters
    ----------
    problems
        What is not as the journal tells of it.
    is_complete
        Whether the journal tells of all of them; not so before an archive of an earlier version
        is brought up.
    """

    problems: tuple[Problem, ...]
    is_complete: bool


def compare(root: Path, entries: Sequence[JournalEntry]) -> Evidence:
    """Compare the files with the journal.

    Parameters
    ----------
    entries
        All lines of the journal with one of `ACTIONS`, in their order.

    Raises
    ------
    OSError
        If a file cannot be read.
    """
    started = any(_is_start(entry) for entry in entries)
    problems = list(_compare_files(root, entries, started))
    secret, broken = None, False
    try:
        secret = read_secret(root)
    except IntegrityError:
        broken = True
    told: dict[str, list[_Line]] = defaultdict(list)
    for one in _lines(entries, LINE):
        told[one.name].append(one)
    if secret is None and (told or broken) and not problems:
        problems.append(Problem("archive.evidence.gone").at(file=SECRET))
    for name in dict.fromkeys((*LOGS, *told)):
        path = root / name
        if not path.exists():
            if told[name] or any(_earlier(entries, name)):
                problems.append(Problem("archive.evidence.gone").at(file=name))
        elif secret is not None:
            data = path.read_bytes()
            begun = [one for one in _lines(entries, LINE_BEGUN) if one.name == name]
            problems += _compare_lines(secret, name, data, (told[name], begun[-1:]), started)
            if told[name] or not started:
                problems += _compare_earlier(secret, name, data, told[name], entries)
        elif path.stat().st_size:
            problems.append(Problem("archive.evidence.unverified").at(file=name))
    return Evidence(tuple(problems), started)


def _compare_files(root: Path, entries: Sequence[JournalEntry], started: bool) -> Iterator[Problem]:
    last: Mapping[str, JournalEntry] = {one.note: one for one in entries if one.action == FILE}
    for name in dict.fromkeys((SECRET, USERS, *last)):
        path, entry = root / name, last.get(name)
        if entry is None or not entry.digest:
            if path.exists() and (entry is not None or started):
                yield Problem("archive.evidence.unknown").at(file=name)
        elif not path.exists():
            yield Problem("archive.evidence.gone").at(file=name)
        else:
            data = path.read_bytes()
            try:
                same = _of_file(root, name, data) == entry.digest
            except IntegrityError:
                same = name != SECRET
            if not same:
                yield Problem("archive.evidence.replaced").at(file=name)


def _compare_lines(
    secret: bytes,
    name: str,
    data: bytes,
    lines: tuple[Sequence[_Line], Sequence[_Line]],
    started: bool,
) -> Iterator[Problem]:
    told, begun = lines
    at = 0
    for one in told:
        if one.begin != at:
            yield Problem("archive.evidence.changed_between", line=one.seq).at(file=name)
        if one.end > len(data):
            yield Problem("archive.evidence.cut_off", missing=one.end - len(data)).at(file=name)
            return
        if _digest(secret, name, one.begin, data[one.begin : one.end]) != one.digest:
            number = data.count(b"\n", 0, one.begin) + 1
            yield Problem("archive.evidence.changed").at(file=name, line=number)
        at = one.end
    rest = data[at:]
    if not rest or not (told or started):
        return
    if any(
        one.begin == at
        and (not rest.endswith(b"\n") or _digest(secret, name, at, rest) == one.digest)
        for one in begun
    ):
        return  # a kill left it
    yield Problem("archive.evidence.beyond", count=max(1, rest.count(b"\n"))).at(file=name)


def _earlier(entries: Iterable[JournalEntry], name: str) -> Iterator[JournalEntry]:
    """Yield the lines by which an earlier version told of those of a file."""
    action = _EARLIER[name][0] if name in _EARLIER else _HANDED_OVER if name == REGISTER else ""
    for entry in entries:
        if entry.action == action and not entry.sop:
            yield entry


def _compare_earlier(
    secret: bytes,
    name: str,
    data: bytes,
    told: Sequence[_Line],
    entries: Sequence[JournalEntry],
) -> Iterator[Problem]:
    """Compare the lines of an earlier version, up to where they were brought up."""
    if name not in (*_EARLIER, REGISTER):
        return
    announced = {one.digest for one in _lines(entries, LINE_BEGUN)}
    if told and told[0].digest in announced:
        return  # nothing was there before this version
    until, seq = (told[0].end, told[0].seq) if told else (len(data), 0)
    digests = [one.digest for one in _earlier(entries, name) if not seq or one.seq < seq]
    *lines, _ = data[:until].split(b"\n")
    if len(lines) != len(digests):
        given = {"lines": len(lines), "told": len(digests)}
        yield Problem("archive.evidence.number_of_lines", **given).at(file=name)
    for number, (line, digest) in enumerate(zip(lines, digests, strict=False), 1):
        if name in _EARLIER:
            word = _EARLIER[name][1]
            right = keyed(secret, word, line.decode("utf-8", "replace") + "\n").hex() == digest
        else:
            right = digest.encode() in line
        if not right:
            yield Problem("archive.evidence.changed").at(file=name, line=number)


def demand_whole(root: Path, journal: Path, names: Collection[str]) -> None:
    """Refuse to go by files that are not as the journal tells of them.

    Parameters
    ----------
    names
        Of `LOGS`, `USERS` and the secret.

    Raises
    ------
    IntegrityError
        If one of them is not.
    """
    found = compare(root, list(entries_of(journal, ACTIONS)))
    problems = [one for one in found.problems if one.place.file in names]
    if problems:
        raise IntegrityError(*problems)

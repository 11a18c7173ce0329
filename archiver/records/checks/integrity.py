"""Is what was kept still there, and still the same? Journal, objects and index compared.

Pure comparisons; `archiver.records.archive_survey` reads what they compare.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice

from archiver.archive.store import DELETED, JournalEntry, Promised, possible_paths
from archiver.errors import ObjectError
from archiver.records.examination import Examined
from archiver.records.instance_reader import agree
from archiver.records.model import Concern, Instance, Said
from archiver.wording import Text

#: Returns where the object of a line of the journal lies, or should, relative to the archive.
PlaceOf = Callable[[JournalEntry], str]
#: Instances whose lines are found at once.
_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class FileSeen:
    """A file under ``objects``.

    Parameters
    ----------
    path
        Relative to the archive, with forward slashes.
    examined
        None where the disk refused to read it.
    trouble
        What the disk said.
    """

    path: str
    examined: Examined | None
    trouble: Said = ""

    @property
    def stem(self) -> str:
        """The name without folder and ending: the SOP Instance UID, where all is well."""
        name = self.path.rpartition("/")[2]
        return name.removesuffix(".dcm")


def check_file(seen: FileSeen, entry: JournalEntry | None, place: str) -> Concern | None:
    """Compare a file with what the journal says of it; None if it is what was kept.

    Parameters
    ----------
    entry, place
        The line of the journal that tells of an object of that name, and where that lies, or
        should; its tombstone, where it was deleted.
    """
    if entry is not None and entry.action == DELETED:
        found = Text("records.integrity.lies_again", day=entry.time[:10], line=entry.seq)
        return _concern("deleted-object-back", seen, found, entry)
    if seen.examined is None:
        return _concern("object-unreadable", seen, seen.trouble, entry)
    facts = seen.examined.facts
    if entry is not None and seen.path == place:
        if facts.digest != entry.digest:
            found = _digest(facts.digest, facts.size)
            expected = _digest(entry.digest, entry.size)
            return _concern("object-changed", seen, found, entry, expected)
        if seen.examined.trouble:
            return _concern("object-unreadable", seen, seen.examined.trouble, entry)
        return None
    if entry is not None:
        elsewhere = Text("records.integrity.elsewhere")
        return _concern("object-misplaced", seen, elsewhere, entry, place)
    description = seen.examined.description
    if description is None:
        return _concern(
            "object-misplaced", seen, seen.examined.trouble or Text("records.integrity.no_line")
        )
    try:
        right = possible_paths(
            description.study_uid, description.series_uid, description.sop_instance_uid
        )
    except ObjectError:
        right = ("", "")
    if seen.path not in right:
        return _concern("object-misplaced", seen, Text("records.integrity.no_line"), None, right[0])
    return _concern("object-unjournalled", seen, Text("records.integrity.no_line"))


def _concern(
    kind: str,
    seen: FileSeen,
    found: Said,
    entry: JournalEntry | None = None,
    expected: Text | str = "",
) -> Concern:
    uids = (entry.sop,) if entry is not None else ()
    return Concern(kind, found, expected, uids=uids, path=seen.path)


def _digest(digest: str, size: int) -> Text:
    return Text("records.integrity.digest", digest=digest[:16], size=size)


def check_returned(statements: Iterable[JournalEntry], promised: Promised) -> Iterator[Concern]:
    """Tell the objects that were deleted and have been taken in again since."""
    buried = {entry.sop: entry for entry in statements if entry.action == DELETED}
    for sop, tombstone in buried.items():
        entry = promised.one(sop)
        if entry is not None and entry.action != DELETED:
            days = {"day": tombstone.time[:10], "again": entry.time[:10], "who": entry.who}
            found = Text("records.integrity.came_again", **days)
            yield Concern("deleted-object-back", found, uids=(sop,))


def missing_object(entry: JournalEntry, place: str) -> Concern:
    """Tell of an object of the journal that has no file."""
    found = Text("records.integrity.kept", day=entry.time[:10], line=entry.seq)
    expected = Text("records.integrity.the_object")
    return Concern("object-missing", found, expected, uids=(entry.sop,), path=place)


def check_index(
    instances: Iterable[Instance],
    rows: Mapping[str, str],
    expected: Mapping[str, str],
    journalled: tuple[Promised, PlaceOf],
    unsound: set[str],
) -> Iterator[Concern]:
    """Compare the index with journal and objects.

    Parameters
    ----------
    rows, expected
        Digests of what the index says, and of what it should say, by SOP Instance UID; none is
        expected of objects that were not read.
    journalled
        What the journal tells of, and where the object of a line lies, or should.
    unsound
        Objects that are gone or changed, of which the index may be silent.
    """
    promised, place_of = journalled
    for one, entry in _with_lines(instances, promised):
        uid = one.uid
        if entry is None or entry.action == DELETED:
            yield Concern(
                "index-without-object",
                Text("records.integrity.row_without_line"),
                patient=one.person.label,
                date=one.date,
                uids=(uid,),
                path=one.path,
            )
            continue
        if uid in unsound:
            continue
        kept = (place_of(entry), entry.size, entry.digest, entry.source, entry.seq, entry.time)
        said = (one.path, one.size, one.digest, one.source, one.seq, one.added)
        if kept != said or not agree(rows.get(uid, ""), expected.get(uid, rows.get(uid, ""))):
            names = ("path", "size", "digest", "source_digest", "line", "time")
            differs = [n for n, a, b in zip(names, kept, said, strict=True) if a != b]
            which = [Text(f"records.index_row.{name}") for name in differs or ["object"]]
            found = Text("records.integrity.differ", which=which)
            yield Concern(
                "index-differs",
                found,
                Text("records.integrity.object_and_journal"),
                patient=one.person.label,
                date=one.date,
                uids=(uid,),
                path=one.path,
            )
    for entry in promised.since(0):
        uid = entry.sop
        if entry.action != DELETED and uid not in rows and uid not in unsound:
            path = place_of(entry)
            found = Text("records.integrity.no_row")
            expected_row = Text("records.integrity.a_row")
            yield Concern("index-lacks-object", found, expected_row, uids=(uid,), path=path)


def _with_lines(
    instances: Iterable[Instance], promised: Promised
) -> Iterator[tuple[Instance, JournalEntry | None]]:
    waiting = iter(instances)
    while some := list(islice(waiting, _AT_ONCE)):
        entries = promised.some([one.uid for one in some])
        yield from ((one, entries.get(one.uid)) for one in some)

"""Is what was kept still there, and still the same? Journal, objects and index compared.

Pure comparisons; `archiver.records.archive_survey` reads what they compare.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from archiver.archive.store import JournalEntry, possible_paths
from archiver.errors import ObjectError
from archiver.records.examination import Examined
from archiver.records.instance_reader import agree
from archiver.records.model import Concern, Instance, Said
from archiver.wording import Text


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


def check_file(
    seen: FileSeen, promises: Mapping[str, JournalEntry], places: Mapping[str, str]
) -> Concern | None:
    """Compare a file with what the journal says of it; None if it is what was kept.

    Parameters
    ----------
    places
        Where each object of the journal lies, or should, by SOP Instance UID.
    """
    entry = promises.get(seen.stem)
    if seen.examined is None:
        return _concern("object-unreadable", seen, seen.trouble, entry)
    facts = seen.examined.facts
    if entry is not None and seen.path == places[seen.stem]:
        if facts.digest != entry.digest:
            found = _digest(facts.digest, facts.size)
            expected = _digest(entry.digest, entry.size)
            return _concern("object-changed", seen, found, entry, expected)
        if seen.examined.trouble:
            return _concern("object-unreadable", seen, seen.examined.trouble, entry)
        return None
    if entry is not None:
        elsewhere = Text("records.integrity.elsewhere")
        return _concern("object-misplaced", seen, elsewhere, entry, places[seen.stem])
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


def check_missing(
    promises: Mapping[str, JournalEntry], places: Mapping[str, str], paths: set[str]
) -> Iterator[Concern]:
    """Tell the objects of the journal that have no file."""
    for sop, entry in promises.items():
        place = places[sop]
        if place not in paths:
            found = Text("records.integrity.kept", day=entry.time[:10], line=entry.seq)
            yield Concern(
                "object-missing",
                found,
                Text("records.integrity.the_object"),
                uids=(sop,),
                path=place,
            )


def check_index(
    instances: Mapping[str, Instance],
    rows: Mapping[str, str],
    expected: Mapping[str, str],
    promises: Mapping[str, JournalEntry],
    places: Mapping[str, str],
    unsound: set[str],
) -> Iterator[Concern]:
    """Compare the index with journal and objects.

    Parameters
    ----------
    rows, expected
        Digests of what the index says, and of what it should say, by SOP Instance UID; none is
        expected of objects that were not read.
    unsound
        Objects that are gone or changed, of which the index may be silent.
    """
    for uid, one in instances.items():
        entry = promises.get(uid)
        if entry is None:
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
        kept = (places[uid], entry.size, entry.digest, entry.source, entry.seq, entry.time)
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
    for uid in promises:
        if uid not in instances and uid not in unsound:
            path = places[uid]
            found = Text("records.integrity.no_row")
            expected_row = Text("records.integrity.a_row")
            yield Concern("index-lacks-object", found, expected_row, uids=(uid,), path=path)

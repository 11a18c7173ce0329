"""A question put to an archive, our own or another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from archiver.archive import Query, Record
from archiver.archive.store import Archive
from archiver.network import Peer
from archiver.records.checks import failed_sides
from archiver.wording import Text
from archiver.workflow.header_folder import open_headers


@dataclass(frozen=True)
class QueryAnswer:
    """What a question found.

    Parameters
    ----------
    records
        The instances.
    way
        Of another archive: how its answers and headers were used, in words.
    known_by
        Of another archive: from where it is known what each instance shows, by its UID.
    wrong_way
        UIDs of the instances that the last comparison found the wrong way round.
    """

    records: tuple[Record, ...]
    way: Text | str = ""
    known_by: Mapping[str, str] = field(default_factory=dict)
    wrong_way: frozenset[str] = frozenset()


def query(source: Archive | Peer, question: Query, *, headers: Path | None = None) -> QueryAnswer:
    """Find instances by patient, tooth, view, date.

    Parameters
    ----------
    source
        The archive, or another one. What another archive does not know of teeth and views is
        read from the headers of its photographs.
    headers
        Folder in which another archive's headers are remembered; None forgets them.

    Raises
    ------
    UsageError
        If another archive is asked for everything that it has.
    ArchiveError
        If the index cannot be read.
    NetworkError
        If the other archive cannot be reached, or refuses.

    Examples
    --------
    >>> from pathlib import Path
    >>> from archiver import Archive, Query, parse_teeth, query
    >>> with Archive.open(Path("photographs")) as archive:
    ...     query(archive, Query(patient_id="P-0417", teeth=parse_teeth("iso:16"))).records
    ()
    """
    if isinstance(source, Archive):
        records = tuple(source.query(question))
        failed = failed_sides(source.layout.root)
        found_wrong = frozenset(r.sop_instance_uid for r in records if r.sop_instance_uid in failed)
        return QueryAnswer(records, wrong_way=found_wrong)
    # Only here: the libraries of the network take longer to import than a query does.
    from archiver.network.client import ask

    with open_headers(headers) as cache:
        found = ask(source, question, cache)
    return QueryAnswer(found.records, found.way, found.known_by)

"""Fetching what a question found, by whichever way the peer is reached."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver.archive import Record
from archiver.archive.store import relative_path
from archiver.errors import ArchiverError, Problem
from archiver.network.client.dicomweb import connection
from archiver.network.client.dimse.retrieve import RetrieveScope, retrieve
from archiver.network.peers import DimsePeer, Peer, WebPeer


@dataclass(frozen=True)
class Fetched:
    """What came.

    Parameters
    ----------
    files
        By SOP Instance UID.
    problems
        A line for everything that did not come, and why.
    """

    files: dict[str, Path]
    problems: tuple[str, ...]


def fetch_records(
    peer: Peer,
    records: Sequence[Record],
    folder: Path,
    progress: Callable[[int, int], None] | None = None,
) -> Fetched:
    """Fetch instances into a folder, a file each.

    Parameters
    ----------
    progress
        Told after each instance how many of how many have come.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, or refuses.
    """
    if not records:
        return Fetched({}, ())

    def came(count: int) -> None:
        if progress is not None:
            progress(count, len(records))

    if isinstance(peer, WebPeer):
        return _by_web(peer, records, folder, came)
    return _by_dimse(peer, records, folder, came)


def _by_dimse(
    peer: DimsePeer, records: Sequence[Record], folder: Path, each: Callable[[int], None]
) -> Fetched:
    series: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for one in records:
        series[one.study_uid, one.series_uid, one.patient_id].append(one.sop_instance_uid)
    wanted = [
        RetrieveScope(study, name, tuple(instances), patient)
        for (study, name, patient), instances in series.items()
    ]
    classes = [one.sop_class_uid for one in records]
    came = retrieve(peer, wanted, folder, classes=classes, each=each)
    problems = [str(problem) for problem in came.problems]
    missing = [o.sop_instance_uid for o in records if o.sop_instance_uid not in came.files]
    if missing:
        problem = Problem("network.retrieve.missing", n=len(missing), missing=missing)
        if came.status.code:
            problem = Problem(
                "network.retrieve.missing_why",
                n=len(missing),
                status=came.status.text,
                missing=missing,
            )
        problems.append(str(problem.at(peer=peer.place)))
    return Fetched(came.files, tuple(problems))


def _by_web(
    peer: WebPeer, records: Sequence[Record], folder: Path, each: Callable[[int], None]
) -> Fetched:
    files: dict[str, Path] = {}
    problems: list[str] = []
    with connection.open_web_link(peer) as link:
        for one in records:
            uid = one.sop_instance_uid
            path = folder / f"{uid}.dcm"
            try:
                # Refuses what a peer calls a UID and would be another path.
                relative_path(one.study_uid, one.series_uid, uid)
                connection.fetch(link, one.study_uid, one.series_uid, uid, path)
                files[uid] = path
                each(len(files))
            except OSError as error:
                reason = (error.strerror or str(error)).lower()
                problem = Problem("network.retrieve.not_written", reason=reason)
                problems.append(str(problem.at(file=str(path))))
            except ArchiverError as error:
                problems += [str(problem.at(subject=uid)) for problem in error.problems]
    return Fetched(files, tuple(problems))

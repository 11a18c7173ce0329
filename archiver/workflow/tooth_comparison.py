"""A tooth now and at earlier visits, wherever its photographs are kept."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from archiver import __version__
from archiver.archive import Query, Record
from archiver.archive.store import Archive, describe_file
from archiver.dentition import Tooth, View
from archiver.errors import ArchiverError, Problem, UsageError
from archiver.objects import demand_offset
from archiver.priors import (
    Ask,
    Chosen,
    Comparison,
    ToothAsked,
    Wishes,
    choose,
    compare_pictures,
    keep_outcomes,
    softness,
)
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.network import Peer

Box = tuple[int, int, int, int]
#: Told how many priors of how many are compared.
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class ComparisonRequest:
    """What is to be compared, and how.

    Parameters
    ----------
    pictures
        A patient's tooth and view, or two DICOM files in any order.
    region
        (left, top, width, height) in full pixels of the newest picture as displayed: where
        colours are averaged, and which tooth is meant.
    grey
        Boxes of a grey card, in the same pixels, by the day of the picture (ISO 8601).
    match_light
        Bring the light of each prior to that of the newest picture.
    """

    pictures: ToothAsked | tuple[Path, Path]
    region: Box | None = None
    grey: Mapping[str, Box] = field(default_factory=dict)
    match_light: bool = False

    def wishes(self, days: Mapping[Path, str]) -> Wishes:
        """Return the boxes by file, given the day of each.

        Raises
        ------
        UsageError
            If no picture is of a day that a grey card is named for.
        """
        cards: dict[Path, Box] = {}
        for day, box in self.grey.items():
            found = [one for one, of in days.items() if of.replace("-", "") == day.replace("-", "")]
            if not found:
                problem = Problem("workflow.compare.day", day=day, days=tuple(days.values()))
                raise UsageError(problem.at(option="--grey"))
            cards.update(dict.fromkeys(found, box))
        return Wishes(self.region, cards, self.match_light)


@dataclass(frozen=True)
class ComparedTooth:
    """A comparison, and what it is of.

    Parameters
    ----------
    teeth, view
        As they were asked for; of files, as the newer one names them (None if it names none).
    left_out
        Visits beyond the limit.
    problems
        What of another archive could not be fetched, and why.
    """

    comparison: Comparison
    teeth: tuple[Tooth, ...]
    view: View | None
    left_out: int = 0
    problems: tuple[str, ...] = ()

    @property
    def is_wrong_way(self) -> bool:
        """True where a prior fits only reflected or turned: one of the two is wrong."""
        return any(one.checked.way.contradicts for one in self.comparison.priors)


def compare(
    source: Archive | Peer | None,
    request: ComparisonRequest,
    now: datetime,
    *,
    headers: Path | None = None,
    progress: Progress | None = None,
) -> ComparedTooth:
    """Compare the newest photograph of a tooth and view with one prior a visit.

    Parameters
    ----------
    source
        The archive, which keeps what was found about the side of its pictures for the next audit;
        or another archive, from which the pictures are fetched. None for files.
    now
        For the findings that are kept.
    headers
        Folder in which another archive's headers are remembered; None forgets them.

    Raises
    ------
    UsageError
        If nothing can be compared, or a box lies outside its picture.
    ObjectError
        If a file is no photograph that can be shown.
    ArchiveError
        If the archive cannot be read, or the finding not kept.
    NetworkError
        If the other archive cannot be reached, or refuses.

    Examples
    --------
    >>> from datetime import datetime, timezone
    >>> from pathlib import Path
    >>> from archiver import Archive, ToothAsked, ComparisonRequest, View, compare, parse_tooth
    >>> now = datetime(2026, 3, 5, tzinfo=timezone.utc)
    >>> request = ComparisonRequest(ToothAsked("P-0417", parse_tooth("iso:16"), View.OCCLUSAL))
    >>> with Archive.open(Path("photographs")) as archive:
    ...     compare(archive, request, now)
    Traceback (most recent call last):
    archiver.errors.ArchiveError: P-0417: no photograph shows ...
    """
    demand_offset(now)
    asked = request.pictures
    if not isinstance(asked, ToothAsked):
        return _of_files(asked, request, progress)
    if source is None:
        raise UsageError(Problem("workflow.compare.source"))
    if isinstance(source, Archive):
        chosen = choose(source.query, asked, softness)
        compared = _compared(chosen, asked, request, progress)
        _keep(source, chosen, compared.comparison, now)
        return compared
    with tempfile.TemporaryDirectory(prefix="archiver-compare-") as scratch:
        problems: list[str] = []
        answered = _fetched(source, Path(scratch), headers, problems)
        try:
            chosen = choose(answered, asked, softness)
            compared = _compared(chosen, asked, request, progress)
        except ArchiverError as error:
            # What could not be fetched may be why there is nothing to compare.
            raise type(error)(*problems, *error.problems) from error
    return replace(compared, problems=tuple(problems))


def _of_files(
    files: tuple[Path, Path], request: ComparisonRequest, progress: Progress | None
) -> ComparedTooth:
    told = {path: describe_file(path) for path in files}
    patients = {(one.patient_id, one.issuer) for one in told.values()}
    relation = "" if len(patients) == 1 else Text("priors.choosing.other_patient")
    older, newer = sorted(files, key=lambda one: (told[one].study_date, told[one].study_time))
    days = {path: one.study_date for path, one in told.items()}
    comparison = compare_pictures(newer, [(older, relation)], request.wishes(days), progress)
    named = comparison.newest.description
    return ComparedTooth(comparison, named.teeth, named.view)


def _fetched(peer: Peer, folder: Path, headers: Path | None, problems: list[str]) -> Ask:
    """Questions to a peer; what answers is fetched, as its pixels are needed."""
    # Imported here: the network's libraries take as long as a picture to be decoded.
    from archiver.network.client import ask, fetch_records
    from archiver.workflow.header_folder import open_headers

    def answered(question: Query) -> list[Record]:
        with open_headers(headers) as cache:
            found = ask(peer, question, cache)
        fetched = fetch_records(peer, found.records, folder)
        problems.extend(fetched.problems)
        return [
            replace(record, path=str(fetched.files[record.sop_instance_uid]))
            for record in found.records
            if record.sop_instance_uid in fetched.files
        ]

    return answered


def _compared(
    chosen: Chosen, asked: ToothAsked, request: ComparisonRequest, progress: Progress | None
) -> ComparedTooth:
    pictures = [chosen.newest, *chosen.priors]
    days = {Path(one.record.path): one.record.study_date for one in pictures}
    priors = [(Path(one.record.path), one.relation) for one in chosen.priors]
    newest = Path(chosen.newest.record.path)
    comparison = compare_pictures(newest, priors, request.wishes(days), progress)
    return ComparedTooth(comparison, (asked.tooth,), asked.view, chosen.left_out)


def _keep(archive: Archive, chosen: Chosen, comparison: Comparison, now: datetime) -> None:
    """Tell the audit how pictures of one view came out; others are no test of a side."""
    if not chosen.newest.is_same:
        return
    pairs = [
        (one.shown.description.sop_instance_uid, one.checked.way)
        for candidate, one in zip(chosen.priors, comparison.priors, strict=True)
        if candidate.is_same
    ]
    newest = comparison.newest.description.sop_instance_uid
    keep_outcomes(archive.layout.root, newest, pairs, time=now, by=f"compare {__version__}")

"""A draft becomes instances, by the way that `archiver wrap` takes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from archiver.archive.ingest import STATUS_NAMES, IngestSettings, WrappedPhotograph
from archiver.archive.store import Archive, Outcome
from archiver.errors import Problem
from archiver.objects import Session
from archiver.web.language import in_words
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import ARCHIVED, Draft, Photo
from archiver.web.pages.take_in.sheet import describe_problem

#: Tells how many of how many pictures are done, and stops the work by raising.
Step = Callable[[int, int], None]


@dataclass(frozen=True)
class ArchivingRun:
    """One archiving of a draft.

    Parameters
    ----------
    opened
        The draft; nobody changes it meanwhile.
    session, photos
        Its sheet as it was read, and the picture of each entry.
    settings
        As for `archiver wrap`.
    """

    opened: Open
    session: Session
    photos: Sequence[Photo]
    settings: IngestSettings


def archive_draft(run: ArchivingRun, archive: Archive, step: Step) -> dict[str, Any]:
    """Archive every picture of a draft; what became of each is kept in the draft at once.

    Whatever stops this (the person, the disk, the end of the process), pictures told before are
    archived, and the next run of the same draft finds them so.

    Raises
    ------
    ArchiveError
        If the archive cannot be written.
    """
    count = len(run.photos)

    def report_photograph(taken: WrappedPhotograph) -> None:
        photo = run.photos[taken.number - 1]
        result = _result(taken, photo)
        with run.opened.guard:
            draft = run.opened.draft
            draft = replace(draft, results={**draft.results, photo.digest: result})
            run.opened.save(draft, run.settings.now())
        step(taken.number, count)

    from archiver.workflow import wrap

    step(0, count)
    wrapped = wrap(archive, run.session, run.settings, progress=report_photograph)
    refused = wrapped.count(Outcome.REFUSED)
    if not refused:
        _close(run.opened, run.settings.now())
    return {
        "archived": count - refused,
        "refused": refused,
        "consent": [in_words(line) for line in wrapped.withdrawn],
    }


def _close(opened: Open, now: datetime) -> Draft:
    with opened.guard:
        return opened.save(replace(opened.draft, state=ARCHIVED), now)


def _result(taken: WrappedPhotograph, photo: Photo) -> dict[str, Any]:
    """Return what became of a picture, in the words that stand beside it."""
    problems = [describe_problem(_bare(p, photo), [photo]) for p in taken.problems]
    return {
        "status": STATUS_NAMES[taken.status],
        "problems": problems,
        "warnings": [describe_problem(_bare(p, photo), [photo]) for p in taken.warnings],
        "doubts": [{**one.to_json(), "words": in_words(one.text)} for one in taken.unanswered],
        "findings": [
            {"severity": f.severity.value, "words": _finding(f)}
            for f in taken.findings
            if f.severity.value != "error"
        ],
        "instances": [
            {"uid": kept.sop_instance_uid, "role": kept.role} for kept in taken.instances
        ],
    }


def _bare(problem: Problem, photo: Photo) -> Problem:
    """Return a problem whose place does not repeat the picture beside which it stands."""
    return problem.with_places(*(p for p in problem.places if p.file != photo.file))


def _finding(finding: Any) -> str:
    return in_words(finding.problem())

"""Whether records are complete and correct: an archive's, of DICOM files, or another archive's."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeAlias

from archiver.archive import Query
from archiver.archive.store import Layout
from archiver.dentition import Tooth
from archiver.errors import Problem, UsageError
from archiver.network import Peer
from archiver.records import (
    Audit,
    AuditRun,
    Contact,
    Depth,
    Episodes,
    Memory,
    Survey,
    Vouching,
    check_witnesses,
    run_audit,
    survey_archive,
    survey_files,
    survey_headers,
    survey_patient,
)
from archiver.records.report import VisitReport, report_visit
from archiver.records.rules import RuleSet
from archiver.vision import QualityLimits
from archiver.workflow.header_folder import open_headers

#: What can be audited: the folder of an archive, DICOM files and folders of them, another archive.
AuditSource: TypeAlias = Path | Sequence[Path] | Peer


@dataclass(frozen=True)
class AuditRequest:
    """What is to be judged, by what, and how far to look.

    Parameters
    ----------
    rules
        The sets of rules.
    run
        When, by whom and with what; told in the report.
    episodes
        The table of treatments, where there is one.
    depth
        How far to look; of another archive, headers are judged whatever it says.
    quality
        From which figures on a picture is called soft or dark.
    memory
        The file in which an audit of an archive is remembered by the next one; None remembers
        nothing.
    full
        Read everything again, whatever is remembered.
    asked
        Of another archive: which patient, and from when to when.
    headers
        Folder in which another archive's headers are remembered; None forgets them.
    contacts
        Last contact, capacity and legal hold of patients (`archiver.records.read_contacts`).
    vouching
        Who has signed heads of an archive's journal; None compares it with nobody's.
    """

    rules: tuple[RuleSet, ...]
    run: AuditRun
    episodes: Episodes | None = None
    depth: Depth = Depth.OBJECTS
    quality: QualityLimits = field(default_factory=QualityLimits)
    memory: Path | None = None
    full: bool = False
    asked: Query = field(default_factory=Query)
    headers: Path | None = None
    contacts: Mapping[tuple[str, str], Contact] | None = None
    vouching: Vouching | None = None

    def __post_init__(self) -> None:
        if not self.rules:
            raise UsageError(Problem("workflow.audit.rules"))


@dataclass(frozen=True)
class VisitAsked:
    """A visit of which it is asked what it lacks.

    Parameters
    ----------
    day
        ISO 8601; the patient's last visit where it is empty.
    teeth
        Those treated in the visit; those that its pictures name where there are none.
    stage
        Of the treatment: ``start``, ``prepared``, ``finished``, or empty.
    """

    patient_id: str
    day: str = ""
    teeth: tuple[Tooth, ...] = ()
    stage: str = ""


def audit(
    source: AuditSource,
    request: AuditRequest,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Audit:
    """Judge whether records are complete, correct and intact; nothing is changed.

    Parameters
    ----------
    source
        The folder of an archive, which nobody needs to have open: an audit also reads one whose
        index is damaged. Or files and folders of files; or another archive.
    progress
        Told how many objects or files of how many were looked at; what it
        raises ends the audit.

    Returns
    -------
    Audit
        `archiver.records.report` writes it as a page, as tables and as JSON.

    Raises
    ------
    UsageError
        If a file is missing, or another archive is asked for everything that it has.
    ArchiveError
        If there is no archive.
    NetworkError
        If the other archive cannot be reached, or refuses.

    Examples
    --------
    >>> from datetime import datetime, timezone
    >>> from pathlib import Path
    >>> from archiver import AuditRequest, AuditRun, audit, find_rules, read_rules
    >>> run = AuditRun(datetime(2026, 3, 5, tzinfo=timezone.utc), "Haugen^Liv", "0.1.0")
    >>> rules = read_rules(find_rules("five-intraoral"))
    >>> audit(Path("photographs"), AuditRequest((rules,), run)).passes
    True
    """
    survey = _survey(source, request, request.depth, progress)
    return run_audit(
        survey,
        request.rules,
        request.episodes,
        request.run,
        quality=request.quality,
        archive=source if isinstance(source, Path) else None,
        contacts=request.contacts,
    )


def audit_visit(source: AuditSource, request: AuditRequest, visit: VisitAsked) -> VisitReport:
    """Say which views a visit still lacks, from the index alone where there is one.

    Parameters
    ----------
    source, request
        As `audit` has them; of the request, rules and what is asked of another archive count.

    Raises
    ------
    ArchiverError
        As `audit` does.
    """
    if isinstance(source, Path):
        survey = survey_patient(Layout(source.absolute()), visit.patient_id)
    else:
        survey = _survey(source, replace(request, memory=None), Depth.OBJECTS, None)
    report = report_visit(
        survey.instances,
        survey.facts,
        request.rules,
        visit.patient_id,
        day=visit.day,
        teeth=visit.teeth,
        stage=visit.stage,
    )
    return replace(report, way=survey.way)


def _survey(
    source: AuditSource,
    request: AuditRequest,
    depth: Depth,
    progress: Callable[[int, int], None] | None,
) -> Survey:
    if isinstance(source, Path):
        layout = Layout(source.absolute())
        with closing(Memory(request.memory, str(layout.root))) as memory:
            survey = survey_archive(
                layout, depth, memory, request.run.when, full=request.full, each=progress
            )
        if request.vouching is not None:
            compared = check_witnesses(layout, request.vouching)
            survey.concerns += compared.concerns
            survey.vouched = compared.vouched
        return survey
    if not isinstance(source, Sequence):
        return _survey_peer(source, request)
    missing = [path for path in source if not path.exists()]
    if missing:
        raise UsageError(*(Problem("workflow.audit.file").at(file=str(p)) for p in missing))
    return survey_files(source, depth, progress)


def _survey_peer(peer: Peer, request: AuditRequest) -> Survey:
    from archiver.network.client import ask_headers

    with open_headers(request.headers) as cache:
        found = ask_headers(peer, request.asked, cache)
    return survey_headers(f"{peer.name} ({peer.place})", found.datasets, found.way)

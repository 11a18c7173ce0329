"""What the wrong-way check found, kept beside the archive's objects for the audit.

Each line of ``<archive>/findings/wrong-way.jsonl`` is a JSON object about one instance::

    {"sop": "1.2.3", "check": "wrong-way", "outcome": "failed", "by": "compare 0.1.0",
     "time": "2026-03-04T15:00:00+00:00",
     "detail": {"code": "priors.findings.this_way", "given": [["count", 3], ["n", 1]]}}

``outcome`` is ``passed``, ``failed`` or ``undecided``; of several lines about one instance the
latest counts. Only identifiers of instances go in, no name and no text of a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from archiver.archive.statements import append_findings
from archiver.vision import Way
from archiver.wording import Text

FILE = "wrong-way.jsonl"
CHECK = "wrong-way"
PASSED, FAILED, UNDECIDED = "passed", "failed", "undecided"


@dataclass(frozen=True)
class SideFinding:
    """What is to be told of one instance."""

    sop: str
    outcome: str
    detail: Text | str


def outcomes(newest: str, pairs: Sequence[tuple[str, Way]]) -> list[SideFinding]:
    """Say of each instance of a comparison whether it passed.

    The pictures fall into those that stand as the newest one does, those reflected and those
    turned. The group that outnumbers all others passes; where there is none nobody can say which
    is wrong, and all fail.

    Parameters
    ----------
    newest
        SOP Instance UID of the newest picture.
    pairs
        UID of each prior, and how it came out against the newest one.
    """
    alike = [newest, *(uid for uid, way in pairs if way is Way.SAME)]
    reflected = [uid for uid, way in pairs if way is Way.REVERSED]
    turned = [uid for uid, way in pairs if way is Way.TURNED]
    undecided = [uid for uid, way in pairs if way is Way.UNDECIDED]
    told = [
        SideFinding(u, UNDECIDED, Text("priors.findings.undecided_by", newest=newest))
        for u in undecided
    ]
    if len(alike) == 1 and not reflected and not turned:
        return [SideFinding(newest, UNDECIDED, Text("priors.findings.undecided")), *told]
    count = len(alike) + len(reflected) + len(turned)
    # A half turn of a reflection is a reflection too: of three groups the two others differ so.
    for group, mirrored, askew in (
        (alike, reflected, turned),
        (reflected, [*alike, *turned], []),
        (turned, reflected, alike),
    ):
        outcome = PASSED if 2 * len(group) > count else FAILED
        detail = Text("priors.findings.this_way", n=len(group), count=count)
        others = [Text("priors.findings.reflected", count=len(mirrored))] if mirrored else []
        others += [Text("priors.findings.turned", count=len(askew))] if askew else []
        if others:
            detail = Text("priors.findings.with_others", stand=detail, others=others)
        told += [SideFinding(uid, outcome, detail) for uid in group]
    return told


def keep_findings(
    archive: Path, told: Sequence[SideFinding], *, time: datetime, by: str
) -> Path | None:
    """Append outcomes to the archive's findings.

    Returns
    -------
    Path or None
        The file; None where there was nothing to tell.

    Raises
    ------
    ArchiveError
        If it cannot be written, or a newer program has written to it.
    """
    lines = [{**asdict(one), "check": CHECK} for one in told]
    return append_findings(archive, FILE, lines, time=time, by=by)


def keep_outcomes(
    archive: Path, newest: str, pairs: Sequence[tuple[str, Way]], *, time: datetime, by: str
) -> None:
    """Keep what a comparison said about the side of its pictures; see `outcomes`."""
    keep_findings(archive, outcomes(newest, pairs), time=time, by=by)

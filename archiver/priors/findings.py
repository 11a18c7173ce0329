"""What the wrong-way check found, kept beside the archive's objects for the audit.

Each line of ``<archive>/findings/wrong-way.jsonl`` is a JSON object about one instance::

    {"sop": "1.2.3", "check": "wrong-way", "outcome": "failed", "time": "2026-03-04T15:00:00+00:00",
     "by": "compare", "detail": "only the reflection of 1.2.4 fits"}

``outcome`` is ``passed``, ``failed`` or ``undecided``; of several lines about one instance the
latest counts. Only identifiers of instances go in, no name and no text of a person.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from archiver.errors import ArchiveError, Problem
from archiver.priors.wrong_way import Way

FOLDER = "findings"
FILE = "wrong-way.jsonl"
CHECK = "wrong-way"
PASSED, FAILED, UNDECIDED = "passed", "failed", "undecided"


@dataclass(frozen=True)
class Outcome:
    """What is to be told of one instance."""

    sop: str
    outcome: str
    detail: str


def outcomes(newest: str, pairs: Sequence[tuple[str, Way]]) -> list[Outcome]:
    """Say of each instance of a comparison whether it passed.

    Where several priors were tried, those that agree outvote the one that does not; one pair
    alone cannot say which of its two pictures is the wrong one, so both fail.

    Parameters
    ----------
    newest
        SOP Instance UID of the newest picture.
    pairs
        UID of each prior, and how it came out against the newest one.
    """
    same = [uid for uid, way in pairs if way is Way.SAME]
    reversed_ = [uid for uid, way in pairs if way is Way.REVERSED]
    told = [
        Outcome(uid, UNDECIDED, f"neither it nor its reflection fits {newest}")
        for uid, way in pairs
        if way is Way.UNDECIDED
    ]
    if not same and not reversed_:
        return [Outcome(newest, UNDECIDED, "no prior fits it"), *told] if told else []
    newest_fails = len(reversed_) > len(same) or (bool(reversed_) and not same)
    alone = len(pairs) == 1 or len(reversed_) == len(same)
    if not newest_fails and not (alone and reversed_):
        told.append(Outcome(newest, PASSED, f"fits {len(same)} of {len(pairs)} priors"))
        told += [Outcome(uid, PASSED, f"fits {newest}") for uid in same]
        told += [Outcome(u, FAILED, f"only its reflection fits {newest}") for u in reversed_]
        return told
    detail = f"only its reflection fits {len(reversed_)} of {len(pairs)} priors"
    told.append(Outcome(newest, FAILED, detail))
    told += [Outcome(uid, FAILED, f"fits {newest}, which fits no other") for uid in same]
    single = len(reversed_) == 1
    verdict = FAILED if single or alone else UNDECIDED
    told += [Outcome(u, verdict, f"only its reflection fits {newest}") for u in reversed_]
    return told


def keep(archive: Path, told: Sequence[Outcome], *, time: datetime, by: str) -> Path | None:
    """Append outcomes to the archive's findings.

    Returns
    -------
    Path or None
        The file; None where there was nothing to tell.

    Raises
    ------
    ArchiveError
        If it cannot be written.
    """
    if not told:
        return None
    stamp = time.isoformat(timespec="milliseconds")
    lines = "".join(
        json.dumps({**asdict(one), "check": CHECK, "time": stamp, "by": by}, sort_keys=True) + "\n"
        for one in told
    )
    path = archive / FOLDER / FILE
    try:
        path.parent.mkdir(exist_ok=True)
        with path.open("a", encoding="utf-8") as out:
            out.write(lines)
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise ArchiveError(Problem(f"the finding cannot be kept: {reason}", str(path))) from error
    return path

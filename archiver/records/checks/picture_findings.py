"""What a comparison with earlier pictures found, kept beside the archive's objects.

Whoever compares a photograph with an earlier one of the same tooth and view appends a line to a
file ``<archive>/findings/<anything>.jsonl``, one JSON object a line::

    {"sop": "1.2.3", "check": "wrong-way", "outcome": "failed", "time": "2026-03-04T15:00:00+00:00",
     "by": "compare 1.0", "detail": "meets its earlier twin only after a flip"}

A detail of our own is a code of the catalogue with its values.

``outcome`` is ``passed``, ``failed`` or ``undecided``; of several lines for one instance and
check the one with the latest time counts. Lines that cannot be read are passed over: they are
findings, not promises.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver.archive.statements import FOLDER, read_findings_of
from archiver.records.model import Concern, Instance, concern_about
from archiver.wording import Text

WRONG_WAY = "wrong-way"
_KINDS = {"failed": "wrong-way-failed", "undecided": "wrong-way-undecided"}


@dataclass(frozen=True)
class PictureFinding:
    """The outcome of one check of one instance."""

    sop: str
    check: str
    outcome: str
    time: str
    by: str = ""
    detail: Text | str = ""


def read_findings(archive: Path) -> list[PictureFinding]:
    """Read every finding of an archive; empty where there are none.

    Raises
    ------
    ArchiveError
        If one is of a newer version.
    """
    found: list[PictureFinding] = []
    for path in sorted((archive / FOLDER).glob("*.jsonl")):
        found += [one for line in read_findings_of(path) if (one := _finding(line)) is not None]
    return found


def failed_sides(archive: Path) -> dict[str, PictureFinding]:
    """Return, by instance, the last wrong-way check of those that failed it."""
    last = _last(read_findings(archive))
    return {uid: one for uid, one in last.items() if one.outcome == "failed"}


def _last(findings: Sequence[PictureFinding]) -> dict[str, PictureFinding]:
    last: dict[str, PictureFinding] = {}
    for one in findings:
        if one.check == WRONG_WAY and (one.sop not in last or last[one.sop].time <= one.time):
            last[one.sop] = one
    return last


def _finding(line: Mapping[str, Any]) -> PictureFinding | None:
    said = {k: line.get(k, "") for k in PictureFinding.__dataclass_fields__}
    if not all(isinstance(value, str | Text) for value in said.values()) or not said["sop"]:
        return None
    return PictureFinding(**said)


def check_findings(
    instances: Sequence[Instance], findings: Sequence[PictureFinding]
) -> Iterator[Concern]:
    """Tell the instances whose last wrong-way check did not pass."""
    last = _last(findings)
    by_uid: Mapping[str, Instance] = {i.uid: i for i in instances if i.uid in last}
    for uid, instance in by_uid.items():
        kind = _KINDS.get(last[uid].outcome)
        if kind is not None:
            found = last[uid].detail or Text(f"records.outcome.{last[uid].outcome}")
            if last[uid].by:
                found = Text("records.outcome.checked_by", found=found, by=last[uid].by)
            yield concern_about(kind, instance, found)

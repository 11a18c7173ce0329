"""One visit on one screen: which views are there, which are still missing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from archiver.dentition import Tooth
from archiver.records.audit import tally
from archiver.records.completeness import (
    MISSING,
    PRESENT,
    SUBSTITUTED,
    Demand,
    demands_of_visit,
    view_of,
)
from archiver.records.model import Instance, ObjectFacts
from archiver.records.pictures import RecordPicture, pictures_of
from archiver.records.rules.rule_set import RuleSet
from archiver.wording import Text, words_of


@dataclass(frozen=True)
class VisitReport:
    """The views of one visit.

    Parameters
    ----------
    day
        ISO 8601; empty where the patient has no visit.
    unconfirmed
        Pictures whose side nobody confirmed.
    way
        Of another archive: how its headers were had, in words.
    """

    patient: str
    day: str
    pictures: list[RecordPicture]
    demands: list[Demand]
    unconfirmed: int
    way: Text | str = ""

    @property
    def is_complete(self) -> bool:
        """True where every required view is there."""
        return bool(self.day) and not any(d.counts and d.status == MISSING for d in self.demands)

    def to_json(self) -> dict[str, Any]:
        """Return the report as values that JSON has."""
        return {
            "patient_id": self.patient,
            "date": self.day,
            "complete": self.is_complete,
            "photographs": len(self.pictures),
            "unconfirmed": self.unconfirmed,
            "views": [
                {
                    "rules": d.rules,
                    "requirement": d.requirement,
                    "target": d.target,
                    "view": d.view,
                    "status": d.status,
                    "optional": d.optional,
                    "by": d.by,
                }
                for d in self.demands
            ],
        }


def report_visit(
    instances: Sequence[Instance],
    facts: Mapping[str, ObjectFacts],
    sets: Sequence[RuleSet],
    patient_id: str,
    *,
    day: str = "",
    teeth: Sequence[Tooth] = (),
    stage: str = "",
) -> VisitReport:
    """Compare a visit with the rules, whatever its description is.

    Parameters
    ----------
    day
        The patient's last visit where it is empty.
    teeth
        Teeth of the visit; those that its pictures name where there are none.
    stage
        Only requirements of this stage, and of none.
    """
    mine = [i for i in instances if i.person.patient_id == patient_id and not i.rejected]
    pictures = pictures_of(mine, facts)
    day = day or max((p.date for p in pictures), default="")
    today = [p for p in pictures if p.date == day]
    demands: list[Demand] = []
    if day:
        for rules in sets:
            demands += demands_of_visit(rules, day, today, teeth, stage)
    return VisitReport(
        patient_id, day, today, demands, sum(not picture.confirmed for picture in today)
    )


_MARKS = {PRESENT: "[x]", SUBSTITUTED: "[~]", MISSING: "[ ]"}


def lines_of(report: VisitReport) -> Iterator[str]:
    """Yield the screen, line by line: what is missing first."""
    words = words_of()
    if not report.day:
        yield words("records.visit.none", patient=report.patient)
        return
    count = len(report.pictures)
    yield words("records.visit.head", patient=report.patient, day=report.day, n=count)
    missing = [d for d in report.demands if d.status == MISSING and d.counts]
    total = tally(report.demands)
    if missing:
        yield words("records.visit.missing", count=len(missing), required=total.required)
    elif total.required:
        yield words("records.visit.complete", required=total.required)
    else:
        yield words("records.visit.nothing_required")
    order = {MISSING: 0, SUBSTITUTED: 1, PRESENT: 2}
    shown = [d for d in report.demands if d.status in _MARKS]
    for demand in sorted(shown, key=lambda d: (d.rules, order[d.status], d.optional)):
        view = view_of(demand.view, demand.target)
        if demand.requirement != demand.view:
            view = Text("records.visit.named", view=view, name=demand.requirement)
        if demand.optional:
            view = Text("records.visit.recommended", view=view)
        if demand.by:
            view = Text("records.visit.stands_in", view=view, other=demand.by)
        yield words("records.visit.line", mark=_MARKS[demand.status], view=view)
    if report.unconfirmed:
        yield words("records.visit.unconfirmed", count=report.unconfirmed)

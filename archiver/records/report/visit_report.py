"""One visit on one screen: which views are there, which are still missing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from archiver.dentition import Tooth
from archiver.records.audit import tally
from archiver.records.completeness import MISSING, PRESENT, SUBSTITUTED, Demand, demands_of_visit
from archiver.records.model import Instance, ObjectFacts
from archiver.records.pictures import RecordPicture, pictures_of
from archiver.records.rules.rule_set import RuleSet
from archiver.records.rules.rule_words import named


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
    way: str = ""

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
    if not report.day:
        yield f"{report.patient}: no photographs in the archive"
        return
    count = len(report.pictures)
    yield f"{report.patient}, visit of {report.day}: {count} photograph{'s' * (count != 1)}"
    missing = [d for d in report.demands if d.status == MISSING and d.counts]
    total = tally(report.demands)
    if missing:
        yield f"STILL MISSING: {len(missing)} of {total.required} required views"
    elif total.required:
        yield f"COMPLETE: all {total.required} required views are there"
    else:
        yield "nothing is required of this visit by these rules"
    order = {MISSING: 0, SUBSTITUTED: 1, PRESENT: 2}
    shown = [d for d in report.demands if d.status in _MARKS]
    for demand in sorted(shown, key=lambda d: (d.rules, order[d.status], d.optional)):
        place = "" if demand.target == "mouth" else f" of {named(demand.target)}"
        more = " (recommended)" if demand.optional else ""
        if demand.by:
            more += f" ({demand.by} stands in)"
        many = f": {demand.requirement}" if demand.requirement != demand.view else ""
        yield f"  {_MARKS[demand.status]} {demand.view}{place}{many}{more}"
    if report.unconfirmed:
        yield f"{report.unconfirmed} with the side UNCONFIRMED"

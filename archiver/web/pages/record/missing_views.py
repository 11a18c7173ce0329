"""What a visit lacks by a set of rules, from the index alone: quick enough for every page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from archiver.archive.store import Archive
from archiver.dentition import Tooth
from archiver.records import MISSING, PRESENT, SUBSTITUTED, Demand, Instance, read_instances, tally
from archiver.records.report import VisitReport, report_visit
from archiver.records.rules import RuleSet, read_rules, shipped
from archiver.web.visits import PhotographedDay

_ORDER = {MISSING: 0, SUBSTITUTED: 1, PRESENT: 2}


@cache
def rule_sets() -> Mapping[str, RuleSet]:
    """Return the sets that come with the program, by their names for the command line."""
    return {key: read_rules(path) for key, path in shipped().items()}


def sets_of_views() -> Mapping[str, RuleSet]:
    """Return the sets that demand views."""
    return {key: rules for key, rules in rule_sets().items() if rules.requirements}


@dataclass(frozen=True)
class VisitStanding:
    """How a visit stands.

    Parameters
    ----------
    required, missing
        Numbers of required views.
    unconfirmed
        Pictures whose side nobody confirmed.
    """

    visit: PhotographedDay
    required: int
    missing: int
    unconfirmed: int


def report(
    archive: Archive, visit: PhotographedDay, rules: RuleSet, teeth: Sequence[Tooth] = ()
) -> VisitReport:
    """Compare a visit with a set of rules."""
    with archive.reading() as connection:
        instances = read_instances(connection, patients=[visit.patient_id])
    instances = [one for one in instances if visit.is_of(*one.person.key, one.person.name)]
    return report_visit(instances, {}, [rules], visit.patient_id, day=visit.date, teeth=teeth)


def standings(
    archive: Archive, visits: Sequence[PhotographedDay], rules: RuleSet
) -> list[VisitStanding]:
    """Return how visits stand."""
    with archive.reading() as connection:
        instances = read_instances(connection, patients={v.patient_id for v in visits})
    of_patient: dict[str, list[Instance]] = {}
    for one in instances:
        of_patient.setdefault(one.person.patient_id, []).append(one)
    found = []
    for visit in visits:
        mine = [
            one
            for one in of_patient.get(visit.patient_id, [])
            if visit.is_of(*one.person.key, one.person.name)
        ]
        told = report_visit(mine, {}, [rules], visit.patient_id, day=visit.date)
        total = tally(told.demands)
        found.append(VisitStanding(visit, total.required, total.missing, told.unconfirmed))
    return found


def in_order(demands: Sequence[Demand]) -> list[Demand]:
    """Return what can be told of a visit's demands, what is missing first."""
    shown = [one for one in demands if one.status in _ORDER]
    return sorted(shown, key=lambda d: (_ORDER[d.status], d.optional))

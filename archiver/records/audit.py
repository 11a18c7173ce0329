"""An audit: all checks over what was read, and what came of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.objects import demand_offset
from archiver.records.completeness import MISSING, PRESENT, SUBSTITUTED, Demand
from archiver.records.contacts import Contact
from archiver.records.disk_store import StoredConcerns
from archiver.records.episodes import Episodes
from archiver.records.examination import Depth
from archiver.records.kinds import Kind, all_kinds
from archiver.records.model import Concern
from archiver.records.part_judge import PartJudge
from archiver.records.rules.rule_set import RuleSet
from archiver.records.statistics import PictureCount
from archiver.records.survey import Survey
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.vision import QualityLimits

_STATES = (PRESENT, SUBSTITUTED, MISSING)
#: What required views are counted by.
TALLIES: Mapping[str, Callable[[Demand], str]] = {
    "rules": lambda d: d.rules,
    "month": lambda d: d.date[:7],
    "view": lambda d: d.view,
    "target": lambda d: d.target,
    "patient": lambda d: d.patient,
    "visit": lambda d: f"{d.patient}, {d.date}",
    "who": lambda d: d.who,
    "episode": lambda d: d.occasion,
}


@dataclass(frozen=True)
class RequirementCount:
    """Required views counted: the denominator and what became of it."""

    required: int = 0
    present: int = 0
    substituted: int = 0
    missing: int = 0

    @classmethod
    def of(cls, states: Counter[str]) -> RequirementCount:
        """Return the count of demands by their status."""
        return cls(states.total(), states[PRESENT], states[SUBSTITUTED], states[MISSING])

    @classmethod
    def sum(cls, counts: Iterable[RequirementCount]) -> RequirementCount:
        """Return several counts together."""
        some = [(c.required, c.present, c.substituted, c.missing) for c in counts]
        return cls(*(sum(one) for one in zip(*some, strict=True))) if some else cls()

    @property
    def share(self) -> float | None:
        """Share that is present or substituted; None where nothing is required."""
        return (self.present + self.substituted) / self.required if self.required else None

    @property
    def percent(self) -> str:
        """The share in words; never 100 % where something is missing."""
        if self.share is None:
            return str(Text("records.demand.none_due"))
        shown = round(100 * self.share, 1)
        if self.missing:
            shown = min(shown, 99.9)
        return f"{shown:g} %"


def _tallies(demands: Iterable[Demand]) -> dict[str, dict[str, RequirementCount]]:
    counts: dict[str, dict[str, list[int]]] = {name: {} for name in TALLIES}
    for demand in demands:
        at = _STATES.index(demand.status)
        for name, key in TALLIES.items():
            counts[name].setdefault(key(demand), [0] * len(_STATES))[at] += 1
    return {
        name: {key: RequirementCount(sum(n), *n) for key, n in sorted(groups.items())}
        for name, groups in counts.items()
    }


def tally(demands: Iterable[Demand]) -> RequirementCount:
    """Count the demands that belong in a denominator."""
    return RequirementCount.of(Counter(one.status for one in demands if one.counts))


@dataclass(frozen=True)
class Audit:
    """What an audit found.

    Parameters
    ----------
    when, who
        Time and person.
    survey
        What was read.
    sets
        Rules, in the order in which they were named.
    episodes
        None where no table of treatments was given.
    concerns
        Worst first.
    photographs
        How many were counted.
    sides
        How many photographs are confirmed how, as far as their objects were read; those without a
        certainty of their own are ``unconfirmed`` or, where the index says so, confirmed: empty.
    unconfirmed
        Photographs of which nobody has confirmed the side.
    statistics
        Photographs by month, people and site.
    """

    when: datetime
    who: str
    version: str
    survey: Survey
    sets: tuple[RuleSet, ...]
    episodes: Episodes | None
    demands: Sequence[Demand]
    concerns: StoredConcerns
    photographs: int
    sides: Mapping[str, int]
    unconfirmed: int
    statistics: Mapping[str, Mapping[str, PictureCount]]

    @property
    def counting(self) -> Iterator[Demand]:
        """The demands that belong in a denominator."""
        return (one for one in self.demands if one.counts)

    @cached_property
    def tallies(self) -> Mapping[str, Mapping[str, RequirementCount]]:
        """Required views by each of `TALLIES`, in the order of what they are counted by."""
        return _tallies(self.counting)

    @cached_property
    def tally(self) -> RequirementCount:
        """All required views."""
        return RequirementCount.sum(self.tallies["rules"].values())

    @cached_property
    def by_kind(self) -> Sequence[tuple[Kind, Sequence[Concern]]]:
        """Concerns by their kind, worst first."""
        return [(all_kinds()[kind], self.concerns.of_kind(kind)) for kind in self.concerns.kinds()]

    def severity_count(self, severity: str) -> int:
        """Return how many concerns have a severity."""
        return sum(len(group) for kind, group in self.by_kind if kind.severity == severity)

    @property
    def passes(self) -> bool:
        """True where nothing required is missing and nothing is dangerous or faulty."""
        return not any(kind.fails for kind, _ in self.by_kind)


@dataclass(frozen=True)
class AuditRun:
    """When an audit was run, by whom, and with which version of the program."""

    when: datetime
    who: str
    version: str

    def __post_init__(self) -> None:
        demand_offset(self.when)


def run_audit(
    survey: Survey,
    sets: Sequence[RuleSet],
    episodes: Episodes | None,
    run: AuditRun,
    *,
    quality: QualityLimits | None = None,
    archive: Path | None = None,
    contacts: Mapping[tuple[str, str], Contact] | None = None,
) -> Audit:
    """Check everything that was read.

    Parameters
    ----------
    run
        When, by whom and with what; told in the report.
    quality
        Limits of quality; needed where pictures were looked at.
    archive
        Folder of the archive, for its outbox and findings; None for a folder of files.
    contacts
        Last contact, capacity and legal hold of patients, for keeping times.
    """
    looked = quality if survey.depth >= Depth.PICTURES else None
    judge = PartJudge(survey, sets, episodes, run.when, (looked, archive, contacts))
    judge.concerns.take(survey.concerns)
    for instances, facts, is_last in survey.parts():
        judge.judge(instances, facts, is_last=is_last)
    judge.judge_whole()
    return Audit(
        run.when,
        run.who,
        run.version,
        survey,
        tuple(sets),
        episodes,
        judge.demands.all(),
        judge.concerns,
        judge.sides.total(),
        judge.sides,
        judge.unconfirmed,
        judge.statistics.by,
    )

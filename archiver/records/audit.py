"""An audit: all checks over what was read, and what came of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property, partial
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.statements import one_person
from archiver.archive.store import QUARANTINE
from archiver.objects import demand_offset
from archiver.records.checks.episode_checks import check_episodes
from archiver.records.checks.identity_checks import OnePerson, check_identity
from archiver.records.checks.likeness import check_likeness
from archiver.records.checks.object_checks import check_objects
from archiver.records.checks.outbox_checks import check_outbox, read_outbox
from archiver.records.checks.packages import check_packages
from archiver.records.checks.picture_checks import check_pictures, same_pictures
from archiver.records.checks.picture_findings import check_findings, read_findings
from archiver.records.checks.rejections import check_heeded, check_rejected
from archiver.records.checks.retention import check_retention
from archiver.records.checks.time_checks import check_ages, check_extracted, check_times
from archiver.records.checks.twins import check_twins
from archiver.records.completeness import MISSING, PRESENT, SUBSTITUTED, Demand, evaluate
from archiver.records.contacts import Contact
from archiver.records.episodes import Episodes
from archiver.records.examination import Depth
from archiver.records.instance_reader import without_collection
from archiver.records.kinds import Kind, all_kinds, kind_of, worst_first
from archiver.records.model import Concern, Instance, ObjectFacts
from archiver.records.occasions import Album
from archiver.records.pictures import RecordPicture, pictures_of
from archiver.records.rules.rule_set import AuditLimits, RuleSet, strictest
from archiver.records.survey import Survey
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.vision import QualityLimits


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
    """

    when: datetime
    who: str
    version: str
    survey: Survey
    sets: tuple[RuleSet, ...]
    episodes: Episodes | None
    pictures: list[RecordPicture] = field(default_factory=list)
    demands: list[Demand] = field(default_factory=list)
    concerns: list[Concern] = field(default_factory=list)

    @cached_property
    def counting(self) -> list[Demand]:
        """The demands that belong in a denominator."""
        return [one for one in self.demands if one.counts]

    @property
    def tally(self) -> RequirementCount:
        """All required views."""
        return tally(self.counting)

    @property
    def by_kind(self) -> list[tuple[Kind, list[Concern]]]:
        """Concerns by their kind, worst first."""
        found: dict[str, list[Concern]] = {}
        for concern in self.concerns:
            found.setdefault(concern.kind, []).append(concern)
        return [(all_kinds()[name], group) for name, group in found.items()]

    def severity_count(self, severity: str) -> int:
        """Return how many concerns have a severity."""
        return sum(kind_of(c).severity == severity for c in self.concerns)

    @property
    def passes(self) -> bool:
        """True where nothing required is missing and nothing is dangerous or faulty."""
        return not any(kind_of(c).fails for c in self.concerns)


def metadata_concerns(
    instances: Sequence[Instance],
    pictures: Sequence[RecordPicture],
    facts: Mapping[str, ObjectFacts],
    sets: Sequence[RuleSet],
    episodes: Episodes | None,
    now: datetime,
    checked: OnePerson = lambda key: [],
    contacts: Mapping[tuple[str, str], Contact] | None = None,
) -> tuple[list[Demand], list[Concern]]:
    """Run every check that needs no more than what the index and the facts say."""
    limits = strictest(tuple(sets))
    treatments = episodes.episodes if episodes else ()
    valid = [one for one in instances if not one.rejected]
    album = Album(pictures)
    demands, concerns = evaluate(sets, album, treatments, now.date())
    concerns += check_episodes(sets, album, treatments)
    if episodes is not None:
        concerns += [
            Concern("episode-unreadable", problem, path=problem.where)
            for problem in episodes.problems
        ]
    concerns += check_identity(valid, checked)
    concerns += check_times(valid, pictures, limits, now)
    concerns += check_ages(pictures)
    concerns += check_extracted(pictures, treatments)
    concerns += check_pictures(instances, pictures, facts)
    concerns += check_rejected(instances, facts)
    concerns += check_retention(sets, instances, now.date(), contacts)
    return demands, concerns


@dataclass(frozen=True)
class AuditRun:
    """When an audit was run, by whom, and with which version of the program."""

    when: datetime
    who: str
    version: str

    def __post_init__(self) -> None:
        demand_offset(self.when)


@without_collection()
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
    facts = survey.facts
    valid = [one for one in survey.instances if not one.rejected]
    pictures = pictures_of(valid, facts)
    demands, concerns = metadata_concerns(
        survey.instances,
        pictures,
        facts,
        sets,
        episodes,
        run.when,
        partial(one_person, archive) if archive is not None else lambda key: [],
        contacts,
    )
    concerns += survey.concerns
    if survey.heeded is not None:
        concerns += check_heeded(survey.instances, facts, survey.heeded)
    limits = strictest(tuple(sets))
    looked = quality if survey.depth >= Depth.PICTURES else None
    concerns += check_objects(valid, pictures, facts, limits, looked)
    if survey.depth >= Depth.PICTURES:
        concerns += _alike(pictures, facts)
    if archive is not None:
        concerns += check_packages(archive, survey.instances)
        concerns += check_findings(valid, read_findings(archive))
        concerns += _beside_the_objects(archive, survey, limits, run.when)
    return Audit(
        run.when,
        run.who,
        run.version,
        survey,
        tuple(sets),
        episodes,
        pictures,
        demands,
        worst_first(concerns),
    )


def _alike(
    pictures: Sequence[RecordPicture], facts: Mapping[str, ObjectFacts]
) -> Iterator[Concern]:
    """Tell pictures that look like others, each pair once."""
    same = same_pictures(pictures, facts)
    alike = list(check_likeness(pictures, facts, same))
    told = {frozenset(one.uids) for one in alike}
    told |= {
        frozenset((one.first.uid, other.first.uid))
        for group in same
        for one, other in combinations(group, 2)
    }
    yield from alike
    yield from check_twins(pictures, facts, told)


def _beside_the_objects(
    archive: Path, survey: Survey, limits: AuditLimits, now: datetime
) -> Iterator[Concern]:
    """Yield what an archive's quarantine and outbox give cause for."""
    for path in sorted((archive / QUARANTINE).glob("*.dcm")):
        words = Text("records.identity.aside")
        yield Concern("object-quarantined", words, path=f"{QUARANTINE}/{path.name}")
    waiting, trouble = read_outbox(archive)
    if trouble:
        yield Concern("outbox-failed", trouble, path="outbox.sqlite")
    yield from check_outbox(waiting, {i.uid: i for i in survey.instances}, limits, now)

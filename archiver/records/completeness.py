"""What a rule demands, minus what is there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from archiver.dentition import Tooth
from archiver.records.checks.time_checks import acquired
from archiver.records.episodes import Episode
from archiver.records.model import Concern
from archiver.records.occasions import Album, Occasion, Span, treatments, visit_of, visits
from archiver.records.picture_failures import Asked
from archiver.records.pictures import RecordPicture
from archiver.records.requirement_matching import Match, match
from archiver.records.requirement_targets import Target, targets_of
from archiver.records.rules.rule_set import RuleSet, ViewRequirement
from archiver.records.rules.rule_words import joined, named, sentence
from archiver.wording import Text

#: How far from an event a picture is still told as taken at the wrong time (days).
_NEAR = 366

PRESENT, SUBSTITUTED, MISSING, NOT_DUE = "present", "substituted", "missing", "not due"


@dataclass(frozen=True, slots=True)
class Demand:
    """One required view of one occasion, and what became of it.

    Parameters
    ----------
    rules, requirement
        Label of the set, and name of the row.
    patient, date, occasion
        Whose, when, and what it was.
    target
        Tooth, quadrant, arch or mouth.
    view
        The view demanded, in words.
    status
        ``present``, ``substituted``, ``missing`` or ``not due``.
    optional
        Recommended only; never in a denominator.
    by
        Views that stand in.
    uids
        Instances that fulfil it.
    who
        Operator of the pictures of the occasion.
    """

    rules: str
    requirement: str
    patient: str
    date: str
    occasion: str
    target: str
    view: str
    stage: str
    status: str
    optional: bool
    by: str = ""
    uids: tuple[str, ...] = ()
    who: str = ""

    @property
    def counts(self) -> bool:
        """True where it belongs in the denominator."""
        return not self.optional and self.status != NOT_DUE


def evaluate(
    sets: Sequence[RuleSet], album: Album, episodes: Sequence[Episode], today: date
) -> tuple[list[Demand], list[Concern]]:
    """Compare what the sets demand with what is there.

    Parameters
    ----------
    today
        Events behind it are not due.

    Returns
    -------
    demands, concerns
        Every demand with its outcome, and what has to be told.
    """
    demands: list[Demand] = []
    concerns: list[Concern] = []
    for rules in sets:
        if not rules.requirements:
            continue
        if rules.applies.to == "visits":
            occasions: Iterable[Occasion] = visits(rules, album)
        else:
            occasions = treatments(rules, album, episodes, today)
        judge = _Judge(rules, album)
        for occasion in occasions:
            judge.judge(occasion, demands, concerns)
    return demands, concerns


def view_of(view: str, target: str) -> Text | str:
    """Return a view with what it is to show, but for the mouth."""
    return view if target == "mouth" else Text("records.demand.of", view=view, of=named(target))


class _Judge:
    """Judges occasions by one set of rules; texts that every demand repeats are made once."""

    def __init__(self, rules: RuleSet, album: Album) -> None:
        self.rules = rules
        self.label = rules.label
        self._album = album
        self._names = {r.name: f"{rules.label}: {r.name}" for r in rules.requirements}
        self._sentences = {r.name: sentence(r) for r in rules.requirements}
        self._views: dict[tuple[str, str], str] = {}

    def judge(self, occasion: Occasion, demands: list[Demand], concerns: list[Concern]) -> None:
        """Judge every demand of one occasion."""
        told: list[Concern] = []
        some_due = any_picture = False
        begin = len(demands)
        days: dict[tuple[str, int, int], Sequence[RecordPicture]] = {}
        for requirement in self.rules.requirements:
            span = (requirement.stage, requirement.before, requirement.after)
            if span not in days:
                days[span] = _in_time(requirement, occasion, self._album)
            pictures = days[span]
            for target in targets_of(requirement, occasion.teeth):
                any_picture = any_picture or bool(pictures)
                demand, concern = self.outcome(requirement, target, occasion, pictures)
                demands.append(demand)
                some_due = some_due or demand.counts
                if concern is not None:
                    told.append(concern)
        if not occasion.visit and some_due and not any_picture:
            if self._album.by_person.get(occasion.person.key):
                due = sum(d.counts for d in demands[begin:])
                concerns.append(_nothing(self.rules, occasion, due))
            return
        concerns += told

    def outcome(
        self,
        requirement: ViewRequirement,
        target: Target,
        occasion: Occasion,
        pictures: Sequence[RecordPicture],
    ) -> tuple[Demand, Concern | None]:
        """Judge one demand."""
        due = occasion.visit or requirement.stage in occasion.days
        latest = self._latest(requirement, occasion, pictures)
        asked = Asked(requirement, target, _rivals(requirement, occasion), latest)
        found = match(asked, pictures, lambda: _out_of_time(requirement, occasion, self._album))
        status = found.status if due else NOT_DUE
        key = (requirement.name, target.label)
        if key not in self._views:
            views, frames = joined(target.words(requirement.views)), joined(requirement.frames)
            self._views[key] = f"{views} ({frames})" if frames else views
        demand = Demand(
            self.label,
            requirement.name,
            occasion.person.label,
            occasion.date,
            occasion.label,
            target.label,
            self._views[key],
            requirement.stage,
            status,
            requirement.optional,
            found.by,
            tuple(uid for p in found.pictures for uid in p.uids),
            next((p.operator for p in pictures if p.operator), ""),
        )
        if status in (PRESENT, NOT_DUE):
            return demand, None
        return demand, self._concern(requirement, demand, found, target)

    def _latest(
        self,
        requirement: ViewRequirement,
        occasion: Occasion,
        pictures: Sequence[RecordPicture],
    ) -> datetime | None:
        """Return when the first of the pictures was taken that have to come later."""
        others = [r for r in self.rules.requirements if r.name in requirement.taken_before]
        moments = [
            moment
            for other in others
            for target in targets_of(other, occasion.teeth)
            for p in match(Asked(other, target, _rivals(other, occasion)), pictures).pictures
            if (moment := acquired(p.first)) is not None
        ]
        return min(moments, default=None)

    def _concern(
        self, requirement: ViewRequirement, demand: Demand, found: Match, target: Target
    ) -> Concern:
        view = view_of(demand.view, target.label)
        if requirement.stage:
            view = Text("records.demand.stage", view=view, stage=requirement.stage)
        kind, words = found.kind, Text("records.demand.wanting", view=view, found=found.words)
        if demand.status == SUBSTITUTED:
            kind = "view-substituted"
            words = Text("records.demand.stands_in", view=view, other=found.by)
        elif requirement.optional:
            kind = "view-recommended"
        return Concern(
            kind,
            words,
            self._sentences[requirement.name],
            patient=demand.patient,
            date=demand.date,
            teeth=tuple(t.iso for t in target.teeth),
            view=demand.view,
            uids=demand.uids,
            rule=self._names[requirement.name],
            source=requirement.source or self.rules.source,
            who=demand.who,
        )


def _in_time(
    requirement: ViewRequirement, occasion: Occasion, album: Album
) -> Sequence[RecordPicture]:
    """Return the pictures of the time in which the requirement takes them."""
    span = _span(requirement, occasion)
    return album.between(occasion.person.key, *span) if span else []


def _out_of_time(
    requirement: ViewRequirement, occasion: Occasion, album: Album
) -> list[RecordPicture]:
    """Return the same patient's pictures from before and after that time."""
    span = _span(requirement, occasion)
    if span is None or occasion.visit:
        return []
    (first, last), day, key = span, timedelta(days=1), occasion.person.key
    wide = timedelta(days=_NEAR)
    before = album.between(key, first - wide, first - day)
    return before + album.between(key, last + day, last + wide)


def _span(requirement: ViewRequirement, occasion: Occasion) -> Span | None:
    """Return the first and last day on which pictures count; None where it is not due."""
    if occasion.visit:
        return occasion.days[""]
    if requirement.stage not in occasion.days:
        return None
    first, last = occasion.days[requirement.stage]
    return first - timedelta(days=requirement.before), last + timedelta(days=requirement.after)


def _rivals(requirement: ViewRequirement, occasion: Occasion) -> tuple[Span, ...]:
    """Return the days of other stages: a picture without a stage may belong to them."""
    if occasion.visit:
        return (occasion.days[""],) if requirement.stage else ()
    return tuple(d for s, d in occasion.days.items() if s and s != requirement.stage)


def _nothing(rules: RuleSet, occasion: Occasion, due: int) -> Concern:
    return Concern(
        "episode-without-photographs",
        Text("records.demand.nothing", occasion=occasion.label, due=due),
        patient=occasion.person.label,
        date=occasion.date,
        teeth=tuple(t.iso for t in occasion.teeth),
        rule=rules.label,
        source=rules.source,
    )


def demands_of_visit(
    rules: RuleSet,
    day: str,
    pictures: Sequence[RecordPicture],
    teeth: Sequence[Tooth] = (),
    stage: str = "",
) -> list[Demand]:
    """Return what a set demands of the pictures of one day, whatever it applies to.

    Parameters
    ----------
    teeth
        Teeth of the visit; those that its pictures name where there are none.
    stage
        Where it is given, requirements of other stages are left out, and pictures that tell
        another stage; where it is not, stages are not looked at.
    """
    occasion = visit_of(rules, day, pictures, teeth) if pictures else None
    if occasion is None:
        return []
    mine = [p for p in pictures if not stage or p.stage in ("", stage)]
    made: dict[tuple[str, str], Demand] = {}
    judge = _Judge(rules, Album(mine))
    for row in rules.requirements:
        if stage and row.stage not in ("", stage):
            continue
        for target in targets_of(row, occasion.teeth):
            plain = replace(row, stage="")
            demand, _ = judge.outcome(plain, target, occasion, mine)
            made.setdefault((demand.target, demand.view), demand)
    return list(made.values())

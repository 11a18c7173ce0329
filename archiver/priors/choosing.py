"""Which earlier pictures of a tooth are worth comparing with the newest one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from archiver.archive import Query, Record, without_twins
from archiver.dentition import Tooth, View, parse_teeth
from archiver.errors import ArchiveError, Problem, UsageError
from archiver.objects import Person
from archiver.wording import Text

#: Views in which different words mean one way of looking at a tooth.
_ALIKE = (
    frozenset({View.OCCLUSAL.value, View.INCISAL.value}),
    frozenset({View.BUCCAL.value, View.LABIAL.value}),
    frozenset({View.LINGUAL.value, View.PALATAL.value}),
)
SAME = Text("priors.choosing.same")

Blur = Callable[[Path], float]
#: Answers a question: an archive on this machine, or one elsewhere whose answers were fetched.
Ask = Callable[[Query], Sequence[Record]]


@dataclass(frozen=True)
class ToothAsked:
    """What is to be compared.

    Parameters
    ----------
    patient_id, issuer
        As the objects have them; the issuer only where two share an identifier.
    tooth, view
        What the pictures show.
    since
        First day of a prior.
    limit
        Priors at most.
    """

    patient_id: str
    tooth: Tooth
    view: View
    issuer: str | None = None
    since: date | None = None
    limit: int | None = None


@dataclass(frozen=True)
class Candidate:
    """A picture, and how it comes to show the tooth."""

    record: Record
    relation: Text

    @property
    def is_same(self) -> bool:
        """True where tooth and view are named as they were asked for."""
        return self.relation == SAME

    @property
    def when(self) -> tuple[str, str]:
        """Date and time of its visit."""
        return self.record.study_date, self.record.study_time


@dataclass(frozen=True)
class Chosen:
    """The newest picture and its priors: those of the same view first, then the newest first.

    `left_out` counts the visits beyond the limit.
    """

    newest: Candidate
    priors: tuple[Candidate, ...]
    left_out: int = 0


def choose(ask: Ask, asked: ToothAsked, blur: Blur) -> Chosen:
    """Choose the newest picture of a tooth and view, and one prior a visit.

    Parameters
    ----------
    ask
        Answers questions for records whose paths are files.
    asked
        What is to be compared.
    blur
        Tells how soft a picture is; only called where a visit has several alike.

    Raises
    ------
    ArchiveError
        If there is no picture of the tooth, or no prior, or the identifier names two people.
    UsageError
        If two patients share the identifier.
    """
    records = ask(
        Query(
            patient_id=asked.patient_id,
            issuer=asked.issuer,
            teeth=(asked.tooth,),
            view=asked.view.value,
            modality="XC",
        )
    )
    issuers = sorted({record.issuer for record in records})
    if len(issuers) > 1:
        named = tuple(f'"{one}"' for one in issuers)
        raise UsageError(
            Problem("priors.choosing.two_patients", patient=asked.patient_id, issuers=named)
        )
    first = Person(records[0].patient_name) if records else Person()
    others = {r.patient_name for r in records if first.contradicts(Person(r.patient_name))}
    if others:
        people = tuple(map(str, (first, *map(Person, sorted(others)))))
        raise ArchiveError(
            Problem("priors.choosing.two_people", patient=asked.patient_id, people=people)
        )
    visits = [
        _sharpest(group, blur) for group in by_visit(_candidates(records, asked.view)).values()
    ]
    if not visits:
        raise ArchiveError(
            Problem("priors.choosing.none_shows", shown=_shown(asked)).at(asked.patient_id)
        )
    return arranged(visits, asked)


def arranged(visits: Sequence[Candidate], asked: ToothAsked) -> Chosen:
    """Order one candidate a visit into the newest and its priors.

    Raises
    ------
    ArchiveError
        If nothing earlier is left.
    """
    newest = max(visits, key=lambda one: (one.is_same, one.when))
    earlier = [one for one in visits if one.when < newest.when]
    if asked.since is not None:
        earlier = [one for one in earlier if one.record.study_date >= asked.since.isoformat()]
    if not earlier:
        shown, day = _shown(asked), newest.record.study_date
        if asked.since is None:
            problem = Problem("priors.choosing.none_earlier", shown=shown, day=day)
        else:
            since = asked.since.isoformat()
            problem = Problem("priors.choosing.none_since", shown=shown, since=since, day=day)
        raise ArchiveError(problem.at(asked.patient_id))
    ranked = sorted(earlier, key=lambda one: (one.is_same, one.when), reverse=True)
    kept = ranked if asked.limit is None else ranked[: asked.limit]
    return Chosen(newest, tuple(kept), len(ranked) - len(kept))


def by_visit(candidates: Iterable[Candidate]) -> dict[tuple[str, str], list[Candidate]]:
    """Group candidates by day and study."""
    groups: dict[tuple[str, str], list[Candidate]] = {}
    for one in candidates:
        groups.setdefault((one.record.study_date, one.record.study_uid), []).append(one)
    return groups


def _candidates(records: Sequence[Record], view: View) -> list[Candidate]:
    """Say of each picture why it is here; what has a corrected twin is left out."""
    # Of the same visit: a file that was archived again for another day may say something wrong
    # there, which the check for reflections has to see.
    return [Candidate(record, relation(record, view)) for record in without_twins(records)]


def relation(record: Record, view: View) -> Text:
    """Say how a picture shows the tooth that was asked for."""
    same_way = record.view is not None and are_alike(record.view, view.value)
    if record.tooth_found == "named" and same_way:
        if len(record.teeth) == 1:
            return SAME
        return SAME if len(record.teeth) <= _FEW else Text("priors.choosing.quadrant")
    if record.view is None:
        return Text("priors.choosing.contains_it")
    named = "names" if record.tooth_found == "named" else "contains"
    return Text(f"priors.choosing.view.{named}", view=record.view)


def teeth_of(record: Record) -> tuple[Tooth, ...]:
    """Return the teeth that a picture names."""
    return parse_teeth("iso:" + ",".join(record.teeth)) if record.teeth else ()


def alike(one: View, other: View) -> bool:
    """Return whether two views look at a tooth the same way."""
    return are_alike(one.value, other.value)


def both_show(
    one: tuple[View | None, Collection[object]], other: tuple[View | None, Collection[object]]
) -> bool:
    """Return whether two pictures look alike at a tooth that both name, or at the same arch.

    Parameters
    ----------
    one, other
        The view and the teeth of each.
    """
    (view, teeth), (other_view, others) = one, other
    if view is None or other_view is None or not alike(view, other_view):
        return False
    if teeth and others:
        return bool(set(teeth) & set(others))
    arch = view in (View.UPPER_OCCLUSAL_ARCH, View.LOWER_OCCLUSAL_ARCH)
    return view == other_view and (arch or not (teeth or others))


def are_alike(one: str, other: str) -> bool:
    """Return the same of views in words."""
    return one == other or any({one, other} <= words for words in _ALIKE)


#: A picture that names more teeth than this is one of a quadrant.
_FEW = 3


def _sharpest(group: Sequence[Candidate], blur: Blur) -> Candidate:
    """The best of a visit: same view first, then corrected before as shot, then the sharpest."""

    def rank(one: Candidate) -> tuple[bool, bool]:
        return not one.is_same, one.record.mirror == "uncorrected"

    best = min(rank(one) for one in group)
    alike = [one for one in group if rank(one) == best]
    if len(alike) == 1:
        return alike[0]
    return min(alike, key=lambda one: (blur(Path(one.record.path)), one.record.sop_instance_uid))


def _shown(asked: ToothAsked) -> Text:
    return Text("priors.choosing.shown", tooth=asked.tooth.iso, view=asked.view.value)

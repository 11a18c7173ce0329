"""Photographs as a person counts them: what came from one camera file is one picture."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from archiver.dentition import View, covered_teeth
from archiver.objects import CHART_FRAME
from archiver.records.model import Instance, ObjectFacts, RecordPerson

#: Words by which session sheets tell a stage, folded; the stages of rules are the keys.
STAGE_WORDS: Mapping[str, tuple[str, ...]] = {
    "start": ("start", "before", "initial", "pre-op", "preop", "preoperative", "baseline"),
    "prepared": ("prepared", "preparation", "prep", "prepped", "placement", "placed"),
    "healing": ("healing", "healed"),
    "finished": (
        "finished",
        "after",
        "final",
        "post-op",
        "postop",
        "postoperative",
        "completed",
        "restored",
    ),
}
_STAGES = {word: stage for stage, words in STAGE_WORDS.items() for word in words}
#: Frames of colour that show a card or a chart, whatever stands beside it.
CARDS = (CHART_FRAME, "neutral reference")
#: One surface has two names, by whether a tooth stands in front or behind.
_FAMILIES = (
    frozenset({"occlusal", "incisal"}),
    frozenset({"buccal", "labial"}),
    frozenset({"lingual", "palatal"}),
)


@dataclass(frozen=True, slots=True, eq=False)
class RecordPicture:
    """One photograph with all instances that were made of it.

    Parameters
    ----------
    instances
        The one as shot first.
    teeth
        ISO 3950 designations that any of them names.
    mirror
        Whether it was taken through a mirror; None where no instance says.
    confirmed_by
        Who confirmed the side; empty where nobody did or the objects were not read.
    stage
        One of the stages of rules, the object's own word where that is none, or empty.
    operator
        Whom the object names as its operator, else who put it into the archive.
    certainty
        How the side is confirmed: ``said``, ``bound``, ``countersigned`` or ``lapsed``; empty
        where it is not, or the objects were not read.
    frame
        Which frame of colour it is; empty where none, None where the objects were not read.
    functional_state, magnification, seen_from
        What the object says of lips and jaws, of the scale and of the side from which it was
        taken; empty where it does not say, or the objects were not read.
    """

    instances: tuple[Instance, ...]
    teeth: frozenset[str]
    view: str
    mirror: bool | None
    confirmed: bool
    confirmed_by: str
    stage: str
    figures: Mapping[str, float]
    operator: str = ""
    certainty: str = ""
    frame: str | None = None
    functional_state: str = ""
    magnification: str = ""
    seen_from: str = ""

    @property
    def first(self) -> Instance:
        """The instance as shot, where it is kept."""
        return self.instances[0]

    @property
    def person(self) -> RecordPerson:
        """Whose it is."""
        return self.first.person

    @property
    def date(self) -> str:
        """Day of the visit, ISO 8601."""
        return self.first.date

    @property
    def uids(self) -> tuple[str, ...]:
        """SOP Instance UIDs."""
        return tuple(one.uid for one in self.instances)

    @property
    def longer_side(self) -> int:
        """Pixels of the longer side of the largest instance; 0 where none says."""
        return max((max(i.rows or 0, i.columns or 0) for i in self.instances), default=0)


def stage_of(word: str) -> str:
    """Return the stage of rules that a word means; the word itself where it means none."""
    folded = " ".join(word.casefold().split())
    return _STAGES.get(folded, folded)


def pictures_of(
    instances: Iterable[Instance], facts: Mapping[str, ObjectFacts] | None = None
) -> list[RecordPicture]:
    """Group photographs: a derived one joins what it was made from.

    Parameters
    ----------
    instances
        Of any modality; only photographs are taken.
    facts
        By SOP Instance UID, as far as the objects were read.
    """
    facts = facts or {}
    photographs = [one for one in instances if one.is_photograph]
    roots = _roots(photographs, facts)
    grouped: dict[str, list[Instance]] = defaultdict(list)
    for one in photographs:
        grouped[roots.get(one.uid, one.uid)].append(one)
    return [_picture(group, facts) for group in grouped.values()]


def _roots(photographs: Sequence[Instance], facts: Mapping[str, ObjectFacts]) -> dict[str, str]:
    """Return, for each derived instance, the original that it was made from."""
    by_uid = {one.uid: one for one in photographs}
    originals: dict[tuple[object, ...], list[Instance]] = defaultdict(list)
    for one in photographs:
        if one.role == "original" and (key := _family(one)):
            originals[key].append(one)
    roots: dict[str, str] = {}
    for one in photographs:
        if one.role != "derived":
            continue
        known = facts.get(one.uid)
        named = next((s for s in known.sources if s in by_uid), "") if known else ""
        if not named and (key := _family(one)):
            near = originals.get(key, [])
            alike = [o for o in near if (o.teeth, o.view) == (one.teeth, one.view)] or near
            named = alike[0].uid if alike else ""
        if named and by_uid[named].person.key == one.person.key:
            roots[one.uid] = named
    return {uid: _end(uid, roots) for uid in roots}


def _family(one: Instance) -> tuple[object, ...]:
    """Return what instances of one camera file share, as far as the index tells; may be empty."""
    if one.source:
        return one.source, one.study, one.person.key
    if one.acquired:
        return one.acquired, one.teeth, one.view, one.study, one.person.key
    return ()


def _end(uid: str, roots: Mapping[str, str]) -> str:
    seen = {uid}
    while uid in roots and roots[uid] not in seen:
        uid = roots[uid]
        seen.add(uid)
    return uid


def _picture(group: list[Instance], facts: Mapping[str, ObjectFacts]) -> RecordPicture:
    group.sort(key=lambda one: (one.role != "original", one.seq))
    known = [facts[one.uid] for one in group if one.uid in facts]
    mirrors = {one.mirror for one in group if one.mirror}
    looks = [k.look for k in known if k.look is not None and k.look.figures]
    return RecordPicture(
        tuple(group),
        frozenset(tooth for one in group for tooth in one.teeth),
        next((one.view for one in group if one.view), ""),
        bool(mirrors & {"corrected", "uncorrected"}) if mirrors else None,
        any(one.confirmed for one in group),
        next((k.confirmed_by for k in known if k.confirmed_by), ""),
        stage_of(next((k.stage for k in known if k.stage), "")),
        looks[-1].figures if looks else {},
        next((k.operator for k in known if k.operator), "") or group[0].who,
        next((k.certainty for k in known if k.certainty), ""),
        next((k.frame for k in known if k.frame), "") if known else None,
        next((k.functional_state for k in known if k.functional_state), ""),
        next((k.magnification for k in known if k.magnification), ""),
        next((k.seen_from for k in known if k.seen_from), ""),
    )


@cache
def covered(view: str) -> frozenset[str]:
    """Return the teeth that a view of an arch, a side or the mouth shows without naming them."""
    return frozenset(tooth.iso for tooth in covered_teeth(View(view)))


@cache
def alike(view: str) -> frozenset[str]:
    """Return the views that show the same surface, whatever tooth it belongs to."""
    return next((family for family in _FAMILIES if view in family), frozenset({view}))


def needs_teeth(view: str) -> bool:
    """Return whether a view means nothing without a tooth."""
    return bool(view) and View(view).needs_teeth


def shows_any(picture: RecordPicture, teeth: frozenset[str]) -> bool:
    """Return whether a picture shows one of the teeth, by name or by its view."""
    if picture.teeth & teeth:
        return True
    return bool(picture.view) and bool(covered(picture.view) & teeth)


def sides_of(picture: RecordPicture) -> str:
    """Return the side that a picture's object names, else that of its teeth; may be empty."""
    if picture.first.laterality in ("R", "L"):
        return picture.first.laterality
    letters = {"R" if iso[0] in "1458" else "L" for iso in picture.teeth}
    return letters.pop() if len(letters) == 1 else ""


#: From where a view is taken; a smile is taken from the front unless its object says otherwise.
_FROM = {
    "frontal": "front",
    "face": "front",
    "smile": "front",
    "right buccal": "right",
    "right profile": "right",
    "left buccal": "left",
    "left profile": "left",
}
#: Views that are taken in occlusion (IMI National Guidelines, Orthodontic Photography, 2008;
#: American Board of Orthodontics, Photograph Requirements), unless the object says otherwise.
_IN_OCCLUSION = ("frontal", "right buccal", "left buccal")


def seen_from(picture: RecordPicture) -> str:
    """Return ``front``, ``right`` or ``left``: what the object says, else its view or its teeth.

    Empty where nothing tells.
    """
    side = {"R": "right", "L": "left"}.get(sides_of(picture), "")
    return picture.seen_from or _FROM.get(picture.view, "") or side


def functional_state_of(picture: RecordPicture) -> str:
    """Return what lips and jaws do: what the object says, else what its view is taken in."""
    return picture.functional_state or ("in occlusion" if picture.view in _IN_OCCLUSION else "")

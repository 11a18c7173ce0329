"""Which pictures fulfil one requirement for one tooth, quadrant, arch or mouth."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from archiver.dentition import WORD_SETS, Arch, Side, Tooth
from archiver.objects import COUNTERSIGNED
from archiver.records.pictures import CARDS, RecordPicture, alike, shows_any
from archiver.records.rules.rule_keys import OCCLUSAL_ARCH, SIDE_IN_OCCLUSION
from archiver.records.rules.rule_set import PLAIN, ViewRequirement
from archiver.records.rules.rule_words import joined
from archiver.wording import Text

#: What a picture can fail, in the order in which the last of several is told.
_KINDS = {
    "frame": "view-missing",
    "mirror": "mirror-not-allowed",
    "stage": "stage-not-told",
    "confirmed": "confirmer-not-allowed",
    "countersigned": "confirmer-not-allowed",
    "quality": "quality-below-rule",
    "window": "view-outside-window",
}
_MISSING = Text("records.match.missing")


@dataclass(frozen=True)
class Target:
    """What a requirement is about.

    Parameters
    ----------
    teeth
        Of which a picture must show one; empty for the mouth.
    arch, side
        None where the target has both.
    """

    label: str
    teeth: tuple[Tooth, ...] = ()
    arch: Arch | None = None
    side: Side | None = None

    @cached_property
    def isos(self) -> frozenset[str]:
        """The teeth by their ISO 3950 designations."""
        return frozenset(tooth.iso for tooth in self.teeth)

    def words(self, views: Iterable[str]) -> tuple[str, ...]:
        """Return views with those put in that depend on arch and side."""
        found = []
        for view in views:
            if view == OCCLUSAL_ARCH and self.arch is not None:
                found.append(f"{self.arch.value} occlusal arch")
            elif view == SIDE_IN_OCCLUSION and self.side is not None:
                found.append(f"{self.side.value} buccal")
            else:
                found.append(view)
        return tuple(found)


def targets_of(requirement: ViewRequirement, teeth: Sequence[Tooth]) -> Iterator[Target]:
    """Yield what a requirement is about on an occasion with these teeth."""
    if requirement.scope == "mouth":
        yield _of_mouth(requirement)
        return
    seen: set[str] = set()
    for tooth in teeth:
        target = _target(requirement.scope, tooth)
        if target.label not in seen:
            seen.add(target.label)
            yield target


def _of_mouth(requirement: ViewRequirement) -> Target:
    if requirement.sextants:
        permanent = [tooth for name in requirement.sextants for tooth in WORD_SETS[name]]
        # Deciduous quadrants are numbered four more (ISO 3950), and have five teeth.
        milk = [Tooth(t.quadrant + 4, t.position) for t in permanent if t.position <= 5]
        arches, sides = ({getattr(t, of) for t in permanent} for of in ("arch", "side"))
        return Target(
            joined(requirement.sextants),
            (*permanent, *milk),
            arches.pop() if len(arches) == 1 else None,
            sides.pop() if len(sides) == 1 else None,
        )
    return _arch(Arch(requirement.arch)) if requirement.arch else Target("mouth")


def _target(scope: str, tooth: Tooth) -> Target:
    if scope == "tooth":
        return Target(tooth.iso, (tooth,), tooth.arch, tooth.side)
    if scope == "quadrant":
        name = f"{tooth.arch.value} {tooth.side.value} quadrant"
        members = WORD_SETS[name] + WORD_SETS[f"deciduous {name}"]
        return Target(name, members, tooth.arch, tooth.side)
    return _arch(tooth.arch)


def _arch(arch: Arch) -> Target:
    name = f"{arch.value} arch"
    return Target(name, WORD_SETS[name] + WORD_SETS[f"deciduous {name}"], arch)


@dataclass(frozen=True)
class Match:
    """What was found for a requirement.

    Parameters
    ----------
    status
        ``present``, ``substituted`` or ``missing``.
    pictures
        That fulfil it, or that come nearest.
    by
        Views that stand in.
    kind, words
        Why it is missing.
    """

    status: str
    pictures: tuple[RecordPicture, ...] = ()
    by: str = ""
    kind: str = "view-missing"
    words: Text = _MISSING


def match(
    requirement: ViewRequirement,
    target: Target,
    pictures: Sequence[RecordPicture],
    near: Callable[[], Sequence[RecordPicture]],
    rivals: Sequence[tuple[date, date]],
) -> Match:
    """Find the pictures that fulfil a requirement.

    Parameters
    ----------
    pictures
        Of the patient, in time.
    near
        Gives those of the patient out of time.
    rivals
        Days of other stages; a picture without a stage that lies in them tells no stage.
    """
    views = frozenset(v for word in target.words(requirement.views) for v in alike(word))
    fitting: list[RecordPicture] = []
    failing: list[tuple[RecordPicture, tuple[str, ...]]] = []
    for picture in pictures:
        if _shows(picture, views, target):
            failed = tuple(_failures(requirement, picture, rivals))
            if failed:
                failing.append((picture, failed))
            else:
                fitting.append(picture)
    if len(fitting) >= requirement.count:
        return Match("present", tuple(fitting))
    taken = set(map(id, fitting))
    others = frozenset(target.words(requirement.covered_by))
    stand_in = [
        p
        for p in pictures
        if id(p) not in taken
        and _shows(p, others, target)
        and not any(_failures(requirement, p, rivals))
    ]
    if len(fitting) + len(stand_in) >= requirement.count:
        by = joined(sorted({p.view for p in stand_in}), "and")
        return Match("substituted", (*fitting, *stand_in), by)
    if fitting:
        words = Text("records.match.too_few", count=len(fitting), wanted=requirement.count)
        return Match("missing", tuple(fitting), kind="view-too-few", words=words)
    failing += [(p, ("window",)) for p in near() if _is_late(requirement, target, views, p)]
    return _nearest(requirement, failing)


def _is_late(
    requirement: ViewRequirement, target: Target, views: frozenset[str], picture: RecordPicture
) -> bool:
    """Whether only its day speaks against a picture."""
    told_other = bool(requirement.stage) and picture.stage not in ("", requirement.stage)
    return (
        not told_other
        and _shows(picture, views, target)
        and not any(f != "stage" for f in _failures(requirement, picture, ()))
    )


def _shows(picture: RecordPicture, views: frozenset[str], target: Target) -> bool:
    return picture.view in views and (not target.teeth or shows_any(picture, target.isos))


def _failures(
    requirement: ViewRequirement, picture: RecordPicture, rivals: Sequence[tuple[date, date]]
) -> Iterator[str]:
    if not _is_frame(requirement, picture):
        yield "frame"
    through_mirror = {"mirror": True, "direct": False}.get(requirement.mirror, picture.mirror)
    if picture.mirror not in (None, through_mirror):
        yield "mirror"
    if requirement.stage and picture.stage != requirement.stage:
        if picture.stage:
            yield "other stage"
        elif any(low.isoformat() <= picture.date <= high.isoformat() for low, high in rivals):
            yield "stage"
    if not _is_confirmed(requirement, picture):
        yield "confirmed"
    # As above, only the object knows; one that is not read is not held against the picture.
    elif requirement.countersigned and picture.certainty not in ("", COUNTERSIGNED):
        yield "countersigned"
    if list(_quality_failures(requirement, picture)):
        yield "quality"


def _is_frame(requirement: ViewRequirement, picture: RecordPicture) -> bool:
    if picture.frame is None:  # only the object knows
        return True
    if not requirement.frames:
        return picture.frame not in CARDS
    return (picture.frame or PLAIN) in requirement.frames


def _is_confirmed(requirement: ViewRequirement, picture: RecordPicture) -> bool:
    if requirement.confirmed and not picture.confirmed:
        return False
    # The index knows that somebody confirmed, only the object knows who.
    if not requirement.confirmed_by or not picture.confirmed_by:
        return True
    allowed = {name.casefold().rstrip("^ ") for name in requirement.confirmed_by}
    return picture.confirmed_by.casefold().rstrip("^ ") in allowed


def _quality_failures(requirement: ViewRequirement, picture: RecordPicture) -> Iterator[Text]:
    for name, limit in requirement.quality.items():
        if name == "pixels":
            if picture.longer_side < limit:
                yield Text("records.match.pixels", n=picture.longer_side, least=f"{limit:g}")
        elif picture.figures.get(name, 0.0) > limit:
            figure = f"{picture.figures[name]:.3g}"
            yield Text("records.match.figure", name=name, figure=figure, most=f"{limit:g}")


def _nearest(
    requirement: ViewRequirement, failing: Sequence[tuple[RecordPicture, tuple[str, ...]]]
) -> Match:
    """Tell the one thing that speaks against the picture that comes nearest."""
    single = [(p, failed[0]) for p, failed in failing if len(failed) == 1 and failed[0] in _KINDS]
    if not single:
        return Match("missing")
    order = list(_KINDS)
    picture, failed = min(single, key=lambda one: order.index(one[1]))
    words = _in_text(requirement, picture, failed)
    return Match("missing", (picture,), kind=_KINDS[failed], words=words)


def _in_text(requirement: ViewRequirement, picture: RecordPicture, failed: str) -> Text:
    """Tell what speaks against a picture."""
    if failed == "frame":
        return Text("records.match.frame", frame=picture.frame or PLAIN)
    if failed == "mirror":
        return Text(f"records.match.{'mirror' if picture.mirror else 'direct'}")
    if failed == "stage":
        return Text("records.match.stage")
    if failed == "confirmed":
        nobody = Text("records.match.nobody")
        return Text("records.match.confirmed", by=picture.confirmed_by or nobody)
    if failed == "countersigned":
        return Text("records.match.countersigned")
    if failed == "quality":
        figures = tuple(_quality_failures(requirement, picture))
        return Text("records.match.quality", figures=figures)
    return Text("records.match.window", date=picture.date)

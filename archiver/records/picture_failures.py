"""What of a requirement a picture that shows its view does not fulfil."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from archiver.objects import COUNTERSIGNED
from archiver.records.checks.time_checks import acquired
from archiver.records.pictures import CARDS, RecordPicture, functional_state_of, seen_from
from archiver.records.requirement_targets import Target
from archiver.records.rules.rule_set import PLAIN, ViewRequirement
from archiver.wording import Text

#: What a picture can fail and the finding that follows, in the order in which the last of several
#: is told.
KINDS = {
    "frame": "view-missing",
    "side": "view-missing",
    "functional state": "view-missing",
    "magnification": "view-missing",
    "teeth": "view-missing",
    "mirror": "mirror-not-allowed",
    "stage": "stage-not-told",
    "order": "taken-too-late",
    "confirmed": "confirmer-not-allowed",
    "countersigned": "confirmer-not-allowed",
    "quality": "quality-below-rule",
    "window": "view-outside-window",
}


@dataclass(frozen=True)
class Asked:
    """A requirement of one target, on one occasion.

    Parameters
    ----------
    rivals
        Days of other stages; a picture without a stage that lies in them tells no stage.
    latest
        When the first of the pictures was taken before which it has to be; None where there is
        none.
    """

    requirement: ViewRequirement
    target: Target
    rivals: Sequence[tuple[date, date]] = ()
    latest: datetime | None = None


def failures(asked: Asked, picture: RecordPicture) -> Iterator[str]:
    """Yield what a picture fails, by the names of `KINDS`, or ``other stage``."""
    requirement = asked.requirement
    yield from _meaning_failures(asked, picture)
    through_mirror = {"mirror": True, "direct": False}.get(requirement.mirror, picture.mirror)
    if picture.mirror not in (None, through_mirror):
        yield "mirror"
    if requirement.stage and picture.stage != requirement.stage:
        if picture.stage:
            yield "other stage"
        elif any(low.isoformat() <= picture.date <= high.isoformat() for low, high in asked.rivals):
            yield "stage"
    if asked.latest is not None:
        moment = acquired(picture.first)
        if moment is None or moment > asked.latest:
            yield "order"
    if not _is_confirmed(requirement, picture):
        yield "confirmed"
    # As above, only the object knows; one that is not read is not held against the picture.
    elif requirement.countersigned and picture.certainty not in ("", COUNTERSIGNED):
        yield "countersigned"
    if list(_quality_failures(requirement, picture)):
        yield "quality"


def _meaning_failures(asked: Asked, picture: RecordPicture) -> Iterator[str]:
    """Yield what a picture is not; what only the object knows counts where it was read."""
    requirement, read = asked.requirement, picture.frame is not None
    if read and not _is_frame(requirement, picture):
        yield "frame"
    side = asked.target.seen_from
    if side and seen_from(picture) != side and (read or seen_from(picture)):
        yield "side"
    states = requirement.functional_state
    if read and states and functional_state_of(picture) not in states:
        yield "functional state"
    if (
        read
        and requirement.magnification
        and picture.magnification not in requirement.magnification
    ):
        yield "magnification"
    if requirement.teeth and bool(picture.teeth) != (requirement.teeth == "named"):
        yield "teeth"


def _is_frame(requirement: ViewRequirement, picture: RecordPicture) -> bool:
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


def failure_words(asked: Asked, picture: RecordPicture, failed: str) -> Text:
    """Tell what speaks against a picture."""
    unsaid = Text("records.match.unsaid")
    if failed == "frame":
        return Text("records.match.frame", frame=picture.frame or PLAIN)
    if failed == "side":
        return Text("records.match.side", side=seen_from(picture) or unsaid)
    if failed == "functional state":
        return Text("records.match.functional_state", state=functional_state_of(picture) or unsaid)
    if failed == "magnification":
        return Text("records.match.magnification", scale=picture.magnification or unsaid)
    if failed == "teeth":
        return Text(f"records.match_teeth.{'named' if picture.teeth else 'none'}")
    if failed == "mirror":
        return Text(f"records.match.{'mirror' if picture.mirror else 'direct'}")
    if failed == "confirmed":
        nobody = Text("records.match.nobody")
        return Text("records.match.confirmed", by=picture.confirmed_by or nobody)
    if failed == "quality":
        figures = tuple(_quality_failures(asked.requirement, picture))
        return Text("records.match.quality", figures=figures)
    if failed == "window":
        return Text("records.match.window", date=picture.date)
    return Text(f"records.match.{failed}")

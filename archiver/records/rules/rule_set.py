"""What a rule set demands of a record. Rules are data; this is their shape."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

STAGES = ("start", "prepared", "healing", "finished")
SCOPES = ("tooth", "quadrant", "arch", "mouth")
ARCHES = ("upper", "lower")
MIRRORS = ("either", "direct", "mirror")
SIDES = ("front", "right", "left", "both")
#: A picture that is no frame of colour.
PLAIN = "plain"
STANDINGS = ("published", "common practice", "from memory", "local")

#: Limits of quality that a rule may set, and their units. `pixels` is the least length of the
#: longer side; the others are the greatest values of figures of quality (`archiver.vision`).
QUALITY_LIMITS = (
    "pixels", "blur_share", "fog", "fog_beside", "highlights", "unevenness", "glare",
)  # fmt: skip


@dataclass(frozen=True)
class ViewRequirement:
    """One view that is demanded.

    Parameters
    ----------
    name
        Stable within its set.
    views
        Any of them will do.
    scope
        ``tooth``: for each tooth treated (or, in a rule of visits, each tooth photographed);
        ``quadrant``, ``arch``: for each that holds such a tooth; ``mouth``: once.
    arch
        Of the mouth only this arch: ``upper`` or ``lower``; empty for both.
    sextants
        Of the mouth only teeth of these, by the names of `archiver.dentition.WORD_SETS`; empty
        for all.
    quadrants
        Of the mouth only teeth of these, by the same names; empty for all.
    each
        Whether each of the sextants and quadrants has to be shown, and not just one of them.
    side
        From where it has to be taken: ``front``, ``right``, ``left``, or ``both`` for one picture
        from the right and one from the left; empty for anywhere.
    functional_state
        What lips and jaws do, one of these (`archiver.objects.FUNCTIONAL_STATES`); empty for
        anything.
    magnification
        One of these, such as ``1:2``; empty for any.
    teeth
        ``named`` where the picture has to name teeth, ``none`` where it may not; empty for either.
    taken_before
        Names of requirements before whose pictures it has to be taken.
    mirror
        ``direct``, ``mirror`` or ``either``.
    frames
        Frames of colour of which the picture must be one, or `PLAIN`; empty for any picture but
        one of a card or chart, which shows no view.
    stage
        One of `STAGES`; empty where any will do.
    count
        Pictures at least.
    before, after
        Days about the event within which a picture counts.
    covered_by
        Views that may stand in where they show the tooth.
    confirmed
        Whether the side must have been confirmed.
    confirmed_by
        Who may confirm; empty for anybody.
    countersigned
        Whether two people must have confirmed the side as it was shown to them.
    quality
        Limits by name, see `QUALITY_LIMITS`.
    optional
        Recommended only.
    source
        Where this one comes from; empty where the set's source is meant.
    """

    name: str
    views: tuple[str, ...]
    scope: str = "mouth"
    arch: str = ""
    sextants: tuple[str, ...] = ()
    quadrants: tuple[str, ...] = ()
    each: bool = False
    side: str = ""
    functional_state: tuple[str, ...] = ()
    magnification: tuple[str, ...] = ()
    teeth: str = ""
    taken_before: tuple[str, ...] = ()
    mirror: str = "either"
    frames: tuple[str, ...] = ()
    stage: str = ""
    count: int = 1
    before: int = 0
    after: int = 0
    covered_by: tuple[str, ...] = ()
    confirmed: bool = False
    confirmed_by: tuple[str, ...] = ()
    countersigned: bool = False
    quality: Mapping[str, float] = field(default_factory=dict)
    optional: bool = False
    source: str = ""


@dataclass(frozen=True)
class Applies:
    """To what a set applies.

    Parameters
    ----------
    to
        ``visits``: every day on which a patient was photographed; ``episodes``: every treatment
        of the list.
    treatments
        Words of which a treatment's kind holds one; empty for every treatment.
    descriptions
        Words of which the study's description holds one; empty for every visit.
    teeth
        ``any``, ``posterior`` or ``anterior``: which teeth a rule of teeth is about.
    """

    to: str = "visits"
    treatments: tuple[str, ...] = ()
    descriptions: tuple[str, ...] = ()
    teeth: str = "any"


@dataclass(frozen=True)
class Retention:
    """How long a record must be kept.

    Parameters
    ----------
    source, source_date
        Where the row comes from, and the day or year of that; what cannot be sourced is no rule.
    place
        Where it holds; empty for where the practice is.
    years
        After the last contact; None where only an age counts.
    until_age
        Of the patient in years; None where only years count. Where both are given the later
        end counts.
    from_age, below_age
        Age at the making of any part of the record for which the row is meant.
    counted_from
        ``contact``: years count from the last contact; ``making``: from the last part's making.
    lacking_capacity
        Whether the row is about patients who cannot decide for themselves alone.
    for_ever
        Whether it sets no end: until a person has decided.
    """

    name: str
    source: str
    source_date: str = ""
    place: str = ""
    years: int | None = None
    until_age: int | None = None
    from_age: int | None = None
    below_age: int | None = None
    counted_from: str = "contact"
    lacking_capacity: bool = False
    for_ever: bool = False

    @property
    def cited(self) -> str:
        """The source with place and date, as a report names it."""
        return ", ".join(one for one in (self.source, self.place, self.source_date) if one)


@dataclass(frozen=True)
class AuditLimits:
    """Limits of the checks that no single view asks for.

    Parameters
    ----------
    days_from_visit
        Between acquisition and study date.
    hours_of_visit
        Between first and last picture of a visit.
    consent
        Whether a picture without a word on consent is told.
    least_pixels
        Of the longer side, below which a picture is called small; 0 for no limit.
    outbox_hours, commitment_hours
        How long an item may wait to be sent, and to be taken charge of.
    """

    days_from_visit: int = 1
    hours_of_visit: int = 6
    consent: bool = False
    least_pixels: int = 0
    outbox_hours: int = 24
    commitment_hours: int = 72


@dataclass(frozen=True)
class RuleSet:
    """A named and versioned set of rules.

    Parameters
    ----------
    key
        What the file is called, without its ending.
    source
        Publication, or what else it comes from.
    standing
        One of `STANDINGS`.
    digest
        SHA-256 of the file.
    """

    key: str
    name: str
    version: str
    source: str
    standing: str
    applies: Applies = Applies()
    requirements: tuple[ViewRequirement, ...] = ()
    limits: AuditLimits | None = None
    retention: tuple[Retention, ...] = ()
    digest: str = ""

    @property
    def label(self) -> str:
        """Name and version."""
        return f"{self.name} {self.version}"


def strictest(sets: tuple[RuleSet, ...]) -> AuditLimits:
    """Return the limits that satisfy every set that gives any."""
    given = [one.limits for one in sets if one.limits is not None]
    if not given:
        return AuditLimits()
    return AuditLimits(
        min(one.days_from_visit for one in given),
        min(one.hours_of_visit for one in given),
        any(one.consent for one in given),
        max(one.least_pixels for one in given),
        min(one.outbox_hours for one in given),
        min(one.commitment_hours for one in given),
    )

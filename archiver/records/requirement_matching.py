"""Which pictures fulfil one requirement for one tooth, quadrant, arch or mouth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from archiver.records.picture_failures import KINDS, Asked, failure_words, failures
from archiver.records.pictures import RecordPicture, alike, shows_any
from archiver.records.requirement_targets import Target
from archiver.records.rules.rule_words import joined
from archiver.wording import Text

_MISSING = Text("records.match.missing")


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
    asked: Asked,
    pictures: Sequence[RecordPicture],
    near: Callable[[], Sequence[RecordPicture]] = tuple,
) -> Match:
    """Find the pictures that fulfil a requirement.

    Parameters
    ----------
    pictures
        Of the patient, in time.
    near
        Gives those of the patient out of time.
    """
    requirement, target = asked.requirement, asked.target
    views = frozenset(v for word in target.words(requirement.views) for v in alike(word))
    fitting: list[RecordPicture] = []
    failing: list[tuple[RecordPicture, tuple[str, ...]]] = []
    for picture in pictures:
        if _shows(picture, views, target):
            failed = tuple(failures(asked, picture))
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
        if id(p) not in taken and _shows(p, others, target) and not any(failures(asked, p))
    ]
    if len(fitting) + len(stand_in) >= requirement.count:
        by = joined(sorted({p.view for p in stand_in}), "and")
        return Match("substituted", (*fitting, *stand_in), by)
    if fitting:
        words = Text("records.match.too_few", count=len(fitting), wanted=requirement.count)
        return Match("missing", tuple(fitting), kind="view-too-few", words=words)
    failing += [(p, ("window",)) for p in near() if _is_late(asked, views, p)]
    return _nearest(asked, failing)


def _is_late(asked: Asked, views: frozenset[str], picture: RecordPicture) -> bool:
    """Whether only its day speaks against a picture."""
    stage = asked.requirement.stage
    told_other = bool(stage) and picture.stage not in ("", stage)
    whenever = Asked(asked.requirement, asked.target)
    return (
        not told_other
        and _shows(picture, views, asked.target)
        and not any(f != "stage" for f in failures(whenever, picture))
    )


def _shows(picture: RecordPicture, views: frozenset[str], target: Target) -> bool:
    return picture.view in views and (not target.teeth or shows_any(picture, target.isos))


def _nearest(asked: Asked, failing: Sequence[tuple[RecordPicture, tuple[str, ...]]]) -> Match:
    """Tell the one thing that speaks against the picture that comes nearest."""
    single = [(p, failed[0]) for p, failed in failing if len(failed) == 1 and failed[0] in KINDS]
    if not single:
        return Match("missing")
    order = list(KINDS)
    picture, failed = min(single, key=lambda one: order.index(one[1]))
    words = failure_words(asked, picture, failed)
    return Match("missing", (picture,), kind=KINDS[failed], words=words)

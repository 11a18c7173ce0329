"""What a comparison says in words, from the catalogue: doubts, figures, spans of time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from archiver.priors import wording

if TYPE_CHECKING:
    from archiver.web.labels import Label
    from archiver.web.pages.compare.alignment import Aligned
    from archiver.wording import Words

#: How urgent a doubt is: the colour of its notice.
BAD, ATTENTION = "bad", "attention"
#: Share of the newest picture from which an earlier one is said to show all of it.
_WHOLE = 0.995
#: Share of the teeth from which it is told that nothing could be followed there.
_HARDLY = 0.02


def doubts(one: Aligned, same: bool, t: Words) -> list[tuple[str, str]]:
    """Return (urgency, words) of what is to be doubted in a pair, the worst first.

    Parameters
    ----------
    same
        Whether both name the same tooth and view.
    """
    facts = one.facts
    found = []
    if one.way.contradicts:
        found.append((BAD, t(f"compare.{one.way.name.lower()}")))
    elif not facts["aligned"]:
        found.append((ATTENTION, t("compare.unaligned", reason=t(facts["reason"]))))
    elif facts["way"] == "undecided":
        found.append((ATTENTION, t("compare.undecided")))
    if facts.get("lost"):
        found.append((ATTENTION, t("compare.lost")))
    if not same:
        found.append((ATTENTION, t("compare.not_same")))
    return found


def figures(one: Aligned, t: Words, *, is_laid: bool = True) -> list[str]:
    """Return sentences with the figures of an alignment; none where there is none.

    Parameters
    ----------
    is_laid
        Whether the earlier picture is seen on the newest one, and grey where it does not reach.
    """
    facts = one.facts
    if not facts["aligned"]:
        return []
    lines = [
        t(
            "compare.aligned",
            residual=f"{facts['residual']:.1f}",
            what=t("compare.aligned_tooth" if facts["single"] else "compare.aligned_teeth"),
            width=facts["width"],
            places=facts["places"],
            turned=f"{facts['turned']:+.1f}".replace("-", "−"),
            scale=_scale(facts["enlarged"], t),
        )
    ]
    if facts["left_out"] > _HARDLY:
        lines.append(t("compare.unfollowed", share=f"{facts['left_out']:.0%}"))
    if is_laid and facts["covered"] < _WHOLE:
        lines.append(t("compare.uncovered"))
    if facts["lab"] is not None:
        then, now = (_lab(mean) for mean in facts["lab"])
        lines.append(t("compare.colour", then=then, now=now, difference=facts["difference"]))
    elif facts["not_compared"]:
        lines.append(t("compare.not_compared", why=tuple(facts["not_compared"])))
    return lines


def _scale(enlarged: float, t: Words) -> str:
    if abs(enlarged - 1) < 0.005:
        return t("compare.scale_same")
    key = "compare.scale_larger" if enlarged > 1 else "compare.scale_smaller"
    return t(key, percent=round(enlarged * 100))


def _lab(mean: list[float]) -> str:
    return " ".join(f"{letter} {value:.1f}" for letter, value in zip("Lab", mean, strict=True))


def before(earlier: str, newest: str, t: Words) -> str:
    """Say how long before the newest picture an earlier one was taken."""
    if earlier == newest:
        return t("compare.same_day") if earlier else ""
    span = wording.span(earlier, newest)
    return t("compare.before", span=span) if span else ""


def unconfirmed(labels: Sequence[Label], t: Words) -> list[str]:
    """Return the dates of the pictures whose side nobody has confirmed, the oldest first."""
    found = [one.date or t("picture.no_date") for one in labels if one.side == "unconfirmed"]
    return sorted(found)


def outcome_json(one: Aligned, same: bool, t: Words) -> dict[str, Any]:
    """Return all that the page needs of a pair, as values that JSON has."""
    return {**one.facts, "doubts": doubts(one, same, t), "figures": figures(one, t)}

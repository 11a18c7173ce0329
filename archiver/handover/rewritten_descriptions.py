"""Descriptions written anew from what the codes say, in place of those that persons wrote."""

from __future__ import annotations

from archiver.objects import Description, phrases

#: The descriptions that have words of ours.
ANEW = ("SeriesDescription", "ImageComments", "DerivationDescription")


def anew(keyword: str, told: Description) -> str:
    """Return a description in our own words; empty where there is nothing to say.

    Parameters
    ----------
    keyword
        Of the attribute, one of `ANEW`.
    told
        What the whole object says of itself.
    """
    if keyword == "SeriesDescription":
        derived = told.role == "derived"
        return phrases.SERIES_CORRECTED if derived else phrases.SERIES_AS_SHOT
    if keyword == "DerivationDescription":
        return told.turn.words if told.turn is not None else ""
    return comment(told)


def comment(told: Description) -> str:
    """Say what a picture shows, how it was taken, and whether its side is confirmed."""
    numbers = ", ".join(f"{t.iso} (Universal {t.universal})" for t in told.teeth)
    view = told.view.value if told.view else "view not told"
    return (
        "; ".join((numbers or "no teeth named", view, mirror_words(told), side_words(told))) + "."
    )


def mirror_words(told: Description) -> str:
    """Say how the picture came about: direct, or through a mirror and corrected or not."""
    return {
        "direct": "direct",
        "corrected": "through a mirror, corrected",
        "uncorrected": "through a mirror, NOT corrected",
    }.get(told.mirror or "", "mirror not told")


def side_words(told: Description) -> str:
    """Say whether a person has confirmed the side."""
    return "side confirmed" if told.confirmed else "side NOT confirmed"

"""Descriptions written anew from what the codes say, in place of those that persons wrote."""

from __future__ import annotations

from archiver.objects import BEFORE_CORRECTION, DESCRIPTIONS, UPRIGHT, Description, phrases

#: The descriptions that have words of ours.
ANEW = ("SeriesDescription", "ImageComments", "DerivationDescription")


def anew(keyword: str, description: Description) -> str:
    """Return a description in our own words; empty where there is nothing to say.

    Parameters
    ----------
    keyword
        Of the attribute, one of `ANEW`.
    description
        What the whole object says of itself.
    """
    if keyword == "SeriesDescription":
        if description.series_description in DESCRIPTIONS:
            return description.series_description
        return UPRIGHT if description.role == "derived" else BEFORE_CORRECTION
    if keyword == "DerivationDescription":
        return phrases.TURNED[description.turn] if description.turn is not None else ""
    return comment(description)


def comment(description: Description) -> str:
    """Say what a picture shows, how it was taken, and whether its side is confirmed."""
    numbers = ", ".join(f"{t.iso} (Universal {t.universal})" for t in description.teeth)
    view = description.view.value if description.view else "view not stated"
    parts = (numbers or "no teeth named", view, mirror_words(description), side_words(description))
    return "; ".join(parts) + "."


def mirror_words(description: Description) -> str:
    """Say how the picture came about: direct, or through a mirror and corrected or not."""
    return {
        "direct": "direct",
        "corrected": "through a mirror, corrected",
        "uncorrected": "through a mirror, NOT corrected",
    }.get(description.mirror or "", "mirror not stated")


def side_words(description: Description) -> str:
    """Say whether a person has confirmed the side."""
    return "side confirmed" if description.confirmed else "side NOT confirmed"

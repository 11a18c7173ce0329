"""What a comparison says in words, on the page, on the terminal and in JSON."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from archiver.colour import colours
from archiver.dentition import Tooth
from archiver.objects import Description
from archiver.priors.comparison import Compared, Comparison
from archiver.priors.difference import RegionColour
from archiver.priors.display_pixels import Shown
from archiver.vision import Model, Odds, Way

CAUTION = (
    "Aligned pictures can hide a change or feign one: look at the originals and at the residual. "
    "A picture never decides the side or the tooth of a treatment on its own: check patient, "
    "chart and radiograph. There is no scale in millimetres. " + colours.CAUTION
)
_ARTICLES = {
    Model.SIMILARITY: "a similarity",
    Model.AFFINE: "an affine transform",
    Model.HOMOGRAPHY: "a homography",
}
#: Share of the newest picture from which a prior is said to show all of it.
_WHOLE = 0.995
REVERSED = "Mirror-reversed: only the reflection of the prior fits."
TURNED = "Upside down or on its side: the prior fits only after it is turned."
LOST = (
    "The named tooth could not be told from the others that the picture shows: all were aligned, "
    "and no colour was measured. --region says where it is."
)
REVERSED_NEXT = (
    "One of the two pictures is the wrong way round. Compare both with the patient or the chart "
    "before anybody uses either."
)


def day(text: str) -> str:
    """Write a DICOM date as ISO 8601; ``no date`` where there is none."""
    if len(text) == 8 and text.isdigit():
        return f"{text[:4]}-{text[4:6]}-{text[6:]}"
    return text or "no date"


def span(earlier: str, later: str) -> str:
    """Say how long lies between two dates (DICOM or ISO 8601), such as ``2 years 1 month``."""
    try:
        one, other = (date.fromisoformat(day(text)) for text in (earlier, later))
    except ValueError:
        return ""
    if other < one:
        one, other = other, one
    months = (other.year - one.year) * 12 + other.month - one.month - (other.day < one.day)
    years, rest = divmod(months, 12)
    if not months:
        return _counted((other - one).days, "day")
    parts = [_counted(n, word) for n, word in ((years, "year"), (rest, "month")) if n]
    return " ".join(parts)


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def readable(name: str) -> str:
    """Write a person's name (PS3.5 6.2.1) as it is read: family, given; other spelling behind."""
    spelt = []
    for group in name.split("=")[:2]:
        family, *given = group.split("^")
        rest = " ".join(part for part in given[:2] if part)
        spelt.append(", ".join(part for part in (family, rest) if part))
    spelt = [one for one in spelt if one]
    return f"{spelt[0]} ({spelt[1]})" if len(spelt) == 2 else "".join(spelt)


def place(shown: Shown) -> str:
    """Say where a picture is kept: its file, or its identifier where it was only fetched."""
    return str(shown.path) if shown.path.exists() else shown.description.sop_instance_uid


def side(description: Description) -> tuple[str, bool]:
    """Say whether a person confirmed the side, and who."""
    if description.confirmed:
        return f"Side confirmed by {readable(description.confirmed_by)}", True
    return "Side unconfirmed", False


def teeth(several: Sequence[Tooth]) -> tuple[str, str]:
    """Return the teeth in ISO 3950 and in the Universal numbering."""
    return ", ".join(t.iso for t in several), ", ".join(t.universal for t in several)


def alignment(one: Compared, newest: Shown) -> str:
    """Say how a prior was aligned, or why it was not."""
    found = one.alignment
    if found is None:
        if one.checked.way.contradicts:
            words = REVERSED if one.checked.way is Way.REVERSED else TURNED
            return f"{words} {REVERSED_NEXT}"
        return f"Not aligned, shown as they are: {getattr(one.checked.outcome, 'reason', '')}."
    same = one.checked.way is Way.SAME
    doubt = "" if same else " Too little agrees to tell which way round it is: look closely."
    return (
        f"Aligned to {found.residual:.1f} pixels (root mean square of held-out places on "
        f"{'the tooth' if one.single else 'the teeth'}, of {newest.size[0]} pixels of width) by "
        f"{_ARTICLES[found.model]} from {found.places} places; the prior was turned by "
        f"{found.turn:+.1f}° and {_enlarged(found.size)}.{doubt}"
    )


def _enlarged(size: float) -> str:
    if abs(size - 1) < 0.005:
        return "is at the same scale"
    return f"{'enlarged' if size > 1 else 'reduced'} to {size:.0%}"


def prior(one: Compared) -> str:
    """Say what the prior is, and what of the newest picture it does not show."""
    parts = [f"The prior: {one.relation}."] if one.relation else []
    if one.lost:
        parts.append(LOST)
    if one.laid is not None and float(one.laid.covered.mean()) < _WHOLE:
        parts.append("Grey: where the prior does not reach.")
    return " ".join(parts)


def colour(one: RegionColour | None, newest: Shown, prior: Shown, light: str) -> str:
    """Say how the colour of the region differs."""
    if one is None:
        return ""
    then, now = (
        " ".join(f"{letter} {value:.1f}" for letter, value in zip("Lab", mean, strict=True))
        for mean in (one.prior, one.newest)
    )
    where = "the region" if one.chosen else "what is outlined"
    spaces = sorted({newest.space.stated, prior.space.stated})
    parts = [
        f"Mean colour of {where} (CIE L*a*b*, {colours.White.D65.value}): {then} then, "
        f"{now} now, CIEDE2000 {one.difference:.1f}",
        f"colours: {' and '.join(spaces)}",
        *([light] if light else []),
    ]
    return f"{'; '.join(parts)}. Marked on the scale: {colours.THRESHOLDS_NOTE}."


def as_json(comparison: Comparison) -> dict[str, Any]:
    """Return all figures of a comparison as values that JSON has."""
    newest = comparison.newest
    return {
        "newest": _picture(newest),
        "priors": [_prior(one, newest) for one in comparison.priors],
        "thresholds": {
            "perceptible": colours.PERCEPTIBLE,
            "acceptable": colours.ACCEPTABLE,
            "note": colours.THRESHOLDS_NOTE,
        },
        "caution": CAUTION,
    }


def _picture(shown: Shown) -> dict[str, Any]:
    d = shown.description
    return {
        "sop_instance_uid": d.sop_instance_uid,
        "path": str(shown.path) if shown.path.exists() else None,
        "patient_id": d.patient_id,
        "date": day(d.study_date),
        "teeth_iso": [t.iso for t in d.teeth],
        "teeth_universal": [t.universal for t in d.teeth],
        "view": d.view.value if d.view else None,
        "mirror": d.mirror,
        "confirmed": d.confirmed,
        "orientation_displayed": str(shown.edges) if shown.edges else None,
        "turn": shown.turn.value,
        "columns": shown.size[0],
        "rows": shown.size[1],
        "colours": shown.space.stated,
        "colours_characterised": shown.space.characterised,
    }


def _prior(one: Compared, newest: Shown) -> dict[str, Any]:
    found = one.alignment
    aligned = None
    if found is not None:
        aligned = {
            "model": found.model.value,
            "matrix": [[float(v) for v in row] for row in found.matrix],
            "residual_pixels": round(found.residual, 3),
            "held_out_places": found.places,
            "places_followed": round(found.share, 3),
            "enlarged": round(found.size, 4),
            "turned_degrees": round(found.turn, 2),
        }
    return {
        **_picture(one.shown),
        "relation": one.relation,
        "span": span(one.shown.description.study_date, newest.description.study_date),
        "way": one.checked.way.value,
        "features": one.checked.features,
        "features_reflected": one.checked.features_reflected,
        "features_turned": one.checked.features_turned,
        "probabilities": _odds(one.checked.odds),
        "alignment": aligned,
        "refusal": None if found else str(getattr(one.checked.outcome, "reason", "")) or None,
        "colour": None if one.colour is None else _colour(one.colour),
        "light": one.light or None,
        "tooth_found": None if found is None else not one.lost,
    }


def _odds(odds: Odds | None) -> dict[str, float] | None:
    if odds is None:
        return None
    names = ("same", "turned", "reversed_", "other")
    return {name.rstrip("_"): round(getattr(odds, name), 4) for name in names}


def _colour(one: RegionColour) -> dict[str, Any]:
    def three(mean: tuple[float, float, float]) -> list[float]:
        return [round(v, 2) for v in mean]

    return {
        "lab_d65_newest": three(one.newest),
        "lab_d65_prior": three(one.prior),
        "lab_d50_newest": three(one.newest_d50),
        "lab_d50_prior": three(one.prior_d50),
        "ciede2000": round(one.difference, 3),
        "pixels": one.pixels,
    }

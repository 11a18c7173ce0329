"""What a comparison says in words, on the page, on the terminal and in JSON."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from archiver.colour import apart_words, colours, uncertainty
from archiver.dentition import Tooth
from archiver.objects import Description
from archiver.priors.comparison import Compared, Comparison
from archiver.priors.difference import RegionColour
from archiver.priors.display_pixels import Shown
from archiver.vision import Odds, Way
from archiver.wording import Text, words_of

#: Share of the newest picture from which a prior is said to show all of it.
_WHOLE = 0.995
#: Share of the teeth from which it is told that nothing could be followed there.
_HARDLY = 0.02
_THRESHOLDS = Text("priors.wording.thresholds")


def caution() -> str:
    """Return what has to be said beside every comparison."""
    return words_of()("priors.wording.caution")


def day(text: str) -> str:
    """Write a DICOM date as ISO 8601; ``no date`` where there is none."""
    if len(text) == 8 and text.isdigit():
        return f"{text[:4]}-{text[4:6]}-{text[6:]}"
    return text or words_of()("priors.wording.no_date")


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
        return words_of()("priors.wording.days", n=(other - one).days)
    counted = {"years": years, "months": rest}
    return " ".join(words_of()(f"priors.wording.{of}", n=n) for of, n in counted.items() if n)


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
        by = readable(description.confirmed_by)
        return words_of()("priors.wording.side_confirmed", by=by), True
    return words_of()("priors.wording.side_unconfirmed"), False


def teeth(several: Sequence[Tooth]) -> tuple[str, str]:
    """Return the teeth in ISO 3950 and in the Universal numbering."""
    return ", ".join(t.iso for t in several), ", ".join(t.universal for t in several)


def alignment(one: Compared, newest: Shown) -> str:
    """Say how a prior was aligned, or why it was not."""
    found, words = one.alignment, words_of()
    if found is None:
        if one.checked.way.contradicts:
            reversed_ = one.checked.way is Way.REVERSED
            return words(f"priors.wording.{'reversed' if reversed_ else 'turned'}")
        reason = getattr(one.checked.outcome, "reason", "")
        return words("priors.wording.not_aligned", reason=reason)
    key = "aligned" if one.checked.way is Way.SAME else "aligned_doubtful"
    return words(
        f"priors.wording.{key}",
        residual=f"{found.residual:.1f}",
        where=_where(one),
        width=newest.size[0],
        model=Text(f"priors.wording.model.{found.model.value}"),
        places=found.places,
        turn=f"{found.turn:+.1f}",
        scale=_enlarged(found.size),
    )


def _where(one: Compared) -> Text:
    """Say on what it was aligned; which tooth stands in the middle no pixel tells."""
    key = "teeth" if not one.single else "tooth" if one.pointed_at else "middle"
    return Text(f"priors.wording.{key}")


def _enlarged(size: float) -> Text:
    if abs(size - 1) < 0.005:
        return Text("priors.wording.same_scale")
    return Text(f"priors.wording.{'enlarged' if size > 1 else 'reduced'}", size=f"{size:.0%}")


def prior(one: Compared) -> str:
    """Say what the prior is, and what of the newest picture it does not show."""
    words = words_of()
    parts = [words("priors.wording.prior", relation=one.relation)] if one.relation else []
    if one.lost:
        parts.append(words("priors.wording.lost"))
    found = one.alignment
    if found is not None and found.left_out > _HARDLY:
        parts.append(words("priors.wording.unfollowed", share=f"{found.left_out:.0%}"))
    if one.laid is not None and float(one.laid.covered.mean()) < _WHOLE:
        parts.append(words("priors.wording.grey"))
    return " ".join(parts)


def colour(compared: Compared, newest: Shown) -> str:
    """Say how the colour of the region differs, or why that is not told."""
    one, prior, light = compared.colour, compared.shown, compared.light
    if one is None:
        why = compared.not_compared
        return words_of()("priors.wording.not_compared", why=why) if why else ""
    then, now = (
        " ".join(f"{letter} {value:.1f}" for letter, value in zip("Lab", mean, strict=True))
        for mean in (one.prior, one.newest)
    )
    mean = Text(
        "priors.wording.mean",
        where=Text("priors.comparison.region" if one.chosen else "priors.wording.outlined"),
        white=colours.White.D65.value,
        then=then,
        now=now,
        difference=apart_words(one.difference, uncertainty(newest.basis, prior.basis)),
    )
    spaces = sorted({newest.space.stated, prior.space.stated})
    facts = (mean, Text("priors.wording.spaces", spaces=spaces), *light)
    return words_of()("priors.wording.colour", facts=facts)


def as_json(comparison: Comparison) -> dict[str, Any]:
    """Return all figures of a comparison as values that JSON has."""
    newest = comparison.newest
    return {
        "newest": _picture(newest),
        "priors": [_prior(one, newest) for one in comparison.priors],
        "thresholds": {
            "perceptible": colours.PERCEPTIBLE,
            "acceptable": colours.ACCEPTABLE,
            "note": str(_THRESHOLDS),
        },
        "caution": caution(),
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
            "teeth_left_out": round(found.left_out, 3),
            "enlarged": round(found.size, 4),
            "turned_degrees": round(found.turn, 2),
        }
    return {
        **_picture(one.shown),
        "relation": str(one.relation),
        "span": span(one.shown.description.study_date, newest.description.study_date),
        "way": one.checked.way.value,
        "features": one.checked.features,
        "features_reflected": one.checked.features_reflected,
        "features_turned": one.checked.features_turned,
        "probabilities": _odds(one.checked.odds),
        "alignment": aligned,
        "refusal": None if found else str(getattr(one.checked.outcome, "reason", "")) or None,
        "colour": None if one.colour is None else _colour(one.colour, one, newest),
        "colour_not_compared": [str(why) for why in one.not_compared] or None,
        "light": "; ".join(map(str, one.light)) or None,
        "tooth_found": None if found is None else not one.lost,
        "tooth_pointed_at": one.pointed_at,
    }


def _odds(odds: Odds | None) -> dict[str, float] | None:
    if odds is None:
        return None
    names = ("same", "turned", "reversed_", "other")
    return {name.rstrip("_"): round(getattr(odds, name), 4) for name in names}


def _colour(one: RegionColour, of: Compared, newest: Shown) -> dict[str, Any]:
    def three(mean: tuple[float, float, float]) -> list[float]:
        return [round(v, 2) for v in mean]

    return {
        "lab_d65_newest": three(one.newest),
        "lab_d65_prior": three(one.prior),
        "lab_d50_newest": three(one.newest_d50),
        "lab_d50_prior": three(one.prior_d50),
        "ciede2000": round(one.difference, 3),
        "uncertain_by": uncertainty(newest.basis, of.shown.basis),
        "pixels": one.pixels,
    }

"""A corrected picture whose colours come by a profile that was made from another frame.

The profile is in ICC Profile (0028,2000); the pixels are untouched. From which frame it was made
stands in Referenced Image (0008,1140) with the purpose "Quality control material image" (PS3.3
C.12.4, CID 7201), not in Source Image, which says where pixels come from; how far it can be
trusted in a Comment of Acquisition Context (C.7.6.14), which is read back.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pydicom import Dataset
from pydicom.sequence import Sequence

from archiver.objects import concepts, modules
from archiver.objects.attribute_values import items, octets, text
from archiver.objects.coded_meaning import comments

_STEP = "; colours by the ICC profile of {what}"
#: What a profile was made from, and what its figures are.
_KINDS = {
    "24-patch colour chart": "CIEDE2000 left on patches held out",
    "grey card": "CIEDE2000 not measured, with simulated cameras",
}
_WORDS = {
    kind: re.compile(rf"from a {kind}, {figures}: median (\d+\.\d+), 95th percentile (\d+\.\d+)")
    for kind, figures in _KINDS.items()
}
CHART, CARD = _KINDS


@dataclass(frozen=True)
class Calibration:
    """A profile made from a colour chart or a grey card.

    Parameters
    ----------
    profile
        The ICC input profile.
    median, upper
        CIEDE2000, median and 95th percentile: of a chart what was left on patches held out, of a
        grey card what trials gave, since it leaves nothing to be held out.
    series, instance
        Of the frame that shows it, as shot; empty where it is of no use here.
    """

    profile: bytes = field(repr=False)
    median: float
    upper: float
    series: str = ""
    instance: str = ""
    kind: str = CHART


def set_calibration(ds: Dataset, found: Calibration) -> None:
    """Give a corrected picture a profile, and say where it comes from; again does no harm."""
    ds.ICCProfile = found.profile
    ds.pop("ColorSpace", None)
    start = f"{concepts.COLOUR_PROFILE}: "
    context = [
        item
        for item in items(ds, "AcquisitionContextSequence")
        if not text(item, "TextValue").startswith(start)
    ]
    words = (
        f"from a {found.kind}, {_KINDS[found.kind]}: "
        f"median {found.median:.2f}, 95th percentile {found.upper:.2f}"
    )
    context.append(modules.comment_item(concepts.COLOUR_PROFILE, words))
    ds.AcquisitionContextSequence = Sequence(context)
    done = text(ds, "DerivationDescription")
    step = _STEP.format(what=f"a {found.kind}")
    ds.DerivationDescription = done if done.endswith(step) else done + step
    ds.pop("ReferencedImageSequence", None)
    if found.instance:
        _set_reference(ds, found)


def _set_reference(ds: Dataset, found: Calibration) -> None:
    frame = _instance(found.instance)
    frame.PurposeOfReferenceCodeSequence = modules.code_sequence(concepts.QUALITY_CONTROL_MATERIAL)
    ds.ReferencedImageSequence = Sequence([frame])
    listed = list(items(ds, "ReferencedSeriesSequence"))
    series = next((one for one in listed if one.SeriesInstanceUID == found.series), None)
    if series is None:
        series = Dataset()
        series.SeriesInstanceUID = found.series
        series.ReferencedInstanceSequence = Sequence([])
        listed.append(series)
    there = [text(one, "ReferencedSOPInstanceUID") for one in series.ReferencedInstanceSequence]
    if found.instance not in there:
        series.ReferencedInstanceSequence.append(_instance(found.instance))
    ds.ReferencedSeriesSequence = Sequence(listed)


def _instance(uid: str) -> Dataset:
    one = Dataset()
    one.ReferencedSOPClassUID = concepts.VL_PHOTOGRAPHIC_IMAGE
    one.ReferencedSOPInstanceUID = uid
    return one


def says_calibration(words: str) -> bool:
    """Return whether a Comment is the sentence that `set_calibration` writes, and nothing more."""
    start, _, rest = words.partition(": ")
    return start == concepts.COLOUR_PROFILE and _parse_calibration(rest) is not None


def _parse_calibration(words: str) -> tuple[str, re.Match[str]] | None:
    found = ((kind, form.fullmatch(words)) for kind, form in _WORDS.items())
    return next(((kind, match) for kind, match in found if match), None)


def calibration_of(ds: Dataset) -> Calibration | None:
    """Read what `set_calibration` wrote; None where colours come by neither chart nor card."""
    told = _parse_calibration(comments(ds).get(concepts.COLOUR_PROFILE, ""))
    profile = octets(ds, "ICCProfile")
    if told is None or not profile:
        return None
    frames = [text(one, "ReferencedSOPInstanceUID") for one in items(ds, "ReferencedImageSequence")]
    instance = frames[0] if frames else ""
    series = next(
        (
            text(one, "SeriesInstanceUID")
            for one in items(ds, "ReferencedSeriesSequence")
            for listed in items(one, "ReferencedInstanceSequence")
            if text(listed, "ReferencedSOPInstanceUID") == instance
        ),
        "",
    )
    kind, match = told
    figures = float(match[1]), float(match[2])
    return Calibration(profile, *figures, series, instance if series else "", kind)

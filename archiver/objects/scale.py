"""How large a picture is: from a length that is known, in the plane of the tooth, seen directly.

A person draws from one end of it to the other. The VL Image module has Pixel Spacing (0028,0030)
as type 3 (PS3.3 C.8.12.1), but not the macro with Pixel Spacing Calibration Type and Description
(10.7.1.3, Basic Pixel Spacing Calibration). What it was measured by is therefore the item
"Measuring ruler" (CID 4072) of Device Sequence with Inter-Marker Distance (C.7.6.12), and how sure
it is stands in a Comment of Acquisition Context, which is read back.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from pydicom import Dataset
from pydicom.sequence import Sequence

from archiver.dentition import codes
from archiver.objects import concepts, modules
from archiver.objects.attribute_values import items, text
from archiver.objects.coded_meaning import comments
from archiver.objects.session import Circumstances

#: An end is pointed at within this share of the picture's longer side: two pixels of a screen that
#: shows it a thousand wide.
_POINTING = 0.002
#: What lies 2 mm before or behind the tooth is 0.7 % larger or smaller at 300 mm, and 1.2 % at 170
#: (a thin lens of 100 or 57 mm at 1:2); tilted by 10 degrees it is 1.5 % shorter. Both together.
_PLANE = 0.02
_LENGTH = re.compile(r"(\d+(?:\.\d+)?) mm ± (\d+(?:\.\d+)?) mm")
_WORDS = re.compile(
    r"(\d+\.\d+) mm a pixel ± (\d+\.\d) %, by (\d+(?:\.\d+)?) mm ± (\d+(?:\.\d+)?) mm "
    r"in the plane of the tooth"
)


@dataclass(frozen=True)
class Scale:
    """A scale.

    Parameters
    ----------
    spacing
        Millimetres a pixel, in the plane of the tooth.
    uncertain_by
        In per cent; within so much it is in 19 of 20.
    length, within
        Of what it was measured by, and how well that is known, in millimetres.
    """

    spacing: float
    uncertain_by: float
    length: float
    within: float


def scale_by(how: Circumstances, longer_side: int) -> Scale | None:
    """Return the scale that follows from what was drawn; None where nothing was.

    Parameters
    ----------
    longer_side
        Of the whole picture, in pixels.
    """
    region, said = how.scale_region, _LENGTH.fullmatch(how.scale_length)
    if region is None or said is None:
        return None
    length, within = float(said[1]), float(said[2])
    pixels = math.hypot(region.width, region.height)
    pointing = math.sqrt(2) * max(1.0, _POINTING * longer_side) / pixels
    parts = (pointing, within / length, _PLANE)
    return Scale(length / pixels, 100 * math.hypot(*parts), length, within)


def set_scale(ds: Dataset, scale: Scale | None) -> None:
    """Say how large the picture is, or no more; again does no harm."""
    start = f"{concepts.SCALE}: "
    context = [
        item
        for item in items(ds, "AcquisitionContextSequence")
        if not text(item, "TextValue").startswith(start)
    ]
    ds.pop("PixelSpacing", None)
    devices = [one for one in items(ds, "DeviceSequence") if "InterMarkerDistance" not in one]
    if scale is not None:
        words = (
            f"{scale.spacing:.5f} mm a pixel ± {scale.uncertain_by:.1f} %, "
            f"by {scale.length:g} mm ± {scale.within:g} mm in the plane of the tooth"
        )
        context.append(modules.comment_item(concepts.SCALE, words))
        ds.PixelSpacing = [f"{scale.spacing:.5f}"] * 2
        ruler = modules.code_item(codes.RULER_DEVICE)
        ruler.InterMarkerDistance = f"{scale.length:g}"
        devices.append(ruler)
    if context or "AcquisitionContextSequence" in ds:
        ds.AcquisitionContextSequence = Sequence(context)
    ds.pop("DeviceSequence", None)
    if devices:
        ds.DeviceSequence = Sequence(devices)


def says_scale(words: str) -> bool:
    """Return whether a Comment is the sentence that `set_scale` writes, and nothing more."""
    start, _, rest = words.partition(": ")
    return start == concepts.SCALE and _WORDS.fullmatch(rest) is not None


def scale_of(ds: Dataset) -> Scale | None:
    """Read what `set_scale` wrote; None where there is no scale."""
    found = _WORDS.fullmatch(comments(ds).get(concepts.SCALE, ""))
    if found is None or float(found[1]) <= 0:
        return None
    return Scale(*map(float, found.groups()))

"""From stored pixels to what a screen shows: PS3.3 C.11.1 (modality), C.11.2 (VOI), C.7.6.3.1.2.

pydicom applies tables and windows. It is handed plain ones: an output range of 0 to 255 in place of
one that it derives from the rescaling (where a negative slope would turn it round), and tables of
16 bits, since in those of 8 it counts entries in 8 bits too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from pydicom import Dataset
from pydicom.pixels.processing import (
    apply_color_lut,
    apply_rescale,
    apply_voi,
    apply_windowing,
)
from pydicom.pixels.utils import pixel_array

#: How a request names the functions of PS3.3 C.11.2.1.3 (PS3.18 8.3.5.1.4).
FUNCTIONS = {"linear": "LINEAR", "linear-exact": "LINEAR_EXACT", "sigmoid": "SIGMOID"}
#: Of functional groups, what stands in place of the attributes of the object (PS3.3 C.7.6.16.2).
_GROUPS = ("PixelValueTransformationSequence", "FrameVOILUTSequence")


@dataclass(frozen=True)
class Window:
    """A window on grey values.

    Parameters
    ----------
    center, width
        In values behind the modality transformation.
    function
        VOI LUT Function.
    """

    center: float
    width: float
    function: str = "LINEAR"

    @property
    def is_one(self) -> bool:
        """Whether it can be applied (PS3.3 C.11.2.1.2)."""
        finite = np.isfinite(self.center) and np.isfinite(self.width)
        least = self.width >= 1 if self.function == "LINEAR" else self.width > 0
        return bool(finite and least and self.function in FUNCTIONS.values())


def shown_values(frame: Dataset, window: Window | None = None) -> np.ndarray:
    """Return what is shown of a frame.

    Parameters
    ----------
    frame
        Decoded, with all that says how its pixels are to be read.
    window
        In place of what the object says; grey pictures have one.

    Returns
    -------
    numpy.ndarray
        uint8, rows x columns for grey, rows x columns x 3 for colour.
    """
    for keyword in _GROUPS:
        for item in frame.get(keyword) or ():
            frame.update(item)
    pixels = pixel_array(frame)
    kind = str(frame.PhotometricInterpretation)
    if kind == "PALETTE COLOR":
        colours = apply_color_lut(pixels, frame)[..., :3]
        return (colours >> 8 if colours.dtype.itemsize > 1 else colours).astype(np.uint8)
    if int(frame.SamplesPerPixel) >= 3:
        excess = max(0, int(frame.BitsStored) - 8)
        return np.ascontiguousarray((pixels >> excess)[..., :3].astype(np.uint8))
    shown = _grey(frame, pixels, window)
    # Both say one thing (PS3.3 C.8.11.3.1.2): the least value is shown white.
    is_inverse = kind == "MONOCHROME1" or frame.get("PresentationLUTShape") == "INVERSE"
    return 255 - shown if is_inverse else shown


def _grey(frame: Dataset, pixels: np.ndarray, window: Window | None) -> np.ndarray:
    if frame.get("ModalityLUTSequence"):
        values, *limits = _by_table(frame.ModalityLUTSequence[0], pixels)
    else:
        values, limits = apply_rescale(pixels, frame), [*_range(frame)]
    if window is None and frame.get("VOILUTSequence"):
        return _scaled(*_by_table(frame.VOILUTSequence[0], values))
    window = window or _own_window(frame)
    if window is None:
        return _scaled(values, *limits)
    plain = Dataset()
    plain.PhotometricInterpretation, plain.PixelRepresentation, plain.BitsStored = (
        "MONOCHROME2",
        0,
        8,
    )
    plain.WindowCenter, plain.WindowWidth = window.center, window.width
    plain.VOILUTFunction = window.function
    return np.asarray(np.rint(apply_windowing(values, plain))).astype(np.uint8)


def _own_window(frame: Dataset) -> Window | None:
    """Return the first window of an object; None where it has none that can be applied."""
    try:
        center, width = (
            float(np.atleast_1d(frame[keyword].value)[0])
            for keyword in ("WindowCenter", "WindowWidth")
        )
    except (KeyError, IndexError, TypeError, ValueError):
        return None
    window = Window(center, width, str(frame.get("VOILUTFunction") or "LINEAR").upper())
    return window if window.is_one else None


def _by_table(item: Dataset, values: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Return values behind a LUT of modality or VOI, and the range of that table."""
    entries, first, bits = (int(one) for one in item.LUTDescriptor)
    entries = entries or 1 << 16
    table = Dataset()
    table.LUTDescriptor = [entries % (1 << 16), 0, 16]
    data: Any = item.LUTData
    if isinstance(data, bytes):
        octets = np.frombuffer(data, np.uint8)
        packed = len(octets) < 2 * entries
        data = (octets if packed else octets.view("<u2")).tolist()
    table.add_new(0x00283006, "US", list(data)[:entries])
    plain = Dataset()
    plain.VOILUTSequence = [table]
    places = np.clip(np.rint(values) - first, 0, entries - 1).astype(np.int64)
    return np.asarray(apply_voi(places, plain)), 0.0, float((1 << bits) - 1)


def _range(frame: Dataset) -> tuple[float, float]:
    """Return the least and the greatest value that there can be behind the rescaling."""
    bits = int(frame.BitsStored)
    low, high = (0, (1 << bits) - 1)
    if int(frame.PixelRepresentation):
        low, high = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    slope = float(frame.get("RescaleSlope", 1) or 1)
    intercept = float(frame.get("RescaleIntercept", 0) or 0)
    ends = sorted((low * slope + intercept, high * slope + intercept))
    return ends[0], ends[1]


def _scaled(values: np.ndarray, low: float, high: float) -> np.ndarray:
    grey = (values.astype(np.float64) - low) / max(high - low, 1e-9) * 255
    return np.rint(np.clip(grey, 0, 255)).astype(np.uint8)

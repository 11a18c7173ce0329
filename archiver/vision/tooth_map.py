"""What each place of a picture shows: tooth, gum, lip, tongue, what people put there, or nothing.

A small convolutional network (`model/README.md` tells what it was trained on and how it does)
gives each place a probability for each of seven parts. It is evaluated by numpy alone: 429,000
numbers, 30 milliseconds a look. Three looks of several sizes, one of them reflected, are
averaged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from archiver.vision.one_core import one_core
from archiver.vision.opencv import cv2
from archiver.vision.stored_model import stored_model

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Longer sides in pixels at which the picture is looked at.
_SIDES = (256, 320, 416)
#: The network halves a picture so often; sides are whole multiples of this.
_LEVELS, _WHOLE = 5, 32
_EVEN = 1e-3
#: Shares of the picture, and of the largest part of teeth, below which a spot is no tooth.
_SPOT, _BESIDE = 0.002, 0.02
#: Probability in the surest tenth of a part of teeth, as a share of that of the surest part, below
#: which it is something bright: a palate in the flash had up to 0.83, teeth 0.97 on.
_CERTAIN = 0.9
#: And below which it is none whatever else there is: an even grey had up to 0.72, teeth in a fog of
#: 65 % 0.82 on.
_LEAST = 0.75
#: Pixels round a part of teeth that are looked at, and their share of what people put there from
#: which it is a gleam on a glove.
_RING, _FOREIGN = 9, 0.5
#: Light of every channel from which a corner is paper that a picture was copied with, and the share
#: of the picture that such paper has at most.
_PAPER, _MOST_PAPER = 245, 0.1


class Part(IntEnum):
    """What a place shows."""

    TOOTH = 0
    GUM = 1
    LIP = 2
    TONGUE = 3
    FOREIGN = 4
    INSTRUMENT = 5
    VOID = 6


@dataclass(frozen=True)
class ToothMap:
    """What each place of a picture shows.

    Parameters
    ----------
    probable
        float32, shape (rows, columns, 7): probability of each `Part`; gum with all mucosa, lip
        with skin, foreign being gloves, retractors, mirrors' rims and paper, void what is dark or
        beyond the picture.
    teeth
        bool, shape (rows, columns): where teeth are, gleams and holes cleared up.
    """

    probable: Floats
    teeth: Mask

    @property
    def parts(self) -> NDArray[np.uint8]:
        """The likeliest part of each place."""
        return np.asarray(self.probable.argmax(axis=2), np.uint8)


def tooth_map(pixels: Pixels) -> ToothMap:
    """Tell what each place of a picture shows.

    Parameters
    ----------
    pixels
        uint8 sRGB, shape (rows, columns, 3), of any size and any turn.
    """
    looks = []
    for number, side in enumerate(_SIDES):
        if number % 2:
            flipped = np.ascontiguousarray(pixels[:, ::-1])
            looks.append(_look(flipped, side)[:, ::-1])
        else:
            looks.append(_look(pixels, side))
    largest = max(looks, key=lambda one: one.shape[0])
    size = largest.shape[1::-1]
    same = [cv2.resize(one, size, interpolation=cv2.INTER_LINEAR) for one in looks]
    mean = np.mean(same, axis=0, dtype=np.float32)
    probable = cv2.resize(mean, pixels.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return _map(probable, pixels)


def glance(pixels: Pixels) -> ToothMap:
    """Look once, at the middle size: for figures of regions, for which an exact edge is no matter.

    Parameters
    ----------
    pixels
        As for `tooth_map`.

    Returns
    -------
    ToothMap
        Of the size at which the network answers, about 160 places long.
    """
    return _map(_look(pixels, _SIDES[1]), pixels)


def _map(probable: Floats, pixels: Pixels) -> ToothMap:
    probable[_paper(pixels, probable.shape)] = np.eye(len(Part), dtype=np.float32)[Part.VOID]
    return ToothMap(probable, _cleared(probable))


def _paper(pixels: Pixels, shape: tuple[int, ...]) -> Mask:
    """White from a corner on: what lies beyond a picture that was copied askew is no tooth."""
    small = cv2.resize(pixels, shape[1::-1], interpolation=cv2.INTER_AREA)
    corners = [(y, x) for y in (0, -1) for x in (0, -1) if small[y, x].min() >= _PAPER]
    if not corners:
        return np.zeros(shape[:2], bool)
    white = small.min(axis=2) >= _PAPER
    _, label, figures, _ = cv2.connectedComponentsWithStats(white.astype(np.uint8))
    parts = {int(label[corner]) for corner in corners}
    few = [n for n in parts if figures[n, cv2.CC_STAT_AREA] < _MOST_PAPER * white.size]
    rim = np.ones((3, 3), np.uint8)
    return np.asarray(cv2.dilate(np.isin(label, few).astype(np.uint8), rim) > 0)


def _look(pixels: Pixels, side: int) -> Floats:
    scale = side / max(pixels.shape[:2])
    rows, columns = (
        max(_WHOLE, round(length * scale / _WHOLE) * _WHOLE) for length in pixels.shape[:2]
    )
    small = cv2.resize(pixels, (columns, rows), interpolation=cv2.INTER_AREA)
    with one_core():
        return evaluated(stored_model("tooth_map"), small.astype(np.float32) / 255 - 0.5)


def evaluated(weights: Mapping[str, Floats], picture: Floats) -> Floats:
    """Evaluate the network, a U of five levels.

    Parameters
    ----------
    weights
        Of each convolution ``w`` (3, 3, in, out), ``b`` and the gain ``g`` (out,); of each step up
        ``p`` (1, 1, in, out).
    picture
        Shape (rows, columns, 3), from -0.5 to 0.5; sides multiples of 32.

    Returns
    -------
    ndarray
        Probabilities, shape (rows / 2, columns / 2, parts).
    """
    rows, columns = picture.shape[0] // 2, picture.shape[1] // 2
    value = picture.reshape(rows, 2, columns, 2, 3).transpose(0, 2, 1, 3, 4)
    value = value.reshape(rows, columns, 12)
    down = []
    for level in range(_LEVELS):
        value = _unit(weights, f"d{level}a", value)
        if level > 0:
            value = _unit(weights, f"d{level}b", value)
        down.append(value)
        if level < _LEVELS - 1:
            high, wide, depth = value.shape
            value = value.reshape(high // 2, 2, wide // 2, 2, depth).mean(axis=(1, 3))
    for level in range(_LEVELS - 2, -1, -1):
        value = value @ weights[f"u{level}p"][0, 0]
        value = value.repeat(2, axis=0).repeat(2, axis=1)
        value = _unit(weights, f"u{level}a", value + down[level])
    score = value @ weights["ow"][0, 0] + weights["ob"]
    odds = np.exp(score - score.max(axis=2, keepdims=True))
    return np.asarray(odds / odds.sum(axis=2, keepdims=True), np.float32)


def _unit(weights: Mapping[str, Floats], name: str, value: Floats) -> Floats:
    """Convolve, scale each place to unit strength, and cut off what is negative."""
    rows, columns, depth = value.shape
    framed = np.pad(value, ((1, 1), (1, 1), (0, 0)))
    kernel = weights[name + "w"]
    made = np.zeros((rows * columns, kernel.shape[3]), np.float32)
    for i in range(3):
        for j in range(3):
            part = framed[i : i + rows, j : j + columns].reshape(-1, depth)
            made += part @ kernel[i, j]
    made += weights[name + "b"]
    made *= weights[name + "g"] / np.sqrt((made * made).mean(axis=1, keepdims=True) + _EVEN)
    return np.maximum(made, 0, out=made).reshape(rows, columns, -1)


def _cleared(probable: Floats) -> Mask:
    """Return the teeth without gleams on gloves and specks, holes of fillings filled."""
    found = (probable[..., Part.TOOTH] > 0.5).astype(np.uint8)
    parts = probable.argmax(axis=2)
    count, label, figures, _ = cv2.connectedComponentsWithStats(found)
    least = max(_SPOT * found.size, _BESIDE * max(figures[1:, cv2.CC_STAT_AREA], default=0))
    large = [n for n in range(1, count) if figures[n, cv2.CC_STAT_AREA] >= least]
    sure = {n: float(np.percentile(probable[..., Part.TOOTH][label == n], 90)) for n in large}
    teeth = np.zeros_like(found)
    for one in large:
        certain = sure[one] > max(_CERTAIN * max(sure.values()), _LEAST)
        if certain and not _on_glove(label == one, parts):
            teeth[label == one] = 1
    count, label, figures, _ = cv2.connectedComponentsWithStats(1 - teeth)
    for one in range(1, count):
        if figures[one, cv2.CC_STAT_AREA] < _SPOT * found.size:
            teeth[label == one] = 1
    return np.asarray(teeth > 0)


def _on_glove(spot: Mask, parts: NDArray[np.intp]) -> bool:
    around = cv2.dilate(spot.astype(np.uint8), np.ones((_RING, _RING), np.uint8)) > 0
    ring = parts[around & ~spot & (parts != Part.TOOTH)]
    if not len(ring):
        return False
    return float(np.isin(ring, (Part.LIP, Part.FOREIGN, Part.VOID)).mean()) > _FOREIGN

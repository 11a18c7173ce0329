"""Priors laid on the newest picture: worked out once a pair, and what the browser needs of it."""

from __future__ import annotations

import io
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from cachetools import LRUCache
from PIL import Image

from archiver.colour import apart_words, uncertainty
from archiver.dentition import Orientation
from archiver.priors import Compared, PreparedComparison, Ready, Shown
from archiver.sheets import plates
from archiver.vision import Alignment, Array, Refusal, Way, cv2
from archiver.web.language import in_words
from archiver.web.pages.compare.picture_source import PictureSource

#: Pairs whose outcome is kept, and newest pictures that are kept ready.
_PAIRS, _READY = 64, 2
#: An outline is rounded by so many pixels of working size, drawn so many times finer, and may
#: then be simplified by so many pixels.
_ROUNDED, _FINER, _SIMPLIFIED = 2.0, 3, 0.7
#: Pixels of the map, across, by which the two pictures were smoothed before they were compared.
_RIM = 9

#: The page's words for each reason of `archiver.vision.registration`.
_REASONS = {
    "vision.refusal.few_alike": "compare.reason_few",
    "vision.refusal.few_agree": "compare.reason_few",
    "vision.refusal.scale": "compare.reason_scale",
}


@dataclass(frozen=True)
class Aligned:
    """How a prior lies on the newest picture.

    Parameters
    ----------
    matrix
        Shape (3, 3), from the full prior to the full newest picture, (0, 0) being the outer
        corner of the first pixel as browsers have it; None where it is not aligned.
    facts
        All that the page tells, as values that JSON has.
    difference
        PNG of the map of differences, grey where the prior does not reach; empty where it is
        not aligned.
    way
        What the wrong-way check came to.
    """

    matrix: Array | None
    facts: dict[str, Any]
    difference: bytes
    way: Way


class Alignments:
    """Outcomes of alignment, the least used dropped; one pair is worked on at a time."""

    def __init__(self) -> None:
        self._guard, self._work = threading.Lock(), threading.Lock()
        self._known: LRUCache[tuple[str, str], Aligned] = LRUCache(_PAIRS)
        self._ready: LRUCache[str, PreparedComparison] = LRUCache(_READY)

    def known(self, newest: PictureSource, prior: PictureSource) -> Aligned | None:
        """Return an outcome that is there already."""
        with self._guard:
            return self._known.get(_key(newest, prior))

    def of(self, newest: PictureSource, prior: PictureSource) -> Aligned:
        """Align a prior, unless that was done before.

        Raises
        ------
        ObjectError
            If a picture cannot be decoded.
        """
        found = self.known(newest, prior)
        if found is not None:
            return found
        with self._work:
            found = self.known(newest, prior)
            if found is not None:
                return found
            with ThreadPoolExecutor(1, "making ready") as beside:
                other = beside.submit(Ready.of, prior.path, newest.edges)
                comparing = self._made_ready(newest)
                made = aligned(comparing, comparing.with_prior(other.result(), ""), prior)
        with self._guard:
            self._known[_key(newest, prior)] = made
        return made

    def _made_ready(self, newest: PictureSource) -> PreparedComparison:
        uid = newest.description.sop_instance_uid
        comparing = self._ready.get(uid)
        if comparing is None:
            comparing = self._ready[uid] = PreparedComparison(newest.path)
        return comparing


def _key(newest: PictureSource, prior: PictureSource) -> tuple[str, str]:
    return newest.description.sop_instance_uid, prior.description.sop_instance_uid


def aligned(comparing: PreparedComparison, one: Compared, prior: PictureSource) -> Aligned:
    """Keep of a comparison what the browser needs, which shows the prior in its own display."""
    newest, found = comparing.newest, one.alignment
    facts: dict[str, Any] = {
        "uid": one.shown.description.sop_instance_uid,
        "aligned": found is not None,
        "way": one.checked.way.name.lower(),
        "colours": [newest.space.stated, one.shown.space.stated],
    }
    if found is None:
        outcome = one.checked.outcome
        reason = outcome.reason.code if isinstance(outcome, Refusal) else ""
        facts["reason"] = _REASONS.get(reason, "compare.reason_unlike")
        return Aligned(None, facts, b"", one.checked.way)
    assert one.laid is not None and one.apart is not None
    matrix = cornered(found.matrix) @ to_compared(prior, one.shown.edges)
    facts |= {
        "matrix": [float(value) for value in matrix.ravel()],
        "model": found.model.value,
        "residual": round(found.residual, 2),
        "width": newest.size[0],
        "places": found.places,
        "single": one.single,
        "lost": one.lost,
        "turned": round(found.turn, 1),
        "enlarged": round(found.size, 3),
        "covered": float(one.laid.covered.mean()),
        "left_out": found.left_out,
        "region": _outlines(found),
        "difference": _difference(one, newest),
        "not_compared": [in_words(why) for why in one.not_compared],
        "lab": None if one.colour is None else [_lab(one.colour.prior), _lab(one.colour.newest)],
    }
    return Aligned(matrix, facts, _map(one.apart), one.checked.way)


def _difference(one: Compared, newest: Shown) -> str | None:
    if one.colour is None:
        return None
    within = uncertainty(newest.basis, one.shown.basis)
    return in_words(apart_words(one.colour.difference, within))


def to_compared(prior: PictureSource, compared: Orientation | None) -> Array:
    """Return the transform from a prior's own display to that in which it was compared."""
    if prior.edges == compared:
        return np.eye(3)
    columns, rows = prior.size  # turned by half: nothing else differs between practices
    return np.array([[-1.0, 0, columns], [0, -1, rows], [0, 0, 1]])


def cornered(matrix: Array) -> Array:
    """Return a transform between pixel centres as one between outer corners of first pixels."""
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    made = half @ matrix @ np.linalg.inv(half)
    return np.asarray(made / made[2, 2])


def _lab(mean: tuple[float, float, float]) -> list[float]:
    return [round(value, 1) for value in mean]


def _outlines(found: Alignment) -> list[list[list[float]]]:
    """Smooth outlines of the region that was aligned, in full pixels of the newest picture."""
    rows, columns = found.region.shape
    mask = cv2.GaussianBlur(found.region.astype(np.float32), (0, 0), _ROUNDED)
    size = (columns * _FINER, rows * _FINER)
    fine = cv2.resize(mask, size, interpolation=cv2.INTER_LINEAR) > 0.5
    lines, _ = cv2.findContours(fine.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    made = []
    for line in lines:
        points = cv2.approxPolyDP(line, _SIMPLIFIED, True).reshape(-1, 2)
        if len(points) > 2:
            full = (points + 0.5) / _FINER * found.factor
            made.append([[round(float(x), 1), round(float(y), 1)] for x, y in full])
    return made


def _map(apart: Array) -> bytes:
    """The map as a PNG, grey where the earlier picture does not reach, its blurred rim included."""
    rows, columns = apart.shape
    beyond = cv2.dilate(np.isnan(apart).astype(np.uint8), np.ones((_RIM, _RIM), np.uint8)) > 0
    pixels = plates.mapped(np.where(beyond, np.nan, apart), (columns, rows))
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG", compress_level=3)
    return buffer.getvalue()

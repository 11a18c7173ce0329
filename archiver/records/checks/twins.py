"""Pictures under two patients of which one is a part of the other, cropped or tilted.

The hashes of `likeness` meet a copy that was turned, flipped, made smaller or saved worse, not one
that somebody cropped or straightened. Here many windows of each picture, upright and tilted by up
to three degrees, are hashed and compared with the other pictures' hashes; what is near is then laid
over the other finely, and counts where the two correlate. Of the 32 photographs of the demo
studies, cropped by 4 and 12 % at three places each and tilted by 3 degrees both ways, 256 of 256
were found; pictures of two patients that are near by hash correlate by 0.971 at most.
"""

from __future__ import annotations

import base64
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, TypeAlias

from archiver.records.model import Concern, ObjectFacts
from archiver.records.pictures import RecordPicture
from archiver.vision import HASH_PARTS, HASH_SIDE, lowest_cosines
from archiver.wording import Text

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image

    Floats: TypeAlias = NDArray[np.floating]
    Hashes: TypeAlias = NDArray[np.uint64]

#: Bits of 64 that a window may differ from its twin.
_NEAR = 10
#: Correlation from which two are one; measured, see above.
_ONE = 0.98
#: Correlation at which nothing is tried any more: most are that far apart at once.
_HOPELESS = 0.93
#: The least part of a picture that is looked for in another, and the steps between windows.
_LEAST, _STEP, _SHIFT = 0.83, 0.02, 0.03
_TILTS = (-3.0, -1.5, 1.5, 3.0)
#: Of tilted pictures the corners are cut away.
_TILTED = (0.85, 0.95)
#: Windows that are laid over finely, the nearest first.
_TRIES = 8


def small_picture(picture: Image) -> str:
    """Return a picture in grey, `HASH_SIDE` by `HASH_SIDE`, as base64 of its bytes by rows."""
    from PIL import Image as Pillow

    small = picture.convert("L").resize((HASH_SIDE, HASH_SIDE), Pillow.Resampling.BOX)
    return base64.b64encode(small.tobytes()).decode()


def check_twins(
    pictures: Sequence[RecordPicture],
    facts: Mapping[str, ObjectFacts],
    told: Collection[frozenset[str]] = (),
) -> Iterator[Concern]:
    """Tell pictures of two patients of which one is a cropped or tilted copy of the other.

    Parameters
    ----------
    told
        UIDs of pairs that are told already.
    """
    looked = [
        (picture, known.look.small)
        for picture in pictures
        if (known := facts.get(picture.first.uid)) is not None and known.look and known.look.small
    ]
    if len({picture.person.key for picture, _ in looked}) < 2:
        return
    import numpy as np

    grey = [np.frombuffer(base64.b64decode(small), np.uint8) for _, small in looked]
    greys = [one.reshape(HASH_SIDE, HASH_SIDE).astype(np.float32) for one in grey]
    people = [picture.person.key for picture, _ in looked]
    seen = set(told)
    for whole, part in _pairs(greys, people):
        one, other = looked[whole][0], looked[part][0]
        last, pair = other.first, frozenset((one.first.uid, other.first.uid))
        if pair in seen:
            continue
        seen.add(pair)
        yield Concern(
            "look-alike-patients",
            Text("records.twins.part", patient=one.person.label),
            patient=last.person.label,
            date=last.date,
            teeth=tuple(sorted(one.teeth | other.teeth)),
            view=last.view,
            uids=(one.first.uid, last.uid),
            path=last.path,
            who=last.who,
        )


def _pairs(greys: Sequence[Floats], people: Sequence[object]) -> Iterator[tuple[int, int]]:
    """Yield the pairs of which the second is a part of the first."""
    import numpy as np

    windows = _windows()
    whole = np.concatenate([windows.hashes(grey, [0])[0] for grey in greys])
    tables = []
    for shift, width in HASH_PARTS:
        part = (whole >> np.uint64(shift)) & np.uint64((1 << width) - 1)
        order = np.argsort(part, kind="stable")
        tables.append((shift, width, order, part[order]))
    for number, grey in enumerate(greys):
        hashes = np.concatenate(windows.hashes(grey))
        near: set[int] = set()
        for shift, width, order, values in tables:
            wanted = np.unique((hashes >> np.uint64(shift)) & np.uint64((1 << width) - 1))
            begin, end = np.searchsorted(values, wanted), np.searchsorted(values, wanted, "right")
            for first, after in zip(begin, end, strict=True):
                near.update(order[first:after].tolist())
        for other in sorted(near - {number}):
            if people[other] == people[number]:
                continue
            apart = _bits(hashes ^ whole[other])
            if apart.min() > _NEAR:
                continue
            if _is_part(windows, grey, greys[other], np.argsort(apart, kind="stable")):
                yield number, other


def _is_part(windows: _Windows, grey: Floats, other: Floats, nearest: NDArray[np.intp]) -> bool:
    for window in nearest[:_TRIES]:
        found = windows.correlation(grey, other, int(window))
        if found >= _ONE:
            return True
        if found < _HOPELESS:
            return False
    return False


def _bits(values: Hashes) -> NDArray[np.uint8]:
    """Return how many bits are set in each."""
    import numpy as np

    each = np.unpackbits(values.view(np.uint8).reshape(len(values), 8), axis=1)
    found: NDArray[np.uint8] = each.sum(axis=1, dtype=np.uint8)
    return found


class _Windows:
    """Windows of a picture, the whole one first, and how each is hashed."""

    def __init__(self) -> None:
        import numpy as np

        upright, tilted = [], []
        for part in np.arange(1.0, _LEAST, -_STEP):
            count = max(1, round((1 - part) / _SHIFT) + 1)
            for top in np.linspace(0, 1 - part, count):
                for left in np.linspace(0, 1 - part, count):
                    box = (float(top), float(left), float(part))
                    upright.append(box)
                    if _TILTED[0] <= part <= _TILTED[1]:
                        tilted.append(box)
        groups = [(0.0, upright), *((tilt, tilted) for tilt in _TILTS)]
        self._groups = [(tilt, boxes, *_operators(boxes)) for tilt, boxes in groups]
        self._every = [(tilt, box) for tilt, boxes in groups for box in boxes]

    def hashes(self, grey: Floats, only: Sequence[int] | None = None) -> list[Hashes]:
        """Return the hashes of the windows, a group for each tilt; of the first `only` alone."""
        groups = self._groups if only is None else self._groups[:1]
        found = []
        for tilt, _, rows, columns in groups:
            some = slice(None) if only is None else slice(len(only))
            found.append(_hashed(rows[some] @ _turned(grey, tilt) @ columns[some]))
        return found

    def correlation(self, grey: Floats, other: Floats, window: int) -> float:
        """Lay another picture over a window finely, and return how they correlate, to 1."""
        import numpy as np

        from archiver.vision import cv2

        tilt, (top, left, part) = self._every[window]
        start = np.array([[part, 0, left * HASH_SIDE], [0, part, top * HASH_SIDE]], np.float32)
        ends = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-4)
        try:
            found, _ = cv2.findTransformECC(
                other, _turned(grey, tilt), start, cv2.MOTION_AFFINE, ends, None, 3
            )
        except cv2.error:  # it does not come to an end
            return 0.0
        return float(found)


@cache
def _windows() -> _Windows:
    return _Windows()


def _turned(grey: Floats, tilt: float) -> Floats:
    import numpy as np
    from PIL import Image as Pillow

    if not tilt:
        return grey
    turned = Pillow.fromarray(grey).rotate(
        tilt, Pillow.Resampling.BICUBIC, fillcolor=float(grey.mean())
    )
    return np.asarray(turned, np.float32)


def _operators(boxes: Sequence[tuple[float, float, float]]) -> tuple[Floats, Floats]:
    """Return what takes a small picture to the lowest frequencies of its windows, both ways."""
    import numpy as np

    rows = np.stack([_frequencies(top, part) for top, _, part in boxes])
    columns = np.stack([_frequencies(left, part).T for _, left, part in boxes])
    return rows, columns


def _frequencies(begin: float, part: float) -> Floats:
    """Return the 8 lowest cosines over a stretch of a line, as `likeness` has them of the whole."""
    import numpy as np

    place = np.arange(HASH_SIDE)
    at = np.clip((begin + (place + 0.5) / HASH_SIDE * part) * HASH_SIDE - 0.5, 0, HASH_SIDE - 1)
    lower = np.minimum(np.floor(at).astype(int), HASH_SIDE - 2)
    sampled = np.zeros((HASH_SIDE, HASH_SIDE))
    sampled[place, lower] = 1 - (at - lower)
    sampled[place, lower + 1] += at - lower
    made: Floats = (lowest_cosines() @ sampled).astype(np.float32)
    return made


def _hashed(low: Floats) -> Hashes:
    import numpy as np

    flat = low.reshape(len(low), -1)
    bits = flat > np.median(flat, axis=1, keepdims=True)
    found: Hashes = np.packbits(bits, axis=1).view(np.uint64)[:, 0]
    return found

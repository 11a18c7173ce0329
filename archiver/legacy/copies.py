"""Which files are one picture, and which of them is the best original.

The same bytes are one file, wherever it lies. Saved again, made smaller, turned or flipped copies
are found by perceptual hash and then by their pixels; photographs taken one after the other are
none, so two that the camera says were taken at different moments are never copies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from archiver.legacy.file_look import PictureSeen
from archiver.legacy.reasons import ImportReason
from archiver.vision import NEAR, bits_apart

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: Correlation of two pictures in grey, 32 by 32, from which they are one; two frames of a burst
#: that were drawn for the tests reach 0.99, copies saved at quality 30 more than 0.999.
_ONE = 0.996
_MIRRORING = (2, 4, 5, 7)


@dataclass(frozen=True)
class Alike:
    """Two pictures that are one.

    Parameters
    ----------
    turn
        1 to 8: how the second has to be turned to lie on the first, as viewers show them.
    """

    turn: int


def alike(one: PictureSeen, other: PictureSeen) -> Alike | None:
    """Return how a picture is another one; None where it is not."""
    if not one.hashes or not other.hashes:
        return None
    if one.captured and other.captured and one.captured != other.captured:
        return None
    ours = int(one.hashes[one.orientation - 1], 16)
    turns = [
        turn
        for turn in range(1, 9)
        if bits_apart(ours, int(other.hashes[_after(other.orientation, turn) - 1], 16)) <= NEAR
    ]
    # Loaded only where hashes are near.
    from archiver.photo import turned

    mine = turned(_grey(one), one.orientation)
    close = {
        turn: _correlation(mine, turned(turned(_grey(other), other.orientation), turn))
        for turn in turns
    }
    best = max(close, key=lambda turn: close[turn], default=1)
    return Alike(best) if close.get(best, 0.0) >= _ONE else None


def _after(first: int, then: int) -> int:
    """Return the one turn that is two, one after the other."""
    from archiver.dentition import Turn

    return Turn(then).after(Turn(first)).value


def _grey(picture: PictureSeen) -> NDArray[np.uint8]:
    import numpy as np

    side = round(len(picture.small) ** 0.5)
    return np.frombuffer(picture.small, np.uint8).reshape(side, side)


def _correlation(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> float:
    import numpy as np

    a, b = (each.astype(np.float64) - each.mean() for each in (one, other))
    size = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / size if size else 0.0


@dataclass(frozen=True)
class OriginalCandidate:
    """One of several files that are the same picture.

    Parameters
    ----------
    key
        By which the caller knows it.
    """

    key: int
    picture: PictureSeen
    size: int


def best_original(candidates: Sequence[OriginalCandidate]) -> OriginalCandidate:
    """Return the one that is nearest to what the camera wrote.

    A camera names itself and an editor leaves marks; then more pixels, then more bytes.
    """

    def rank(one: OriginalCandidate) -> tuple[bool, bool, int, int, int]:
        seen = one.picture
        return (
            not seen.edited,
            bool(seen.camera),
            seen.columns * seen.rows,
            one.size,
            -one.key,
        )

    return max(candidates, key=rank)


def relation(best: PictureSeen, copy: PictureSeen, how: Alike) -> ImportReason:
    """Return what a copy is to the best original."""
    if how.turn in _MIRRORING:
        return ImportReason.FLIPPED
    if how.turn != 1:
        return ImportReason.TURNED
    if copy.columns * copy.rows < best.columns * best.rows:
        return ImportReason.SMALLER
    return ImportReason.RE_ENCODED

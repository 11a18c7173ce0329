"""Pictures that look almost the same, by perceptual hashes of 64 bits.

A hash is taken in all eight positions of the square, so that a copy that somebody turned or
flipped meets its twin too. Two pictures are alike where a position of the one and the stored
position of the other differ by at most `NEAR` bits.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image

#: Bits of 64 that may differ (common practice for this hash is up to about 10; photographs of
#: one mouth in one view are alike by nature, so less is allowed here).
NEAR = 4
#: By the pigeonhole principle one of NEAR + 1 parts is equal where NEAR bits differ at most.
HASH_PARTS = ((0, 13), (13, 13), (26, 13), (39, 13), (52, 12))
#: Side of the small picture of which a hash is taken, in pixels.
HASH_SIDE = 32
#: Standard deviation of the grey levels below which a picture is too even to be told apart.
_EVEN = 4.0


def hashes_of(picture: Image) -> tuple[str, ...]:
    """Return the perceptual hash in the positions 1 to 8 (numbers of EXIF orientation).

    Parameters
    ----------
    picture
        Reduced or not; its colours do not matter.
    """
    import numpy as np
    from PIL import Image as Pillow

    small = picture.convert("L").resize((64, 64), Pillow.Resampling.LANCZOS)
    grey = np.asarray(small)
    if float(grey.std()) < _EVEN:
        return ()
    flipped, across = grey[:, ::-1], grey.T
    positions = (
        grey,
        flipped,
        grey[::-1, ::-1],
        grey[::-1],
        across,
        across[:, ::-1],
        across[::-1, ::-1],
        across[::-1],
    )
    return tuple(_perceptual_hash(Pillow.fromarray(np.ascontiguousarray(p))) for p in positions)


def _perceptual_hash(grey: Image) -> str:
    """Return 16 hexadecimal digits: which of the 64 lowest frequencies exceed their median.

    The frequencies are those of a discrete cosine transform (type II, unscaled) of the picture
    reduced to 32 x 32.
    """
    import numpy as np
    from PIL import Image as Pillow

    pixels = np.asarray(grey.resize((HASH_SIDE, HASH_SIDE), Pillow.Resampling.LANCZOS), np.float64)
    cosines = lowest_cosines()
    low = cosines @ pixels @ cosines.T
    return np.packbits(low > np.median(low)).tobytes().hex()


def lowest_cosines() -> NDArray[np.float64]:
    """Return the 8 lowest cosines over a line of `HASH_SIDE` places, shape (8, `HASH_SIDE`)."""
    import numpy as np

    frequency, place = np.arange(8)[:, None], np.arange(HASH_SIDE)
    cosines: NDArray[np.float64] = np.cos(np.pi * frequency * (2 * place + 1) / (2 * HASH_SIDE))
    return cosines


def bits_apart(one: int, other: int) -> int:
    """Return by how many bits two hashes differ."""
    return (one ^ other).bit_count()


def near_pairs(hashes: Sequence[tuple[int, ...]]) -> set[tuple[int, int]]:
    """Return the pairs (by place, the smaller first) that are alike in any position."""
    buckets: dict[tuple[int, int], list[int]] = defaultdict(list)
    for place, positions in enumerate(hashes):
        for part, value in hash_parts(positions[0]):
            buckets[part, value].append(place)
    found: set[tuple[int, int]] = set()
    for place, positions in enumerate(hashes):
        for position in positions:
            near = {other for key in hash_parts(position) for other in buckets.get(key, ())}
            found |= {
                (other, place)
                for other in near
                if other < place and bits_apart(hashes[other][0], position) <= NEAR
            }
    return found


def hash_parts(value: int) -> Iterator[tuple[int, int]]:
    """Yield each of `HASH_PARTS` with its number: hashes that are near share one of them."""
    for number, (shift, width) in enumerate(HASH_PARTS):
        yield number, (value >> shift) & ((1 << width) - 1)

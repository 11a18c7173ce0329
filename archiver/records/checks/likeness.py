"""Pictures that look almost the same, by perceptual hashes of 64 bits.

A hash is taken in all eight positions of the square, so that a copy that somebody turned or
flipped meets its twin too. Two pictures are alike where a position of the one and the stored
position of the other differ by at most `NEAR` bits.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from archiver.records.model import Concern, ObjectFacts
from archiver.records.pictures import RecordPicture
from archiver.wording import Text

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from PIL.Image import Image

#: Bits of 64 that may differ (common practice for this hash is up to about 10; photographs of
#: one mouth in one view are alike by nature, so less is allowed here).
NEAR = 4
#: By the pigeonhole principle one of NEAR + 1 parts is equal where NEAR bits differ at most.
PARTS = ((0, 13), (13, 13), (26, 13), (39, 13), (52, 12))
#: Side of the small picture of which a hash is taken, in pixels.
SIDE = 32
#: Standard deviation of the grey levels below which a picture is too even to be told apart.
_EVEN = 4.0
#: Positions that are reflections: flips, transpose and transverse, by the number of their turn.
_REFLECTED = frozenset({2, 4, 5, 7})


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

    pixels = np.asarray(grey.resize((SIDE, SIDE), Pillow.Resampling.LANCZOS), np.float64)
    cosines = lowest_cosines()
    low = cosines @ pixels @ cosines.T
    return np.packbits(low > np.median(low)).tobytes().hex()


def lowest_cosines() -> NDArray[np.float64]:
    """Return the 8 lowest cosines over a line of `SIDE` places, shape (8, `SIDE`)."""
    import numpy as np

    frequency, place = np.arange(8)[:, None], np.arange(SIDE)
    cosines: NDArray[np.float64] = np.cos(np.pi * frequency * (2 * place + 1) / (2 * SIDE))
    return cosines


def check_likeness(
    pictures: Sequence[RecordPicture],
    facts: Mapping[str, ObjectFacts],
    same: Sequence[Sequence[RecordPicture]],
) -> Iterator[Concern]:
    """Tell pairs of pictures that look almost the same.

    Parameters
    ----------
    same
        Groups that are the same picture, told already.
    """
    told = {p.first.uid: n for n, group in enumerate(same) for p in group}
    hashed: list[tuple[RecordPicture, tuple[int, ...]]] = []
    for picture in pictures:
        known = facts.get(picture.first.uid)
        if known is not None and known.look is not None and known.look.hashes:
            hashed.append((picture, tuple(int(h, 16) for h in known.look.hashes)))
    for first, second in sorted(near_pairs([hashes for _, hashes in hashed])):
        one, other = hashed[first][0], hashed[second][0]
        if told.get(one.first.uid, -1) == told.get(other.first.uid, -2):
            continue
        if _made_of(one, other, facts) or _made_of(other, one, facts):
            continue
        best = min(
            (_apart(hashed[first][1][0], h), turn)
            for turn, h in enumerate(hashed[second][1], start=1)
        )
        yield _concern(one, other, *best)


def _made_of(one: RecordPicture, other: RecordPicture, facts: Mapping[str, ObjectFacts]) -> bool:
    """Whether one is derived from the other: alike by right, and checked as a derivation."""
    known = facts.get(one.first.uid)
    return known is not None and any(uid in other.uids for uid in known.sources)


def _apart(one: int, other: int) -> int:
    return (one ^ other).bit_count()


def near_pairs(hashes: Sequence[tuple[int, ...]]) -> set[tuple[int, int]]:
    """Return the pairs (by place, the smaller first) that are alike in any position."""
    buckets: dict[tuple[int, int], list[int]] = defaultdict(list)
    for place, positions in enumerate(hashes):
        for part, value in _parts(positions[0]):
            buckets[part, value].append(place)
    found: set[tuple[int, int]] = set()
    for place, positions in enumerate(hashes):
        for position in positions:
            near = {other for key in _parts(position) for other in buckets.get(key, ())}
            found |= {
                (other, place)
                for other in near
                if other < place and _apart(hashes[other][0], position) <= NEAR
            }
    return found


def _parts(value: int) -> Iterator[tuple[int, int]]:
    for number, (shift, width) in enumerate(PARTS):
        yield number, (value >> shift) & ((1 << width) - 1)


def _concern(one: RecordPicture, other: RecordPicture, apart: int, turn: int) -> Concern:
    same_meaning = (one.teeth, one.view) == (other.teeth, other.view)
    found = Text("records.likeness.bits", apart=apart)
    if one.person.key != other.person.key:
        kind = "look-alike-patients"
        found = Text("records.likeness.patients", apart=apart, patient=one.person.label)
    elif turn in _REFLECTED and one.mirror == other.mirror:
        kind, found = "look-alike-reflected", Text("records.likeness.flipped", apart=apart)
    else:
        kind = "look-alike" if same_meaning else "look-alike-teeth"
    last = other.first
    return Concern(
        kind,
        found,
        patient=last.person.label,
        date=last.date,
        teeth=tuple(sorted(one.teeth | other.teeth)),
        view=last.view,
        uids=(one.first.uid, last.uid),
        path=last.path,
        who=last.who,
    )

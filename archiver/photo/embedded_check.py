"""The photograph against the pictures that its camera put beside it, in all eight turns.

Cameras make thumbnails from the very pixels they store. A program that turns or flips the picture
later often leaves the thumbnail as it was; then the two agree in another turn than none. Both are
compared small, after slow changes of light are taken out, since it is these that a mouth has in
common with its reflection.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

from archiver.errors import PhotoError
from archiver.photo.camera_file import CameraFile
from archiver.photo.doubts import DoubtKind, PictureDoubt
from archiver.photo.embedded_pictures import EmbeddedPicture, embedded_pictures
from archiver.photo.jpeg import JpegStructure
from archiver.photo.jpeg_structure import Process
from archiver.photo.pixels import reduced
from archiver.photo.turning import Box, turned, turned_box, turned_size
from archiver.wording import Text
from archiver.workers import confined

_TURNS = range(1, 9)
#: Longer side in pixels of what is compared, and of what is taken from it as slow.
_GRID, _SLOW = 72, 9
#: Sides whose ratios differ by less than this may be of one shape, thumbnails having whole pixels;
#: below the second they are.
_SHAPE, _EXACT = 0.03, 0.002
#: Agreement (correlation of what is left) from which two are one picture, and below which they
#: are two; and from which a part of the picture is enough to tell. A lossless turn leaves blocks
#: at the edge where they were and moves the rest, which costs agreement. Tuned on half of the
#: mouths of ``bench_evidence``, reported on the other half.
_ALIKE, _UNLIKE, _AT_ONCE = 0.55, 0.45, 0.80
#: What is left of another turn's correlation to one has to be this share of no turn's at most.
_CLEARLY = 0.6
#: Share of the rows that is decoded first: where that agrees as it is, the rest need not be.
_FIRST = 4
#: A picture with less contrast than this (of 255, after slow changes are out) shows nothing.
_FLAT = 1.0


@dataclass(frozen=True)
class _Seen:
    """What was decoded of the photograph.

    Parameters
    ----------
    pixels
        Reduced.
    part
        Which part of the photograph that is, in full pixels.
    size
        Columns and rows of the whole photograph.
    """

    pixels: Image.Image
    part: Box
    size: tuple[int, int]


@dataclass(frozen=True)
class EmbeddedCheck:
    """What comparing with the embedded pictures came to.

    Parameters
    ----------
    doubt
        Of the first that differs; None where none does.
    agrees
        Whether there is one that shows the photograph as it is.
    """

    doubt: PictureDoubt | None = None
    agrees: bool = False


def check_embedded(photo: CameraFile) -> EmbeddedCheck:
    """Compare a photograph with its embedded pictures."""
    if next(embedded_pictures(photo), None) is None:
        return EmbeddedCheck()  # nothing for a worker to do
    try:
        return _checked(photo)
    except PhotoError:
        return EmbeddedCheck()


@confined(PhotoError)
def _checked(photo: CameraFile) -> EmbeddedCheck:
    agrees = False
    whole: _Seen | None = None
    first = True
    for embedded in embedded_pictures(photo):
        try:
            other = embedded.open().convert("RGB")
            if first:
                first, strip = False, _strip(photo, embedded)
                if strip is not None and _is_untouched(_agreements(strip, other), _AT_ONCE):
                    agrees = True
                    continue
            whole = whole or _whole(photo)
        except (PhotoError, OSError, ValueError):
            continue  # damage is told where the picture itself is decoded
        agreements = _agreements(whole, other)
        doubt = _doubt(photo, embedded, agreements)
        if doubt is not None:
            return EmbeddedCheck(doubt)
        agrees = agrees or _is_untouched(agreements)
    return EmbeddedCheck(agrees=agrees)


def _whole(photo: CameraFile) -> _Seen:
    pixels = reduced(photo, 2 * _GRID).convert("RGB")
    return _Seen(pixels, Box(0, 0, photo.columns, photo.rows), (photo.columns, photo.rows))


def _strip(photo: CameraFile, embedded: EmbeddedPicture) -> _Seen | None:
    """Decode the uppermost part of a baseline JPEG, which costs its share of the time.

    None where that is not to be had, or would not tell.
    """
    structure = photo.structure
    if structure is None or structure.process is not Process.BASELINE:
        return None
    if photo.exif_orientation not in _orientation_of(photo, embedded):
        return None
    rows = photo.rows // _FIRST
    if rows < 8 * structure.mcu[1]:
        return None
    stream = _shortened(photo.data, structure, rows)
    pixels = reduced(stream, 2 * _GRID).convert("RGB")
    return _Seen(pixels, Box(0, 0, photo.columns, rows), (photo.columns, photo.rows))


def _shortened(data: bytes, structure: JpegStructure, rows: int) -> bytes:
    """Return a stream whose frame header says that it ends after so many rows (T.81 B.2.2)."""
    start = next(s for s in structure.segments if s.marker == 0xC0).payload
    return b"".join(
        (memoryview(data)[: start + 1], rows.to_bytes(2, "big"), memoryview(data)[start + 3 :])
    )


def _is_untouched(agreements: Sequence[float], least: float = _ALIKE) -> bool:
    as_it_is, others = agreements[0], max(agreements[1:])
    return as_it_is >= least and 1 - as_it_is < _CLEARLY * (1 - others)


def _doubt(
    photo: CameraFile, embedded: EmbeddedPicture, agreements: Sequence[float]
) -> PictureDoubt | None:
    best = max(_TURNS, key=lambda turn: agreements[turn - 1])
    own = _orientation_of(photo, embedded)
    as_it_is = max(
        agreements[turn - 1]
        for turn in _TURNS
        for orientation in own
        if _since(turn, photo.exif_orientation, orientation) == 1
    )
    evidence = {
        "picture": embedded.where,
        "agreement": round(float(agreements[best - 1]), 3),
        "agreement_as_it_is": round(float(as_it_is), 3),
    }
    where = Text(f"photo.doubt.picture.{embedded.where.replace(' ', '_').replace('-', '_')}")
    if agreements[best - 1] >= _ALIKE and 1 - agreements[best - 1] < _CLEARLY * (1 - as_it_is):
        turn = _since(best, photo.exif_orientation, own[0])
        words = Text(f"photo.doubt.turn.{turn}")
        return PictureDoubt(
            DoubtKind.EMBEDDED,
            Text("photo.doubt.embedded", where=where, turn=words),
            {**evidence, "turn": turn},
            turn,
        )
    if embedded.where == "thumbnail" and -1 <= agreements[best - 1] < _UNLIKE:
        return PictureDoubt(
            DoubtKind.EMBEDDED, Text("photo.doubt.other_embedded", where=where), evidence
        )
    return None


def _orientation_of(photo: CameraFile, embedded: EmbeddedPicture) -> tuple[int, ...]:
    """Return the orientations that the small picture may have when it is the camera's.

    Its own counts where it has one; 1 may have been written without thinking. Otherwise it has the
    photograph's; some programs in cameras store the small one upright and the large one as a
    sensor, which is wider than high, was read (common practice).
    """
    own = embedded.orientation
    if own is not None and own in _TURNS and own != 1:
        return (own,)
    upright = photo.exif_orientation in (6, 8) and photo.columns > photo.rows
    return (photo.exif_orientation, *((1,) if upright else ()))


@cache
def _since(turn: int, orientation: int, of_small: int) -> int:
    """Return how the photograph was turned since it was taken, as a viewer shows it.

    Parameters
    ----------
    turn
        Makes the small picture of the photograph, both as they are stored.
    orientation, of_small
        How a viewer turns each.
    """
    marked = np.arange(6, dtype=np.uint8).reshape(2, 3)
    seen = turned(marked, orientation)
    small = turned(turned(marked, turn), of_small)
    return next(t for t in _TURNS if np.array_equal(turned(small, t), seen))


def _agreements(seen: _Seen, other: Image.Image) -> list[float]:
    """Return how far two agree with the photograph turned by each of 1 to 8; -2 where not at all.

    The photograph turned by `turn` is compared with the small picture as it is.
    """
    return [
        max(_agreement(seen, other, turn, place) for place in _places(seen, other, turn))
        for turn in _TURNS
    ]


def _places(seen: _Seen, other: Image.Image, turn: int) -> Iterator[tuple[float, ...]]:
    """Where the whole photograph lies in the small picture: all of it, between bars, or cut.

    Yields
    ------
    tuple
        Left, top, width and height in pixels of the small picture.
    """
    columns, rows = turned_size(turn, *seen.size)
    across, down = other.width / columns, other.height / rows
    unlike = abs(across / down - 1)
    if unlike < _SHAPE:
        yield 0, 0, other.width, other.height
    if unlike < _EXACT:
        return
    for scale in (min(across, down), max(across, down)):
        width, height = columns * scale, rows * scale
        yield (other.width - width) / 2, (other.height - height) / 2, width, height


def _agreement(seen: _Seen, other: Image.Image, turn: int, place: tuple[float, ...]) -> float:
    columns, rows = turned_size(turn, *seen.size)
    part = turned_box(seen.part, turn, *seen.size)
    left, top, width, height = place
    across, down = width / columns, height / rows
    # The part in the small picture, without what the small picture's edges cut off.
    box = (
        max(left + part.left * across, 0),
        max(top + part.top * down, 0),
        min(left + part.right * across, other.width),
        min(top + part.bottom * down, other.height),
    )
    if box[2] - box[0] < 8 or box[3] - box[1] < 8:
        return -2.0
    there = (
        (box[0] - left) / across - part.left,
        (box[1] - top) / down - part.top,
        (box[2] - left) / across - part.left,
        (box[3] - top) / down - part.top,
    )
    mine = Image.fromarray(turned(np.asarray(seen.pixels), turn))
    fx, fy = mine.width / part.width, mine.height / part.height
    cut = (
        max(there[0] * fx, 0),
        max(there[1] * fy, 0),
        min(there[2] * fx, mine.width),
        min(there[3] * fy, mine.height),
    )
    longer = max(box[2] - box[0], box[3] - box[1])
    size = (
        max(6, round(_GRID * (box[2] - box[0]) / longer)),
        max(6, round(_GRID * (box[3] - box[1]) / longer)),
    )
    return _correlation(_even(mine, cut, size), _even(other, box, size))


def _even(
    picture: Image.Image, box: tuple[float, ...], size: tuple[int, int]
) -> NDArray[np.float32]:
    """Return a part at a size, without slow changes of light; shape (rows, columns, 3)."""
    small = picture.resize(size, Image.Resampling.BILINEAR, box=(box[0], box[1], box[2], box[3]))
    slow = small.filter(ImageFilter.BoxBlur(_SLOW // 2))
    return np.asarray(small, np.float32) - np.asarray(slow, np.float32)


def _correlation(one: NDArray[np.float32], other: NDArray[np.float32]) -> float:
    power = float((one**2).mean()), float((other**2).mean())
    if min(power) < _FLAT**2:
        return -2.0
    return float((one * other).mean() / np.sqrt(power[0] * power[1]))

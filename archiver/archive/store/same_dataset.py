"""Whether two files hold the same object, however each was encoded or wrapped.

File meta information, transfer syntax, the lengths of sequences and items, padding, the character
set of a text and the offsets of frames say how an object is written, not what it says (PS3.5 7,
PS3.10 7.1). Pixels are the same where all frames are, decoded if need be.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from io import BytesIO
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.archive.pixels import decoded_frame
from archiver.errors import ObjectError
from archiver.objects import StoredFrames, open_dataset
from archiver.workers import confined

if TYPE_CHECKING:
    from pydicom import Dataset, FileDataset
    from pydicom.tag import BaseTag

_PIECE = 1 << 20
_PIXEL_DATA = 0x7FE00010
_EXTENDED_OFFSETS = (0x7FE00001, 0x7FE00002)
#: Character set, extended offset table and its lengths, padding: how, not what.
_WRITING = {0x00080005, *_EXTENDED_OFFSETS, 0xFFFCFFFC}
#: What decoding changes beside the pixels; looked at once both sides are decoded.
_OF_PIXELS = ("PhotometricInterpretation", "LossyImageCompression", "LossyImageCompressionMethod")
_ALSO_OF_PIXELS = ("PlanarConfiguration", "LossyImageCompressionRatio")
#: Bytes of one number, by which big endian is turned round (PS3.5 7.3).
_WIDTHS = {
    **dict.fromkeys(("US", "SS", "OW", "AT"), 2),
    **dict.fromkeys(("UL", "SL", "FL", "OL", "OF"), 4),
    **dict.fromkeys(("FD", "OD", "SV", "UV", "OV"), 8),
}
_BINARY = {*_WIDTHS, "OB", "UN", "US or SS", "OB or OW", "US or OW", "US or SS or OW"}


@confined(ObjectError)
def differences(one: Path, other: Path) -> tuple[str, ...]:
    """Return the attributes in which two objects differ; none where they are the same.

    Returns
    -------
    tuple of str
        Keywords, or tags where an attribute has none, in the order of their tags; those within
        a sequence behind its own: ``ViewCodeSequence.CodeValue``. Never a value.

    Raises
    ------
    ObjectError
        If one of them cannot be read.
    """
    a, b = (_Side(open_dataset(path, pixels=True, defer=_PIECE), path) for path in (one, other))
    found = list(_differing(a, b, ""))
    if _PIXEL_DATA in a.dataset and _PIXEL_DATA in b.dataset:
        decoded = a.is_encapsulated or b.is_encapsulated
        same = _same_frames(a, b) if decoded else _same_bytes(a, b, _PIXEL_DATA)
        if not same:
            found.append("PixelData")
        elif decoded and a.syntax != b.syntax:
            found = [name for name in found if name not in (*_OF_PIXELS, *_ALSO_OF_PIXELS)]
    return tuple(found)


class _Side:
    """One of two datasets, or an item of its sequences."""

    def __init__(self, dataset: Dataset, path: Path, root: _Side | None = None) -> None:
        self.dataset, self.path = dataset, path
        self.root = root or self
        #: As they stand in the file: to look at a value of a dataset converts it.
        self.raw: dict[int, Any] = {
            tag: dataset.get_item(tag, keep_deferred=True) for tag in list(dataset.keys())
        }

    @property
    def syntax(self) -> Any:
        """Transfer syntax of the file."""
        whole: FileDataset = self.root.dataset  # type: ignore[assignment]
        return whole.file_meta.TransferSyntaxUID

    @property
    def is_encapsulated(self) -> bool:
        """Whether its frames are streams of a codec."""
        return bool(self.syntax.is_encapsulated)

    def items(self, tag: BaseTag) -> list[_Side] | None:
        """Return the items of a sequence; None where the element is none."""
        from pydicom.filereader import read_sequence

        element = self.dataset[tag]
        value: Any = element.value
        if element.VR == "UN":
            # A private sequence that came without its representation (PS3.5 6.2.2).
            value = read_sequence(BytesIO(value), True, True, len(value), "iso8859")
        elif element.VR != "SQ":
            return None
        return [_Side(item, self.path, self.root) for item in value]

    def pieces(self, tag: BaseTag | int) -> Iterator[bytes]:
        """Yield the bytes of a value as they would stand in little endian."""
        raw = self.raw[tag]
        width = 1 if self.syntax.is_little_endian else _WIDTHS.get(raw.VR, 1)
        with ExitStack() as opened:
            if raw.value is not None:
                file: Any = BytesIO(raw.value)
                left = len(raw.value)
            else:
                file, left = opened.enter_context(self.path.open("rb")), raw.length
                file.seek(raw.value_tell)
            while left and (piece := file.read(min(left, _PIECE))):
                left -= len(piece)
                yield _turned(piece, width)


def _turned(piece: bytes, width: int) -> bytes:
    if width == 1:
        return piece
    turned = bytearray(piece)
    for place in range(width):
        turned[place::width] = piece[width - 1 - place :: width]
    return bytes(turned)


def _differing(a: _Side, b: _Side, within: str) -> Iterator[str]:
    for tag in sorted({*a.dataset.keys(), *b.dataset.keys()}):
        if tag.element == 0 or tag in _WRITING or (not within and tag == _PIXEL_DATA):
            continue
        name = within + _name(tag)
        if tag not in a.dataset or tag not in b.dataset:
            yield name
            continue
        try:
            yield from list(_of_element(a, b, tag, name))
        except Exception:
            # pydicom raises whatever the bytes of a value lead it to.
            if a.raw[tag].value != b.raw[tag].value:
                yield name


def _of_element(a: _Side, b: _Side, tag: BaseTag, name: str) -> Iterator[str]:
    kinds = {side.dataset[tag].VR for side in (a, b)}
    if "SQ" not in kinds:
        binary = not kinds.isdisjoint(_BINARY)
        x, y = a.dataset[tag].value, b.dataset[tag].value
        if not (_same_bytes(a, b, tag) if binary else _values(x) == _values(y)):
            yield name
        return
    mine, theirs = a.items(tag), b.items(tag)
    if mine is None or theirs is None or len(mine) != len(theirs):
        yield name
        return
    found = (n for x, y in zip(mine, theirs, strict=True) for n in _differing(x, y, f"{name}."))
    yield from dict.fromkeys(found)


def _values(value: Any) -> list[Any]:
    """Return values without the padding of texts; no value and empty text are the same."""
    listed = value if isinstance(value, list) or hasattr(value, "append") else [value]
    bare = [one.rstrip(" \0") if type(one) is str else one for one in listed]
    return [] if bare in ([None], [""]) else bare


def _same_bytes(a: _Side, b: _Side, tag: BaseTag | int) -> bool:
    """Compare values byte for byte; padding at the end may be missing."""
    pairs = zip_longest(_evened(a.pieces(tag)), _evened(b.pieces(tag)), fillvalue=b"")
    return all(x == y or x.rstrip(b" \0") == y.rstrip(b" \0") for x, y in pairs)


def _evened(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Yield pieces of one size, whatever size they come in."""
    for piece in pieces:
        for begin in range(0, len(piece), _PIECE):
            yield piece[begin : begin + _PIECE]


def _same_frames(a: _Side, b: _Side) -> bool:
    with StoredFrames(a.path) as mine, StoredFrames(b.path) as theirs:
        if mine.count != theirs.count:
            return False
        for number in range(1, mine.count + 1):
            if a.syntax == b.syntax:
                streams = (one.frame(number).rstrip(b"\0") for one in (mine, theirs))
                if next(streams) == next(streams):
                    continue
            if not _same_pixels(a.path, b.path, number):
                return False
    return True


def _same_pixels(one: Path, other: Path, number: int) -> bool:
    import numpy as np

    a, b = decoded_frame(one, number), decoded_frame(other, number)
    told = all(a.get(keyword) == b.get(keyword) for keyword in _OF_PIXELS)
    return told and np.array_equal(a.pixel_array, b.pixel_array)


def _name(tag: BaseTag) -> str:
    from pydicom.datadict import keyword_for_tag

    return keyword_for_tag(tag) or f"({tag.group:04X},{tag.element:04X})"

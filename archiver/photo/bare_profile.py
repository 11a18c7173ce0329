"""ICC profiles made anew from the numbers of others: what they say of colour and no word.

Sources: ICC.1:2001-04 and ICC.1:2004-10: XYZ, curve, parametric curve, s15Fixed16 array, lut8 and
lut16 types. A table of the newer lutAToB type is not taken over: its parts may lie anywhere.
"""

from __future__ import annotations

import struct
from typing import Final

from archiver.photo import icc

_OURS: Final = (icc.SRGB, icc.ADOBE_RGB, icc.DISPLAY_P3)
#: Entries of a curve, enough for any camera.
_MOST_ENTRIES: Final = 4096
_PARAMETERS: Final = (1, 3, 4, 5, 7)


def rebuilt(data: bytes) -> bytes | None:
    """Return a profile of class ``scnr`` with the same numbers and a description of our own.

    Parameters
    ----------
    data
        A profile of data space RGB, by matrix or by a table.

    Returns
    -------
    bytes or None
        One of our own is itself; None where it is damaged or of another kind.
    """
    if any(data == icc.input_profile(one) for one in _OURS):
        return data
    try:
        profile = icc.read_profile(data)
        tags = icc.tags_of(data)
        if profile.data_space != b"RGB ":
            return None
        if profile.is_matrix:
            bodies = _matrix(tags)
        elif profile.is_table:
            bodies = [(b"A2B0", _table(tags[b"A2B0"]))]
        else:
            return None
        white = _xyz(tags[b"wtpt"]) if b"wtpt" in tags else icc.xyz_type(icc.D50)
    except (ValueError, struct.error, KeyError, IndexError):
        return None
    term = icc.known_space(profile)
    name = {"SRGB": icc.SRGB.name, "ADOBERGB": icc.ADOBE_RGB.name}.get(term or "", "RGB")
    connection = b"XYZ " if profile.connection_space == b"XYZ " else b"Lab "
    said = [(b"desc", icc.description(name)), (b"cprt", icc.COPYRIGHT), (b"wtpt", white)]
    return icc.assembled(said + bodies, connection)


def _matrix(tags: dict[bytes, bytes]) -> list[tuple[bytes, bytes]]:
    bodies = [(b"chad", _adaptation(tags[b"chad"]))] if b"chad" in tags else []
    bodies += [(name, _xyz(tags[name])) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    return bodies + [(name, _curve(tags[name])) for name in (b"rTRC", b"gTRC", b"bTRC")]


def _xyz(tag: bytes) -> bytes:
    return _head(tag, b"XYZ ") + struct.pack(">3i", *struct.unpack_from(">3i", tag, 8))


def _adaptation(tag: bytes) -> bytes:
    return _head(tag, b"sf32") + struct.pack(">9i", *struct.unpack_from(">9i", tag, 8))


def _curve(tag: bytes) -> bytes:
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        count = _PARAMETERS[kind]
        values = struct.unpack_from(f">{count}i", tag, 12)
        return _head(tag, b"para") + struct.pack(f">HH{count}i", kind, 0, *values)
    (count,) = struct.unpack_from(">I", tag, 8)
    if count > _MOST_ENTRIES:
        raise ValueError("more entries than a camera has")
    entries = struct.unpack_from(f">{count}H", tag, 12)
    if list(entries) != sorted(entries):
        # Words would be no rising curve.
        raise ValueError("a curve that falls")
    return _head(tag, b"curv") + struct.pack(f">I{count}H", count, *entries)


def _table(tag: bytes) -> bytes:
    """Return a lut8 or lut16 with nothing behind it (ICC.1:2001-04 6.5.7 and 6.5.8)."""
    ins, outs, grid = tag[8:11]
    if tag[:4] == b"mft2":
        before, after = struct.unpack_from(">HH", tag, 48)
        length = 52 + 2 * (ins * before + grid**ins * outs + outs * after)
    elif tag[:4] == b"mft1":
        length = 48 + 256 * ins + grid**ins * outs + 256 * outs
    else:
        raise ValueError("no table of numbers")
    if ins != 3 or outs != 3 or len(tag) < length:
        raise ValueError("a table that breaks off")
    return _head(tag, tag[:4]) + bytes((ins, outs, grid, 0)) + tag[12:length]


def _head(tag: bytes, kind: bytes) -> bytes:
    if tag[:4] != kind:
        raise ValueError("another type")
    return kind + bytes(4)

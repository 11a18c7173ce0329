"""ICC profiles: matrix profiles of input devices made from published numbers, and read ones.

Sources: ICC.1:2001-04 (profile version 2.4): header 6.1, tags 6.4, types 6.5, three-component
matrix-based input profiles 6.3.1.2; PS3.3 C.11.15.1.1 (class ``scnr``, data space RGB).
Bradford cone matrix: ICC.1:2004 Annex E. sRGB: IEC 61966-2-1. Adobe RGB (1998): colour image
encoding specification of May 2005, 4.2-4.3. ROMM RGB: ISO 22028-2. Display P3 primaries:
SMPTE RP 431-2 with white D65.

The bytes depend on nothing but the numbers: the same call gives the same profile for ever.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from archiver.wording import Text

Vector: TypeAlias = "tuple[float, float, float]"
Matrix: TypeAlias = "tuple[Vector, Vector, Vector]"
Chromaticity: TypeAlias = "tuple[float, float]"

D65: Final[Chromaticity] = (0.3127, 0.3290)
D50: Final[Vector] = (0.9642, 1.0, 0.8249)  # ICC.1:2001-04 6.1.11

_BRADFORD: Final[Matrix] = (
    (0.8951, 0.2664, -0.1614),
    (-0.7502, 1.7135, 0.0367),
    (0.0389, -0.0685, 1.0296),
)
_HEADER: Final = 128
_SCANNER: Final = b"scnr"
#: The copyright tag of every profile that is made here.
COPYRIGHT: Final = b"text\0\0\0\0" + b"Made from published numbers; no rights reserved\0"


@dataclass(frozen=True)
class ColourEncoding:
    """A colour encoding: primaries (x, y) of red, green, blue; white; curve.

    `curve` is an exponent, or None for the curve of IEC 61966-2-1.
    """

    name: str
    red: Chromaticity
    green: Chromaticity
    blue: Chromaticity
    white: Chromaticity = D65
    curve: float | None = None


SRGB: Final = ColourEncoding("sRGB IEC61966-2.1", (0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
ADOBE_RGB: Final = ColourEncoding(
    "Compatible with Adobe RGB (1998)",
    (0.64, 0.33),
    (0.21, 0.71),
    (0.15, 0.06),
    curve=563 / 256,
)
DISPLAY_P3: Final = ColourEncoding(
    "P3 primaries, D65 white", (0.68, 0.32), (0.265, 0.69), (0.15, 0.06)
)

# Columns of ROMM RGB are given for D50, so nothing is adapted (ISO 22028-2).
_ROMM_COLUMNS: Final[Matrix] = (
    (0.7977, 0.2880, 0.0),
    (0.1352, 0.7119, 0.0),
    (0.0313, 0.0001, 0.8249),
)


def linear(value: float, curve: float | None) -> float:
    """Turn an encoded value (0..1) into a linear one (0..1)."""
    if curve is not None:
        return float(value**curve)
    return value / 12.92 if value <= 0.04045 else float(((value + 0.055) / 1.055) ** 2.4)


def columns(encoding: ColourEncoding) -> Matrix:
    """Return the XYZ of full red, green and blue, adapted to D50 by Bradford's method."""
    primaries = [_xyz(xy) for xy in (encoding.red, encoding.green, encoding.blue)]
    white = _xyz(encoding.white)
    strengths = _times(_inverse(_transposed(primaries)), white)
    adapt = adaptation(encoding.white)
    red, green, blue = (
        _times(adapt, (p[0] * s, p[1] * s, p[2] * s))
        for p, s in zip(primaries, strengths, strict=True)
    )
    return red, green, blue


def adaptation(white: Chromaticity) -> Matrix:
    """Return the Bradford matrix that takes `white` to D50."""
    here, there = _times(_BRADFORD, _xyz(white)), _times(_BRADFORD, D50)
    scaled = [
        (row[0] * b / a, row[1] * b / a, row[2] * b / a)
        for row, a, b in zip(_BRADFORD, here, there, strict=True)
    ]
    back = _inverse(_BRADFORD)
    rows = _transposed([_times(back, column) for column in _transposed(scaled)])
    return rows[0], rows[1], rows[2]


def input_profile(encoding: ColourEncoding) -> bytes:
    """Build a matrix profile of class ``scnr`` for an encoding.

    Returns
    -------
    bytes
        Profile version 2.4, data space RGB, connection space XYZ; the same bytes on
        every call.
    """
    curve = _curve(encoding.curve)
    red, green, blue = columns(encoding)
    adapt = adaptation(encoding.white)
    tags = [
        (b"desc", description(encoding.name)),
        (b"cprt", COPYRIGHT),
        (b"wtpt", xyz_type(D50)),
        (b"chad", b"sf32\0\0\0\0" + b"".join(_fixed(v) for row in adapt for v in row)),
        (b"rXYZ", xyz_type(red)),
        (b"gXYZ", xyz_type(green)),
        (b"bXYZ", xyz_type(blue)),
        (b"rTRC", curve),
        (b"gTRC", curve),
        (b"bTRC", curve),
    ]
    return assembled(tags)


@dataclass(frozen=True)
class IccProfile:
    """What the header and the tag table of a profile say.

    `columns` are the XYZ of its primaries and `curves` its three curves at 17 even places,
    where it is a matrix profile.
    """

    device_class: bytes
    data_space: bytes
    connection_space: bytes
    tags: frozenset[bytes]
    columns: Matrix | None
    curves: tuple[tuple[float, ...], ...] | None

    @property
    def is_matrix(self) -> bool:
        """Whether it has all that a matrix-based input profile must have."""
        return self.columns is not None and self.curves is not None

    @property
    def is_table(self) -> bool:
        """Whether it has what a table-based input profile must have."""
        return b"A2B0" in self.tags


class BadProfileError(ValueError):
    """A profile that cannot be used.

    Parameters
    ----------
    why
        What is wrong with it.
    """

    def __init__(self, why: Text) -> None:
        super().__init__(why)
        self.why = why


def read_profile(data: bytes) -> IccProfile:
    """Read a profile's header, tag table and matrix.

    Raises
    ------
    BadProfileError
        If it is damaged: too short, no signature, size or tags beyond the end.
    """
    tags = tags_of(data)
    try:
        matrix = tuple(_read_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ"))
        curves = tuple(_read_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC"))
    except KeyError:
        matrix = curves = ()
    except (struct.error, ValueError, OverflowError, ZeroDivisionError, TypeError):
        raise BadProfileError(Text("photo.icc.bad_matrix")) from None
    return IccProfile(
        data[12:16],
        data[16:20],
        data[20:24],
        frozenset(tags),
        (matrix[0], matrix[1], matrix[2]) if matrix else None,
        curves or None,
    )


def tags_of(data: bytes) -> dict[bytes, bytes]:
    """Return what stands under each signature of a profile's tag table.

    Raises
    ------
    BadProfileError
        If it is damaged: too short, no signature, size or tags beyond the end.
    """
    if len(data) < _HEADER + 4 or data[36:40] != b"acsp":
        raise BadProfileError(Text("photo.icc.no_profile"))
    size, count = struct.unpack_from(">I", data)[0], struct.unpack_from(">I", data, _HEADER)[0]
    if size > len(data) or count > 200 or _HEADER + 4 + 12 * count > size:
        raise BadProfileError(Text("photo.icc.breaks_off"))
    tags: dict[bytes, bytes] = {}
    for name, offset, length in struct.iter_unpack(
        ">4sII", data[_HEADER + 4 : _HEADER + 4 + 12 * count]
    ):
        if offset + length > size:
            raise BadProfileError(Text("photo.icc.breaks_off"))
        tags[name] = data[offset : offset + length]
    return tags


def without_tail(data: bytes) -> bytes:
    """Return the profile as long as it calls itself, and to the next multiple of four.

    Some programs write a buffer that is longer than the profile in it.
    """
    if len(data) < _HEADER + 4 or data[36:40] != b"acsp":
        return data
    (size,) = struct.unpack_from(">I", data)
    return data[:size] if _HEADER + 4 <= size < len(data) - 3 else data


def as_input_device(data: bytes) -> bytes:
    """Return the profile with its class set to ``scnr`` and its profile ID cleared.

    Only sensible for a profile that satisfies an input profile's demands otherwise; what it
    says of colours stays as it is. The ID is a digest over the bytes, header included, and
    zero is its value for "not computed" (ICC.1:2004 7.2.18).
    """
    return data[:12] + _SCANNER + data[16:84] + bytes(16) + data[100:]


def known_space(profile: IccProfile) -> str | None:
    """Name the encoding whose numbers a matrix profile has: a term of Color Space (0028,2002).

    Numbers decide, not the profile's description. Tolerances cover the roundings that
    profiles in use have: 0.002 in XYZ and 0.005 in the curves (common practice).
    """
    if profile.columns is None or profile.curves is None:
        return None
    known = (
        ("SRGB", columns(SRGB), None),
        ("ADOBERGB", columns(ADOBE_RGB), ADOBE_RGB.curve),
        ("ROMMRGB", _ROMM_COLUMNS, 1.8),
    )
    for term, matrix, curve in known:
        near = all(
            abs(a - b) <= 0.002
            for mine, theirs in zip(matrix, profile.columns, strict=True)
            for a, b in zip(mine, theirs, strict=True)
        )
        shape = [linear(i / 16, curve) for i in range(17)]
        if near and all(
            abs(a - b) <= 0.005 for c in profile.curves for a, b in zip(shape, c, strict=True)
        ):
            return term
    return None


def _xyz(xy: Chromaticity) -> Vector:
    x, y = xy
    return x / y, 1.0, (1 - x - y) / y


def _times(m: Sequence[Vector], v: Vector) -> Vector:
    a, b, c = (row[0] * v[0] + row[1] * v[1] + row[2] * v[2] for row in m)
    return a, b, c


def _transposed(m: Sequence[Vector]) -> list[Vector]:
    return [(m[0][i], m[1][i], m[2][i]) for i in range(3)]


def _inverse(m: Sequence[Vector]) -> list[Vector]:
    (a, b, c), (d, e, f), (g, h, i) = m
    determinant = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    rows = (
        (e * i - f * h, c * h - b * i, b * f - c * e),
        (f * g - d * i, a * i - c * g, c * d - a * f),
        (d * h - e * g, b * g - a * h, a * e - b * d),
    )
    return [(x / determinant, y / determinant, z / determinant) for x, y, z in rows]


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def xyz_type(value: Vector) -> bytes:
    """Return a tag of type XYZ."""
    return b"XYZ \0\0\0\0" + b"".join(_fixed(v) for v in value)


def _curve(curve: float | None) -> bytes:
    if curve is not None:  # one entry: an exponent as u8Fixed8Number
        return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(curve * 256))
    return sampled_curve([linear(i / 1023, None) for i in range(1024)])


def sampled_curve(values: Sequence[float]) -> bytes:
    """Return a tag of type curve that has these values (0..1) at even places."""
    entries = [round(value * 65535) for value in values]
    return b"curv\0\0\0\0" + struct.pack(f">I{len(entries)}H", len(entries), *entries)


def description(name: str) -> bytes:
    """Return a tag of type text description."""
    words = name.encode("ascii") + b"\0"
    # No Unicode and no script-code words: their fields are there, empty (6.5.17).
    return b"desc\0\0\0\0" + struct.pack(">I", len(words)) + words + bytes(4 + 4 + 2 + 1 + 67)


def assembled(tags: Sequence[tuple[bytes, bytes]], connection: bytes = b"XYZ ") -> bytes:
    """Return a profile of class ``scnr`` and data space RGB with these tags."""
    body, table, places = b"", b"", dict[bytes, int]()
    start = _HEADER + 4 + 12 * len(tags)
    for name, content in tags:
        if content not in places:  # equal curves are stored once
            places[content] = start + len(body)
            body += content + bytes(-len(content) % 4)
        table += struct.pack(">4sII", name, places[content], len(content))
    header = struct.pack(
        ">I4sI4s4s4s6H4s",
        start + len(body),
        bytes(4),
        0x02400000,
        _SCANNER,
        b"RGB ",
        connection,
        *(2026, 1, 1, 0, 0, 0),
        b"acsp",
    )
    header = header.ljust(68, b"\0") + b"".join(_fixed(v) for v in D50)
    return header.ljust(_HEADER, b"\0") + struct.pack(">I", len(tags)) + table + body


def _read_xyz(content: bytes) -> Vector:
    if content[:4] != b"XYZ ":
        raise ValueError("no XYZ type")
    x, y, z = struct.unpack_from(">3i", content, 8)
    return x / 65536, y / 65536, z / 65536


def curves_of(data: bytes) -> tuple[tuple[float, ...], ...] | None:
    """Return the three curves of a sound profile at 256 even places; None where it is a table."""
    tags = tags_of(data)
    names = (b"rTRC", b"gTRC", b"bTRC")
    return tuple(_read_curve(tags[n], 256) for n in names) if set(names) <= set(tags) else None


def _read_curve(content: bytes, number: int = 17) -> tuple[float, ...]:
    places = [i / (number - 1) for i in range(number)]
    if content[:4] == b"para":
        return tuple(_parametric(content, x) for x in places)
    if content[:4] != b"curv":
        raise ValueError("no curve")
    (count,) = struct.unpack_from(">I", content, 8)
    if count == 0:
        return tuple(places)
    if count == 1:
        exponent = struct.unpack_from(">H", content, 12)[0] / 256
        return tuple(x**exponent for x in places)
    entries = struct.unpack_from(f">{count}H", content, 12)
    values = []
    for x in places:
        at = min(int(x * (count - 1)), count - 2)
        part = x * (count - 1) - at
        values.append((entries[at] * (1 - part) + entries[at + 1] * part) / 65535)
    return tuple(values)


def _parametric(content: bytes, x: float) -> float:
    """Evaluate a parametric curve (ICC.1:2004 10.15, Table 45)."""
    kind = struct.unpack_from(">H", content, 8)[0]
    count = (1, 3, 4, 5, 7)[kind] if kind < 5 else 0
    if not count:
        raise ValueError("no such curve")
    values = [v / 65536 for v in struct.unpack_from(f">{count}i", content, 12)]
    g, a, b, c, d, e, f = values + [0.0] * (7 - count)
    if kind == 0:
        return float(x**g)
    if kind == 1:
        return float((a * x + b) ** g) if x >= -b / a else 0.0
    if kind == 2:
        return float((a * x + b) ** g + c) if x >= -b / a else c
    return float((a * x + b) ** g + e) if x >= d else c * x + f

"""Headers of PNG files (W3C PNG, third edition; clause numbers are that edition's)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import Format, Limits
from archiver.photo.colour import StatedColour, coded_statement
from archiver.photo.exif import read_blocks
from archiver.photo.header import ALPHA_NOTE, PictureHeader, check_budget, cut_short
from archiver.photo.icc import SRGB, ColourEncoding
from archiver.wording import Text

SIGNATURE = b"\x89PNG\r\n\x1a\n"
GREY, RGB, PALETTE, GREY_ALPHA, RGB_ALPHA = 0, 2, 3, 4, 6
_DEPTHS = {GREY: (1, 2, 4, 8, 16), PALETTE: (1, 2, 4, 8)}
_DEPTHS |= {RGB: (8, 16), GREY_ALPHA: (8, 16), RGB_ALPHA: (8, 16)}


def chunks(data: bytes) -> Iterator[tuple[bytes, memoryview]]:
    """Yield (type, content) of every chunk up to the end chunk (5.3).

    Raises
    ------
    PhotoError
        If a chunk reaches beyond the end or the end chunk is missing.
    """
    view, place = memoryview(data), len(SIGNATURE)
    while place + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, place)
        if place + 12 + length > len(data):
            break
        yield kind, view[place + 8 : place + 8 + length]
        if kind == b"IEND":
            return
        place += 12 + length
    raise cut_short(Format.PNG)


def read_png(data: bytes, limits: Limits) -> PictureHeader:
    """Read the header of a PNG.

    Raises
    ------
    PhotoError
        If it is damaged, cut short, animated, or too large.
    """
    kinds: dict[bytes, memoryview] = {}
    blocks: list[bytes] = []
    for kind, content in chunks(data):
        if not kinds:
            check_first(kind, content, limits)
        if kind == b"eXIf":
            blocks.append(bytes(content))
        kinds.setdefault(kind, content)
    columns, rows, depth, colour = struct.unpack_from(">IIBB", kinds[b"IHDR"])
    if b"IDAT" not in kinds:
        raise PhotoError("photo.png.no_picture")
    if b"acTL" in kinds:
        raise PhotoError(Problem("photo.png.animated"))
    notes: list[Problem] = []
    if colour in (GREY_ALPHA, RGB_ALPHA) or b"tRNS" in kinds:
        notes.append(ALPHA_NOTE)
    if depth == 16:
        notes.append(Problem("photo.header.bits_rounded", depth=16))
    samples = 1 if colour in (GREY, GREY_ALPHA) else 3
    icc, problem = _profile(kinds.get(b"iCCP"), limits)
    if problem is not None:
        notes.append(problem)
    return PictureHeader(
        columns,
        rows,
        samples,
        exif=read_blocks(blocks),
        icc=icc,
        stated=_stated(kinds),
        notes=tuple(notes),
    )


def check_first(kind: bytes, content: memoryview, limits: Limits) -> None:
    """Check the header chunk (11.2.1) and the pixel budget."""
    if kind != b"IHDR" or len(content) != 13:
        raise PhotoError("photo.png.no_header")
    columns, rows, depth, colour, method, filtering, interlace = struct.unpack(">IIBBBBB", content)
    if depth not in _DEPTHS.get(colour, ()) or method or filtering or interlace > 1:
        raise PhotoError("photo.png.header_damaged")
    check_budget(columns, rows, limits)


def _profile(chunk: memoryview | None, limits: Limits) -> tuple[bytes | None, Problem | None]:
    """Decompress the profile, never beyond what is believed of a profile (11.3.2.3)."""
    if chunk is None:
        return None, None
    _name, found, rest = bytes(chunk).partition(b"\0")
    expander = zlib.decompressobj()
    try:
        profile = expander.decompress(rest[1:], limits.max_profile + 1)
    except zlib.error:
        found = b""
    if not found or not profile:
        return None, Problem("photo.png.icc_profile_damaged")
    return profile, None


def _stated(kinds: dict[bytes, memoryview]) -> StatedColour | None:
    """Read what the chunks state of the colours, in the order of precedence of 13.14."""
    if b"cICP" in kinds and len(kinds[b"cICP"]) == 4:
        primaries, transfer = kinds[b"cICP"][:2]
        return coded_statement(primaries, transfer, Text("photo.colour.png_chunk"))
    if b"sRGB" in kinds:
        return StatedColour(SRGB, Text("photo.colour.png_srgb"))
    if b"gAMA" not in kinds or len(kinds[b"gAMA"]) != 4:
        return None
    (gamma,) = struct.unpack(">I", kinds[b"gAMA"])
    if not 10_000 <= gamma <= 100_000:  # exponents of 1 to 10
        return None
    source = Text("photo.colour.png_gama")
    # 45455 is what writers of sRGB put there for readers without its exact curve (11.3.2.5).
    curve = None if gamma == 45_455 else 100_000 / gamma
    if b"cHRM" not in kinds or len(kinds[b"cHRM"]) != 32:
        found = ColourEncoding("sRGB primaries", SRGB.red, SRGB.green, SRGB.blue, curve=curve)
        return StatedColour(SRGB if curve is None else found, source)
    numbers = [v / 100_000 for v in struct.unpack(">8I", kinds[b"cHRM"])]
    white, red, green, blue = zip(numbers[::2], numbers[1::2], strict=True)
    if not _spans_colours(red, green, blue) or not 0.1 < white[1] < 0.7:
        return None
    stated = ColourEncoding("PNG chromaticities", red, green, blue, white, curve)
    same = ColourEncoding(SRGB.name, red, green, blue, white)
    return StatedColour(SRGB if same == SRGB and curve is None else stated, source)


def _spans_colours(*corners: tuple[float, float]) -> bool:
    """Tell whether three chromaticities make a triangle that is worth the name."""
    (ax, ay), (bx, by), (cx, cy) = corners
    area = abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)) / 2
    return area > 0.01 and all(y > 0.001 and x + y <= 1.0001 for x, y in corners)

"""Reading of EXIF blocks into claims.

Whatever is wrong with a block costs the values it touches and never the photograph.
Source: EXIF 2.32 (CIPA DC-008). Which tag becomes which attribute is the table in
`archiver.photo.exif_rows`.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from archiver.errors import Problem
from archiver.photo.camera_file import AttributeValue, Claims
from archiver.photo.capture_time import read_time
from archiver.photo.exif_rows import ROWS, Unbelievable, words
from archiver.photo.ifd import EXIF_POINTER, INTEROP_POINTER, Directory, TiffLayout
from archiver.wording import Text

_MARK = b"Exif\0\0"
_ORIENTATION, _MAKE, _MODEL, _SOFTWARE = 274, 271, 272, 305
_COLOUR_SPACE, _BODY_SERIAL, _INTEROP_INDEX = 40961, 42033, 1
_MAX_LO = 64


@dataclass(frozen=True)
class ExifBlock:
    """What a block told.

    Parameters
    ----------
    claims
        Attributes, camera, time.
    orientation
        1..8; 1 where it is absent or nonsense.
    colour_space
        Value of the tag ColorSpace (1 sRGB, 65535 uncalibrated), or None.
    interoperability
        Index of the interoperability rule (``R98``, ``R03``), or None.
    notes
        What is wrong with it.
    layout
        The block itself, for what is no claim of the photograph.
    """

    claims: Claims = field(default_factory=Claims)
    orientation: int = 1
    colour_space: int | None = None
    interoperability: str | None = None
    notes: tuple[Problem, ...] = ()
    layout: TiffLayout | None = field(default=None, repr=False, compare=False)


def read_exif(block: bytes | None) -> ExifBlock:
    """Read an EXIF block, with or without the mark ``Exif`` before it.

    Parameters
    ----------
    block
        TIFF structure; None or empty where the file has none.
    """
    if not block:
        return ExifBlock()
    if block.startswith(_MARK):
        block = block[len(_MARK) :]
    try:
        layout = TiffLayout(block)
    except ValueError:
        return ExifBlock(notes=(_damaged(),))
    main = layout.directory(layout.first)
    if main is None:
        return ExifBlock(notes=(_damaged(),))
    return read_directories(layout, main)


def read_blocks(blocks: Sequence[bytes]) -> ExifBlock:
    """Read the first readable block of a file, and note what further ones say otherwise.

    The standard knows one block a file; which of several a reader goes by is its own affair
    (common practice: the first).
    """
    several = [read_exif(block) for block in blocks]
    damaged = tuple(note for one in several if one.layout is None for note in one.notes)
    readable = [one for one in several if one.layout is not None]
    if not readable:
        return ExifBlock(notes=damaged[:1])
    first, told = readable[0], _claimed(readable[0])
    names = {
        name
        for further in readable[1:]
        for name, value in _claimed(further).items()
        if told.get(name, value) != value
    }
    notes = damaged[:1] + first.notes
    if names:
        count = len(readable)
        notes += (Problem("photo.exif.blocks_disagree", n=count, names=sorted(names)),)
    return replace(first, notes=notes)


def _claimed(block: ExifBlock) -> dict[str, object]:
    """What a block tells, by name; an orientation even where it is silent, which means 1."""
    claims = block.claims
    told: dict[str, object] = {
        "Make": claims.make,
        "Model": claims.model,
        "BodySerialNumber": claims.serial_number,
        "Software": claims.software,
        "DateTime": claims.captured.text if claims.captured else None,
        "ColorSpace": block.colour_space,
        **dict(claims.rows),
    }
    found = {name: value for name, value in told.items() if value is not None}
    return {"Orientation": block.orientation, **found}


def read_directories(layout: TiffLayout, main: Directory) -> ExifBlock:
    """Read the claims of a main directory and of those that it points at."""
    notes: list[Problem] = []
    exif = _pointed(layout, main, EXIF_POINTER, notes)
    interop = _pointed(layout, exif, INTEROP_POINTER, [])
    directories = {"main": main, "exif": exif, "interop": interop}
    broken = sum(len(d.broken) for d in directories.values())
    if broken:
        notes.append(Problem("photo.exif.entries_damaged", broken=broken))
    rows, doubts = _rows(directories, layout.order)
    notes += doubts
    orientation, doubt = _orientation(main)
    captured, time_notes = read_time(main, exif)
    index = interop.octets(_INTEROP_INDEX)
    claims = Claims(
        rows=tuple(rows.items()),
        make=_label(main, _MAKE, "Make", notes),
        model=_label(main, _MODEL, "Model", notes),
        serial_number=_label(exif, _BODY_SERIAL, "BodySerialNumber", notes),
        software=_label(main, _SOFTWARE, "Software", notes),
        captured=captured,
    )
    return ExifBlock(
        claims,
        orientation,
        exif.number(_COLOUR_SPACE),
        words(index) if index else None,
        (*notes, *doubt, *time_notes),
        layout,
    )


def directories(layout: TiffLayout | None) -> tuple[Directory, Directory]:
    """Return the first directory and EXIF's own; empty ones where there are none."""
    main = layout.directory(layout.first) if layout is not None else None
    if layout is None or main is None:
        return Directory(), Directory()
    return main, layout.directory(main.number(EXIF_POINTER) or 0) or Directory()


def _rows(
    directories: dict[str, Directory], order: str
) -> tuple[dict[str, AttributeValue], list[Problem]]:
    """Convert every row of the table that the block has a tag for; one note a bad tag."""
    rows: dict[str, AttributeValue] = {}
    doubts: dict[int, Problem] = {}
    for row in ROWS:
        value = directories[row.where].tags.get(row.tag)
        if value is None or row.keyword in rows:
            continue
        try:
            converted = row.convert(value, order)
        except (Unbelievable, struct.error) as doubt:
            why = doubt.why if isinstance(doubt, Unbelievable) else Text("photo.exif.breaks_off")
            problem = Problem("photo.exif.left_out", name=row.keyword, why=why)
            doubts.setdefault(row.tag, problem)
            continue
        if converted is not None:
            rows[row.keyword] = converted
    return rows, list(doubts.values())


def _pointed(
    layout: TiffLayout, directory: Directory, pointer: int, notes: list[Problem]
) -> Directory:
    """Follow a pointer; an empty directory where there is none or it leads nowhere."""
    offset = directory.number(pointer)
    if offset is None:
        return Directory()
    found = layout.directory(offset)
    if found is None:
        notes.append(_damaged())
        return Directory()
    return found


def _orientation(main: Directory) -> tuple[int, tuple[Problem, ...]]:
    value = main.tags.get(_ORIENTATION)
    if value is None:
        return 1, ()
    number = main.number(_ORIENTATION)
    if number is not None and 1 <= number <= 8:
        return number, ()
    shown = number if number is not None else "no number"
    return 1, (Problem("photo.exif.bad_orientation", shown=shown),)


def _label(directory: Directory, tag: int, name: str, notes: list[Problem]) -> str | None:
    """Read text for an LO attribute: no backslash, 64 characters (PS3.5 6.2)."""
    raw = directory.octets(tag)
    found = words(raw) if raw is not None else None
    if found is None:
        return None
    found = found.replace("\\", "/")
    if len(found) > _MAX_LO:
        notes.append(Problem("photo.exif.too_long", name=name, length=len(found), longest=_MAX_LO))
        found = found[:_MAX_LO].strip()
    return found


def _damaged() -> Problem:
    return Problem("photo.exif.block_damaged")

"""Marks that programs leave in a picture and cameras do not.

What counts, how much, and where that is known from is data: ``tables/editor_marks.toml``.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from archiver.photo.camera_file import CameraFile, Format
from archiver.photo.doubts import DoubtKind, PictureDoubt
from archiver.photo.embedded_pictures import thumbnail_stream
from archiver.photo.exif import directories
from archiver.photo.exif_rows import words
from archiver.photo.ifd import Directory
from archiver.photo.jpeg_structure import COM, DHT, DQT, JpegStructure, Process
from archiver.wording import Text

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

#: Weight from which a doubt is told, and what a thumbnail that shows the picture as it is takes
#: from marks that are no proof each: whoever flipped it would have had to make the thumbnail anew.
ENOUGH, _REASSURED = 1.0, 0.5
_ANEW = "thumbnail_anew"
_APP1, _APP13 = 0xE1, 0xED
_MAKE, _MODEL, _CHANGED, _PROCESSING = 271, 272, 306, 11
_TAKEN, _MAKER_NOTE, _ACROSS, _DOWN, _EXPOSURE = 36867, 37500, 40962, 40963, 33434
#: What begins a stream that has a JFIF segment (ITU-T T.871).
_JFIF = re.compile(rb"\xff\xd8\xff\xe0..JFIF\0", re.DOTALL)
_TOOL = re.compile(rb"CreatorTool(?:=\"|>)([^\"<]{1,200})")
_HISTORY = (b"stEvt:action", b"xmpMM:History")
#: Bytes of each Huffman table of ITU-T T.81 K.3: DC luminance and chrominance, then AC.
_TYPICAL = {0x00: 12, 0x01: 12, 0x10: 162, 0x11: 162}
#: From the zigzag of T.81 figure A.6 to rows.
_ZIGZAG = (
    *(0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34),
    *(27, 20, 13, 6, 7, 14, 21, 28, 35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44),
    *(51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63),
)


@dataclass(frozen=True)
class EditorMark:
    """One mark.

    Parameters
    ----------
    name
        Its row in the table.
    text
        What was found, in words.
    """

    name: str
    text: Text

    @property
    def weight(self) -> float:
        """How much it weighs."""
        return float(_table()["mark"][self.name]["weight"])


def editor_doubts(photo: CameraFile, *, thumbnail_agrees: bool = False) -> tuple[PictureDoubt, ...]:
    """Tell of marks that together weigh enough.

    Parameters
    ----------
    thumbnail_agrees
        Whether a picture that the camera embedded shows this one as it is.
    """
    found = editor_marks(photo)
    weights = [mark.weight for mark in found]
    weight = sum(w for w in weights if w >= ENOUGH)
    weak = sum(w for w in weights if w < ENOUGH)
    reassured = thumbnail_agrees and all(mark.name != _ANEW for mark in found)
    weight += max(0.0, weak - _REASSURED) if reassured else weak
    if weight < ENOUGH:
        return ()
    evidence = {
        "marks": [mark.name for mark in found],
        "found": [str(mark.text) for mark in found],
        "weight": weight,
    }
    return (
        PictureDoubt(
            DoubtKind.EDITOR,
            Text("photo.doubt.editor", marks=tuple(mark.text for mark in found)),
            evidence,
        ),
    )


def editor_marks(photo: CameraFile) -> tuple[EditorMark, ...]:
    """Find the marks of a file, each once."""
    return tuple(mark for find in _FINDERS for mark in find(photo))


@cache
def _table() -> dict[str, Any]:
    text = files("archiver.photo").joinpath("tables", "editor_marks.toml").read_text("utf-8")
    return tomllib.loads(text)


def _mark(mark: str, /, **values: object) -> EditorMark:
    return EditorMark(mark, Text(f"photo.mark.{mark}", **values))


def _names_editor(name: str) -> bool:
    return any(word in name.casefold() for word in _table()["names"]["editors"])


def _text(directory: Directory, tag: int) -> str:
    octets = directory.octets(tag)
    return (words(octets) or "") if octets else ""


def _of_names(photo: CameraFile) -> Iterator[EditorMark]:
    main, _ = directories(photo.exif)
    software, processing = photo.claims.software or "", _text(main, _PROCESSING)
    if software and _names_editor(software):
        yield _mark("software", name=software[:60])
    if processing:
        yield _mark("processing_software", name=processing[:60])
    if photo.structure is None:
        return
    for comment in photo.structure.payloads(photo.data, COM):
        told = words(comment) or ""
        if _names_editor(told):
            yield _mark("comment", name=told[:60])
            return


def _of_xmp(photo: CameraFile) -> Iterator[EditorMark]:
    structure = photo.structure
    if structure is not None:
        packets = structure.payloads(photo.data, _APP1, b"http://ns.adobe.com/")
    else:
        start = photo.data.find(b"<x:xmpmeta")
        packets = [photo.data[start : start + (1 << 18)]] if start >= 0 else []
    if any(mark in packet for packet in packets for mark in _HISTORY):
        yield _mark("history")
    for packet in packets:
        tool = _TOOL.search(packet)
        name = (words(tool.group(1)) or "") if tool is not None else ""
        if _names_editor(name):
            yield _mark("creator_tool", name=name[:60])
            return


def _of_camera(photo: CameraFile) -> Iterator[EditorMark]:
    if photo.format in (Format.PNG, Format.BMP, Format.WEBP):
        yield _mark("kind", kind=photo.format.text)
    main, exif = directories(photo.exif)
    if not main.tags:
        if photo.format in (Format.JPEG, Format.HEIF):
            yield _mark("no_camera_data")
        return
    if not (_text(main, _MAKE) or _text(main, _MODEL)):
        yield _mark("no_maker")
    elif _MAKER_NOTE not in exif.tags:
        yield _mark("no_maker_note")
    taken, changed = _text(exif, _TAKEN), _text(main, _CHANGED)
    if not taken and _EXPOSURE not in exif.tags:
        yield _mark("no_exposure")
    if taken and changed and changed > taken:
        yield _mark("changed_later", taken=taken, changed=changed)
    if photo.format is Format.JPEG and not main.following:
        yield _mark("no_thumbnail")
    told = exif.number(_ACROSS), exif.number(_DOWN)
    size = (photo.columns, photo.rows)
    if photo.format is Format.JPEG and None not in told and 0 not in told and told != size:
        yield _mark("size", told=f"{told[0]} x {told[1]}", size=f"{size[0]} x {size[1]}")


def _of_stream(photo: CameraFile) -> Iterator[EditorMark]:
    structure = photo.structure
    if structure is None:
        return
    if structure.process is Process.PROGRESSIVE:
        yield _mark("progressive")
    if structure.adobe_transform is not None:
        yield _mark("adobe")
    if structure.payloads(photo.data, _APP13):
        yield _mark("resources")
    if structure.jfif and photo.exif is not None:
        yield _mark("jfif")
    elif _JFIF.match(thumbnail_stream(photo.exif)):
        yield _mark(_ANEW)
    quality = library_quality(_quantisation(photo.data, structure))
    if quality is not None:
        yield _mark("library_tables", quality=quality)
    if len(structure.components) == 3 and structure.sampling not in ("4:2:2", "4:2:0", "4:4:0"):
        yield _mark("sampling", sampling=structure.sampling)
    if structure.process is Process.BASELINE and not _has_typical_huffman(photo.data, structure):
        yield _mark("optimised")


_FINDERS: tuple[Callable[[CameraFile], Iterator[EditorMark]], ...] = (
    _of_names,
    _of_xmp,
    _of_camera,
    _of_stream,
)


def library_quality(tables: Sequence[Sequence[int]]) -> int | None:
    """Return at which quality libjpeg would have made these tables; None where at none.

    Parameters
    ----------
    tables
        Luminance, then chrominance where there is one, row by row.

    Notes
    -----
    libjpeg's jcparam.c: scale = 5000 / quality below 50, else 200 - 2 quality; an element is
    (basic scale + 50) / 100, from 1 to 255.
    """
    known = _table()["annex_k"]
    basics = (known["luminance"], known["chrominance"])
    if not 1 <= len(tables) <= 2:
        return None
    for quality in range(1, 101):
        scale = 5000 // quality if quality < 50 else 200 - 2 * quality
        if all(
            len(table) == 64
            and all(
                have == min(max((basic * scale + 50) // 100, 1), 255)
                for have, basic in zip(table, basics[n], strict=True)
            )
            for n, table in enumerate(tables)
        ):
            return quality
    return None


def _quantisation(data: bytes, structure: JpegStructure) -> list[list[int]]:
    """Return the tables that luminance and the first chrominance use, row by row (T.81 B.2.4.1)."""
    tables: dict[int, list[int]] = {}
    for segment in structure.segments:
        place = segment.payload
        while segment.marker == DQT and place < segment.end:
            wide, number = data[place] >> 4, data[place] & 15
            step = 2 if wide else 1
            octets = data[place + 1 : place + 1 + 64 * step]
            if len(octets) == 64 * step:
                rows = [0] * 64
                for at, where in enumerate(_ZIGZAG):
                    rows[where] = int.from_bytes(octets[at * step : (at + 1) * step], "big")
                tables[number] = rows
            place += 1 + 64 * step
    used = [component.quantisation for component in structure.components[:2]]
    return [tables[number] for number in used if number in tables]


def _has_typical_huffman(data: bytes, structure: JpegStructure) -> bool:
    """Whether the Huffman tables have as many codes as those of T.81 K.3 (B.2.4.2)."""
    for segment in structure.segments:
        place = segment.payload
        while segment.marker == DHT and place + 17 <= segment.end:
            count = sum(data[place + 1 : place + 17])
            if count != _TYPICAL.get(data[place], -1):
                return False
            place += 17 + count
    return True

"""The sheet as PDF, for A4 and Letter; black on white, so that a grey printer loses nothing."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from typing import Any, Final, Literal

from reportlab import rl_config
from reportlab.lib.utils import ImageReader, simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from archiver.handover.facts import sheet_text
from archiver.handover.sheet import Sheet, SheetPicture
from archiver.sheets import BOLD, REGULAR, font_file

Paper = Literal["a4", "letter"]
#: Points; ISO 216 and ANSI/ASME Y14.1.
SIZES: Final[dict[str, tuple[float, float]]] = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}
_MARGIN, _GAP = 34.0, 12.0
_PLAIN, _BOLD = "SheetPlain", "SheetBold"
_HEAD, _RIM = 62.0, 13.0
#: Pictures up to which there are so many columns and rows on a page.
_GRIDS = ((1, 1, 1), (2, 1, 2), (4, 2, 2), (6, 2, 3))
_MOST = 6
_EDGES: Final = ("top", "bottom", "left", "right")
#: Below this height of a card the colour table has a page of its own.
_LOWEST = 190.0


@cache
def _fonts() -> None:
    pdfmetrics.registerFont(TTFont(_PLAIN, font_file(REGULAR)))
    pdfmetrics.registerFont(TTFont(_BOLD, font_file(BOLD)))


@dataclass(frozen=True)
class _Area:
    """A rectangle on the page: left, top and size; y grows upwards, as in PDF."""

    left: float
    top: float
    wide: float
    high: float


def pdf_of(sheet: Sheet, paper: Paper = "a4") -> bytes:
    """Draw a sheet.

    Returns
    -------
    bytes
        A PDF file; the same for the same sheet, without a date.
    """
    _fonts()
    # Bytes as they are, not as text: shorter, and quicker to write.
    rl_config.useA85 = 0
    out = io.BytesIO()
    size = SIZES[paper]
    canvas = Canvas(out, pagesize=size, invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(sheet_text("case", case=sheet.case))
    canvas.setSubject(sheet.title)
    canvas.setAuthor("")
    canvas.setCreator("archiver")
    pages = _paged(sheet, size)
    for number, (pictures, colour) in enumerate(pages, 1):
        _page(canvas, sheet, size, pictures, colour, (number, len(pages)))
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _grid(count: int) -> tuple[int, int]:
    return next((columns, rows) for most, columns, rows in _GRIDS if count <= most)


def _grouped(pictures: Sequence[SheetPicture]) -> list[list[SheetPicture]]:
    """Share pictures out over pages; those of a day stay together where they can."""
    pages: list[list[SheetPicture]] = [[]]
    for _, several in groupby(pictures, key=lambda one: one.day):
        group = list(several)
        if pages[-1] and len(pages[-1]) + len(group) > _MOST:
            pages.append([])
        for one in group:
            if len(pages[-1]) == _MOST:
                pages.append([])
            pages[-1].append(one)
    return pages


def _paged(sheet: Sheet, size: tuple[float, float]) -> list[tuple[Sequence[SheetPicture], bool]]:
    """Return the pages: their pictures, and whether the colour table is on them."""
    groups = _grouped(sheet.pictures)
    pages: list[tuple[Sequence[SheetPicture], bool]] = [(group, False) for group in groups]
    if sheet.colour.is_empty:
        return pages
    _, rows = _grid(len(groups[-1]))
    room = _body(sheet, size).high - _colour_height(sheet, size)
    if room / rows >= _LOWEST:
        pages[-1] = (groups[-1], True)
    else:
        pages.append(((), True))
    return pages


def _body(sheet: Sheet, size: tuple[float, float]) -> _Area:
    wide, high = size
    foot = _foot_height(sheet, wide - 2 * _MARGIN)
    top = high - _MARGIN - _HEAD
    return _Area(_MARGIN, top, wide - 2 * _MARGIN, top - _MARGIN - foot)


def _page(
    canvas: Canvas,
    sheet: Sheet,
    size: tuple[float, float],
    pictures: Sequence[SheetPicture],
    colour: bool,
    numbers: tuple[int, int],
) -> None:
    _head(canvas, sheet, size)
    body = _body(sheet, size)
    high = body.high - (_colour_height(sheet, size) if colour else 0)
    if pictures:
        columns, rows = _grid(len(pictures))
        wide = (body.wide - (columns - 1) * _GAP) / columns
        each = (high - rows * _GAP) / rows
        for index, one in enumerate(pictures):
            row, column = divmod(index, columns)
            left, top = body.left + column * (wide + _GAP), body.top - row * (each + _GAP)
            _card(canvas, one, _Area(left, top, wide, each))
    if colour:
        top = body.top - (high if pictures else 0)
        _colour(canvas, sheet, _Area(body.left, top, body.wide, body.high))
    _foot(canvas, sheet, size, numbers)


def _text(canvas: Canvas, x: float, y: float, words: str, font: str, size: float) -> None:
    canvas.setFont(font, size)
    canvas.drawString(x, y, words)


def _fitted(words: str, font: str, size: float, wide: float, least: float = 5.5) -> float:
    """Return the size at which a line fits, not below the least that can be read."""
    needed = pdfmetrics.stringWidth(words, font, size)
    return max(least, size * min(1.0, wide / needed)) if needed else size


def _head(canvas: Canvas, sheet: Sheet, size: tuple[float, float]) -> None:
    wide, high = size
    top = high - _MARGIN
    canvas.setFillGray(0)
    _text(canvas, _MARGIN, top - 20, sheet_text("case", case=sheet.case), _BOLD, 22)
    room = wide - 2 * _MARGIN
    canvas.setFont(_BOLD, 11)
    canvas.drawRightString(wide - _MARGIN, top - 10, sheet.title)
    canvas.setFont(_PLAIN, _fitted(sheet.to, _PLAIN, 10, room * 0.5))
    canvas.drawRightString(wide - _MARGIN, top - 23, sheet.to)
    _text(canvas, _MARGIN, top - 38, sheet_text("numbering"), _PLAIN, 7.5)
    _text(canvas, _MARGIN, top - 48, sheet_text("legend"), _PLAIN, 7.5)
    canvas.setLineWidth(1.2)
    canvas.line(_MARGIN, top - 54, wide - _MARGIN, top - 54)


def _lines_of(one: SheetPicture, wide: float, size: float) -> list[str]:
    made: list[str] = []
    for line in one.lines:
        made += simpleSplit(line, _PLAIN, size, wide)
    return made


def _card(canvas: Canvas, one: SheetPicture, area: _Area) -> None:
    size = 8.0
    step = size * 1.28
    titles = simpleSplit(one.title, _BOLD, size + 2.5, area.wide)
    y = area.top
    for line in titles:
        y -= size + 4
        _text(canvas, area.left, y, line, _BOLD, size + 2.5)
    lines = _lines_of(one, area.wide, size)
    chip = size + 7
    below = step * len(lines) + chip + 8
    plate = _Area(area.left, y - 4, area.wide, max(40.0, y - 4 - (area.top - area.high) - below))
    bottom = _plate(canvas, one, plate)
    y = bottom - 3
    _chip(canvas, one, _Area(area.left, y, area.wide, chip), size)
    y -= chip + 2
    for line in lines:
        y -= step
        _text(canvas, area.left, y, line, _PLAIN, size)


def _plate(canvas: Canvas, one: SheetPicture, area: _Area) -> float:
    """Draw the picture with its letters beside it; return where it ends."""
    columns, rows = one.size
    scale = min((area.wide - 2 * _RIM) / columns, (area.high - 2 * _RIM) / rows)
    wide, high = columns * scale, rows * scale
    left = area.left + (area.wide - wide) / 2
    top = area.top - _RIM
    picture = ImageReader(io.BytesIO(one.jpeg))
    canvas.drawImage(picture, left, top - high, wide, high)
    canvas.setLineWidth(0.4)
    canvas.rect(left, top - high, wide, high)
    edges = one.facts.edges
    middle = (left + wide / 2, top - high / 2)
    places = (
        (edges.top, middle[0], top + _RIM / 2),
        (edges.bottom, middle[0], top - high - _RIM / 2),
        (edges.left, left - _RIM / 2, middle[1]),
        (edges.right, left + wide + _RIM / 2, middle[1]),
    )
    for edge, (letter, x, y) in zip(_EDGES, places, strict=True):
        _letter(canvas, letter, x, y, 9.5)
        word = one.facts.edges.words.get(edge, "")
        canvas.saveState()
        canvas.translate(x, y)
        if edge in ("left", "right"):
            canvas.rotate(90)
        canvas.setFont(_PLAIN, 7.5)
        canvas.drawString(9, -2.7, word)
        canvas.restoreState()
    return top - high - _RIM


def _letter(canvas: Canvas, letter: str, x: float, y: float, size: float) -> None:
    """Draw a direction letter; the patient's right white on black, so that it is seen first."""
    if letter == "R":
        canvas.setFillGray(0)
        canvas.circle(x, y, size * 0.66, stroke=0, fill=1)
        canvas.setFillGray(1)
    canvas.setFont(_BOLD, size)
    canvas.drawCentredString(x, y - size * 0.36, letter or "?")
    canvas.setFillGray(0)


def _chip(canvas: Canvas, one: SheetPicture, area: _Area, size: float) -> None:
    fitted = _fitted(one.status, _BOLD, size, area.wide - 10)
    wide = min(area.wide, pdfmetrics.stringWidth(one.status, _BOLD, fitted) + 10)
    canvas.setLineWidth(0.8)
    alarming = bool(one.doubts)
    canvas.roundRect(area.left, area.top - area.high, wide, area.high, 3, 1, int(alarming))
    canvas.setFillGray(1 if alarming else 0)
    y = area.top - area.high / 2 - fitted * 0.36
    _text(canvas, area.left + 5, y, one.status, _BOLD, fitted)
    canvas.setFillGray(0)


def _colour_lines(sheet: Sheet, wide: float) -> list[tuple[str, str]]:
    """Font and text of every line of the colour table."""
    found = [(_BOLD, sheet_text("colour_heading"))]
    for number, kind, words in sheet.colour.rows:
        found += [(_PLAIN, s) for s in simpleSplit(f"{number}  {kind}: {words}", _PLAIN, 8, wide)]
    for words in sheet.colour.warnings:
        found += [(_BOLD, s) for s in simpleSplit(f"! {words}", _BOLD, 8, wide)]
    for words in sheet.colour.comparisons:
        found += [(_PLAIN, s) for s in simpleSplit(words, _PLAIN, 8, wide)]
    return found


def _colour_height(sheet: Sheet, size: tuple[float, float]) -> float:
    return len(_colour_lines(sheet, size[0] - 2 * _MARGIN - 16)) * 10.5 + 20


def _colour(canvas: Canvas, sheet: Sheet, area: _Area) -> None:
    lines = _colour_lines(sheet, area.wide - 16)
    high = len(lines) * 10.5 + 10
    canvas.setLineWidth(0.8)
    canvas.rect(area.left, area.top - high, area.wide, high)
    y = area.top - 2
    for font, words in lines:
        y -= 10.5
        _text(canvas, area.left + 8, y, words, font, 8)


def _foot_lines(sheet: Sheet, wide: float) -> list[str]:
    return [s for words in sheet.cautions for s in simpleSplit(f"• {words}", _PLAIN, 7, wide)]


def _foot_height(sheet: Sheet, wide: float) -> float:
    return len(_foot_lines(sheet, wide)) * 8.8 + 22


def _foot(
    canvas: Canvas, sheet: Sheet, size: tuple[float, float], numbers: tuple[int, int]
) -> None:
    wide = size[0] - 2 * _MARGIN
    y = _MARGIN + _foot_height(sheet, wide) - 12
    canvas.setLineWidth(0.6)
    canvas.line(_MARGIN, y, size[0] - _MARGIN, y)
    for line in _foot_lines(sheet, wide):
        y -= 8.8
        _text(canvas, _MARGIN, y, line, _PLAIN, 7)
    _text(canvas, _MARGIN, _MARGIN - 6, sheet_text("case", case=sheet.case), _BOLD, 7)
    canvas.setFont(_PLAIN, 7)
    told: Any = sheet_text("page", number=numbers[0], count=numbers[1])
    canvas.drawRightString(size[0] - _MARGIN, _MARGIN - 6, told)

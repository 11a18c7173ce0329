"""The sheet as PDF, for A4 and Letter; black on white, so that a grey printer loses nothing."""

from __future__ import annotations

import io
from collections.abc import Sequence
from itertools import groupby
from typing import Any, Final, Literal

from reportlab import rl_config
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from archiver.handover.case_page import draw_case
from archiver.handover.facts import language, numbering_words, sheet_text
from archiver.handover.pdf_drawing import (
    BOLD_FACE,
    PLAIN,
    Area,
    draw_plate,
    draw_text,
    fitted,
    load_fonts,
)
from archiver.handover.sheet import Sheet, SheetPicture

Paper = Literal["a4", "letter"]
#: Points; ISO 216 and ANSI/ASME Y14.1.
SIZES: Final[dict[str, tuple[float, float]]] = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}
_MARGIN, _GAP = 34.0, 12.0
_HEAD = 62.0
#: Pictures up to which there are so many columns and rows on a page.
_GRIDS = ((1, 1, 1), (2, 1, 2), (4, 2, 2), (6, 2, 3))
_MOST = 6
#: Below this height of a card the colour table has a page of its own.
_LOWEST = 190.0


def pdf_of(sheet: Sheet, paper: Paper = "a4") -> bytes:
    """Draw a sheet.

    Returns
    -------
    bytes
        A PDF file; the same for the same sheet, without a date.
    """
    load_fonts()
    # Bytes as they are, not as text: shorter, and quicker to write.
    rl_config.useA85 = 0
    out = io.BytesIO()
    size = SIZES[paper]
    canvas = Canvas(out, pagesize=size, invariant=1, pageCompression=1, lang=language())
    canvas.setTitle(sheet_text("case", case=sheet.case))
    canvas.setSubject(sheet.title)
    canvas.setAuthor("")
    canvas.setCreator("archiver")
    pages = _paged(sheet, size)
    count = len(pages) + (sheet.case_facts is not None)
    if sheet.case_facts is not None:
        _head(canvas, sheet, size)
        draw_case(canvas, sheet, sheet.case_facts, _body(sheet, size))
        _foot(canvas, sheet, size, (1, count))
        canvas.showPage()
    for number, (pictures, colour) in enumerate(pages, 1 + count - len(pages)):
        _page(canvas, sheet, size, pictures, colour, (number, count))
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


def _body(sheet: Sheet, size: tuple[float, float]) -> Area:
    wide, high = size
    foot = _foot_height(sheet, wide - 2 * _MARGIN)
    top = high - _MARGIN - _HEAD
    return Area(_MARGIN, top, wide - 2 * _MARGIN, top - _MARGIN - foot)


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
            _card(canvas, one, Area(left, top, wide, each))
    if colour:
        top = body.top - (high if pictures else 0)
        _colour(canvas, sheet, Area(body.left, top, body.wide, body.high))
    _foot(canvas, sheet, size, numbers)


def _head(canvas: Canvas, sheet: Sheet, size: tuple[float, float]) -> None:
    wide, high = size
    top = high - _MARGIN
    canvas.setFillGray(0)
    draw_text(canvas, _MARGIN, top - 20, sheet_text("case", case=sheet.case), BOLD_FACE, 22)
    room = wide - 2 * _MARGIN
    canvas.setFont(BOLD_FACE, 11)
    canvas.drawRightString(wide - _MARGIN, top - 10, sheet.title)
    canvas.setFont(PLAIN, fitted(sheet.to, PLAIN, 10, room * 0.5))
    canvas.drawRightString(wide - _MARGIN, top - 23, sheet.to)
    draw_text(canvas, _MARGIN, top - 38, numbering_words(), PLAIN, 7.5)
    draw_text(canvas, _MARGIN, top - 48, sheet_text("legend"), PLAIN, 7.5)
    canvas.setLineWidth(1.2)
    canvas.line(_MARGIN, top - 54, wide - _MARGIN, top - 54)


def _lines_of(one: SheetPicture, wide: float, size: float) -> list[str]:
    made: list[str] = []
    for line in one.lines:
        made += simpleSplit(line, PLAIN, size, wide)
    return made


def _card(canvas: Canvas, one: SheetPicture, area: Area) -> None:
    size = 8.0
    step = size * 1.28
    titles = simpleSplit(one.title, BOLD_FACE, size + 2.5, area.wide)
    y = area.top
    for line in titles:
        y -= size + 4
        draw_text(canvas, area.left, y, line, BOLD_FACE, size + 2.5)
    lines = _lines_of(one, area.wide, size)
    chip = size + 7
    below = step * len(lines) + chip + 8
    plate = Area(area.left, y - 4, area.wide, max(40.0, y - 4 - (area.top - area.high) - below))
    bottom = draw_plate(canvas, one, plate)
    y = bottom - 3
    _chip(canvas, one, Area(area.left, y, area.wide, chip), size)
    y -= chip + 2
    for line in lines:
        y -= step
        draw_text(canvas, area.left, y, line, PLAIN, size)


def _chip(canvas: Canvas, one: SheetPicture, area: Area, size: float) -> None:
    face = fitted(one.status, BOLD_FACE, size, area.wide - 10)
    wide = min(area.wide, pdfmetrics.stringWidth(one.status, BOLD_FACE, face) + 10)
    canvas.setLineWidth(0.8)
    alarming = bool(one.doubts)
    canvas.roundRect(area.left, area.top - area.high, wide, area.high, 3, 1, int(alarming))
    canvas.setFillGray(1 if alarming else 0)
    y = area.top - area.high / 2 - face * 0.36
    draw_text(canvas, area.left + 5, y, one.status, BOLD_FACE, face)
    canvas.setFillGray(0)


def _colour_lines(sheet: Sheet, wide: float) -> list[tuple[str, str]]:
    """Font and text of every line of the colour table."""
    found = [(BOLD_FACE, sheet_text("colour_heading"))]
    for number, kind, words in sheet.colour.rows:
        found += [(PLAIN, s) for s in simpleSplit(f"{number}  {kind}: {words}", PLAIN, 8, wide)]
    for words in sheet.colour.warnings:
        found += [(BOLD_FACE, s) for s in simpleSplit(f"! {words}", BOLD_FACE, 8, wide)]
    for words in sheet.colour.comparisons:
        found += [(PLAIN, s) for s in simpleSplit(words, PLAIN, 8, wide)]
    return found


def _colour_height(sheet: Sheet, size: tuple[float, float]) -> float:
    return len(_colour_lines(sheet, size[0] - 2 * _MARGIN - 16)) * 10.5 + 20


def _colour(canvas: Canvas, sheet: Sheet, area: Area) -> None:
    lines = _colour_lines(sheet, area.wide - 16)
    high = len(lines) * 10.5 + 10
    canvas.setLineWidth(0.8)
    canvas.rect(area.left, area.top - high, area.wide, high)
    y = area.top - 2
    for font, words in lines:
        y -= 10.5
        draw_text(canvas, area.left + 8, y, words, font, 8)


def _foot_lines(sheet: Sheet, wide: float) -> list[str]:
    return [s for words in sheet.cautions for s in simpleSplit(f"• {words}", PLAIN, 7, wide)]


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
        draw_text(canvas, _MARGIN, y, line, PLAIN, 7)
    draw_text(canvas, _MARGIN, _MARGIN - 6, sheet_text("case", case=sheet.case), BOLD_FACE, 7)
    canvas.setFont(PLAIN, 7)
    told: Any = sheet_text("page", number=numbers[0], count=numbers[1])
    canvas.drawRightString(size[0] - _MARGIN, _MARGIN - 6, told)

"""A contact sheet: each photograph of a session as shot, beside what is kept of it.

Only layout: pictures and texts come in, pages go out. The directions stand at the edges of
every picture, so that a reader can check side and arch without trusting anybody.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PIL import Image, ImageDraw

from archiver.sheets.lettering import Face, fitted, sheet_words, shortened, width, wrapped, write
from archiver.sheets.plate_frame import ACCENT, ALARM, PAPER, PlateStyle, chip, draw_plate
from archiver.sheets.sheet_cells import CellPicture, Edges, SheetCell, SheetHead

__all__ = ["CellPicture", "Edges", "SheetCell", "SheetHead", "contact_sheet", "save_pages"]

# Pixels; the page is as wide as A4 paper at 300 dpi.
PAGE_WIDTH = 2480
_MARGIN = 100
_GUTTER = 60
_PAD = 36
_COLUMNS = 2
_ROWS = 4
_CARD_WIDTH = (PAGE_WIDTH - 2 * _MARGIN - (_COLUMNS - 1) * _GUTTER) // _COLUMNS
_INNER = _CARD_WIDTH - 2 * _PAD
_BETWEEN = 64
_PLATE_WIDTH = (_INNER - _BETWEEN) // 2
_PLATE_HEIGHT = 424
_TITLE = 128
_CAPTION = 52
_LINE = 40
_STATUS = 56
_WARNING_LINES = 3
_HEAD = 300
_FOOT = 176

_PAPER = "#F4F1EA"
_EDGE = "#D9D3C7"
_INK = "#1D2B33"
_SOFT = "#5F6B70"
_ALARM_PAPER = "#FBEBE3"

_BIG = Face(64, bold=True)
_NAME = Face(58, bold=True)
_HEADING = Face(40, bold=True)
_TEXT = Face(30)
_STRONG = Face(30, bold=True)
_SMALL = Face(25)
_TAG = Face(22, bold=True)
_STYLE = PlateStyle("#1A2328", radius=10, rim=42, letters=Face(32, bold=True))


def contact_sheet(head: SheetHead, cells: Sequence[SheetCell]) -> list[Image.Image]:
    """Draw the pages of a sheet.

    Parameters
    ----------
    head
        For every page.
    cells
        In the order in which they are shown: along the lines.

    Returns
    -------
    list of PIL.Image.Image
        RGB pages, `PAGE_WIDTH` pixels wide and as high as they need to be; one at least.
    """
    on_page = _ROWS * _COLUMNS
    parts = [cells[n : n + on_page] for n in range(0, len(cells), on_page)] or [[]]
    return [
        _page(head, part, (number, len(parts), len(cells)))
        for number, part in enumerate(parts, start=1)
    ]


def save_pages(pages: Sequence[Image.Image], path: Path) -> list[Path]:
    """Save the pages as PNG files: the path itself for one, ``name-1.png`` on for more.

    Returns
    -------
    list of Path
        The files written.
    """
    paths = [path]
    if len(pages) > 1:
        paths = [path.with_name(f"{path.stem}-{n}.png") for n in range(1, len(pages) + 1)]
    for page, place in zip(pages, paths, strict=True):
        page.save(place, format="PNG", dpi=(300, 300), compress_level=6)
    return paths


def _page(
    head: SheetHead, cells: Sequence[SheetCell], numbers: tuple[int, int, int]
) -> Image.Image:
    lines = [cells[n : n + _COLUMNS] for n in range(0, len(cells), _COLUMNS)]
    heights = [max(_card_height(cell) for cell in line) for line in lines]
    height = _HEAD + sum(heights) + _GUTTER * len(heights) + _FOOT
    page = Image.new("RGB", (PAGE_WIDTH, height), _PAPER)
    draw = ImageDraw.Draw(page)
    _head(draw, head, numbers[2], sum(1 for c in cells if not c.confirmed_by))
    y = _HEAD
    for line, card_height in zip(lines, heights, strict=True):
        for column, cell in enumerate(line):
            x = _MARGIN + column * (_CARD_WIDTH + _GUTTER)
            _card(page, cell, (x, y), card_height)
        y += card_height + _GUTTER
    if not cells:
        write(draw, (_MARGIN, _HEAD), sheet_words("contact_sheet.none"), _TEXT, _SOFT)
    _foot(draw, head, height, numbers)
    return page


def _head(draw: ImageDraw.ImageDraw, head: SheetHead, count: int, unconfirmed: int) -> None:
    draw.rectangle((0, 0, PAGE_WIDTH, 18), fill=ACCENT)
    room = (PAGE_WIDTH - 2 * _MARGIN - _GUTTER) // 2
    right = PAGE_WIDTH - _MARGIN
    patient, face = fitted(head.patient, _NAME, room, _TEXT.size)
    write(draw, (_MARGIN, 118), patient, face, _INK)
    write(draw, (_MARGIN, 172), shortened(head.details, _TEXT, room), _TEXT, _SOFT)
    _write_right(draw, (right, 112), shortened(head.visit, _HEADING, room), _HEADING, _INK)
    _write_right(draw, (right, 172), shortened(head.description, _TEXT, room), _TEXT, _SOFT)
    draw.line((_MARGIN, 202, right, 202), fill=_EDGE, width=3)
    told = sheet_words("contact_sheet.count", n=count)
    x = write(draw, (_MARGIN, 250), told, _TEXT, _INK)
    if unconfirmed:
        told = sheet_words("contact_sheet.unconfirmed_here", count=unconfirmed)
        write(draw, (x + 36, 250), told, _STRONG, ALARM)
    key = sheet_words("letters")
    _write_right(draw, (right, 250), key, _SMALL, _SOFT)


def _foot(
    draw: ImageDraw.ImageDraw, head: SheetHead, height: int, numbers: tuple[int, int, int]
) -> None:
    right = PAGE_WIDTH - _MARGIN
    y = height - _FOOT + 24
    draw.line((_MARGIN, y, right, y), fill=_EDGE, width=3)
    room = right - _MARGIN - 520
    caution = sheet_words("contact_sheet.caution")
    for line, text in enumerate(wrapped(caution, _SMALL, room, 3)):
        write(draw, (_MARGIN, y + 46 + line * 36), text, _SMALL, _INK)
    number = sheet_words("contact_sheet.page", number=numbers[0], count=numbers[1])
    _write_right(draw, (right, y + 46), number, _STRONG, _INK)
    _write_right(draw, (right, y + 84), shortened(head.made, _SMALL, 480), _SMALL, _SOFT)


def _write_right(
    draw: ImageDraw.ImageDraw, place: tuple[int, int], text: str, face: Face, colour: str
) -> None:
    write(draw, (place[0] - width(text, face), place[1]), text, face, colour)


def _warning_lines(cell: SheetCell) -> list[str]:
    """The warnings in lines that fit; what does not fit is counted."""
    lines: list[str] = []
    for number, text in enumerate(cell.warnings):
        left = _WARNING_LINES - len(lines)
        more = len(cell.warnings) - number
        if left <= 0 or (left == 1 and more > 1):
            lines.append(sheet_words("contact_sheet.more", n=more))
            break
        spare = left - 1 if more > 1 else left
        text = text[:1].upper() + text[1:]
        lines += wrapped(text, _SMALL, _INNER - 64, min(2, spare))
    return lines


def _mirror_lines(cell: SheetCell) -> list[str]:
    return wrapped(cell.mirror, _TEXT, _INNER, 2) or [""]


def _card_height(cell: SheetCell) -> int:
    fixed = _PAD + _TITLE + _PLATE_HEIGHT + _CAPTION + _STATUS + _PAD
    fixed += _LINE * len(_mirror_lines(cell))
    warnings = _warning_lines(cell)
    return fixed + (len(warnings) * 36 + 44 if warnings else 0)


def _card(page: Image.Image, cell: SheetCell, place: tuple[int, int], height: int) -> None:
    draw = ImageDraw.Draw(page)
    x, y = place
    draw.rounded_rectangle(
        (x, y, x + _CARD_WIDTH, y + height), radius=18, fill=PAPER, outline=_EDGE, width=3
    )
    x, y = x + _PAD, y + _PAD
    _title(draw, cell, (x, y))
    y += _TITLE
    second = x + _PLATE_WIDTH + _BETWEEN
    if cell.as_shot is not None:
        _plate(page, cell.as_shot, (x, y))
    else:
        _frame(draw, (x, y), cell.instead)
    if cell.stored is not None:
        _plate(page, cell.stored, (second, y))
    else:
        kept = sheet_words("contact_sheet.same") if cell.as_shot is not None else ""
        _frame(draw, (second, y), kept)
    _arrow(draw, (x + _PLATE_WIDTH + 12, y + _PLATE_HEIGHT // 2), cell.stored is not None)
    y += _PLATE_HEIGHT + 36
    if cell.as_shot is not None:
        write(draw, (x, y), sheet_words("contact_sheet.as_shot"), _TAG, _SOFT)
    if cell.stored is not None or cell.as_shot is not None:
        how = "kept" if cell.stored is not None else "kept_as_shot"
        write(draw, (second, y), sheet_words(f"contact_sheet.{how}"), _TAG, ACCENT)
    if cell.code:
        right = (second if cell.stored is not None else x) + _PLATE_WIDTH
        _write_right(draw, (right, y + 4), cell.code, _STRONG, _INK)
    y += _CAPTION
    for line in _mirror_lines(cell):
        write(draw, (x, y), line, _TEXT, _INK)
        y += _LINE
    _status(draw, cell, (x, y - 18))
    _warnings(draw, cell, (x, y - 18 + _STATUS))


def _title(draw: ImageDraw.ImageDraw, cell: SheetCell, place: tuple[int, int]) -> None:
    """Both numbers, large, each under the name of its numbering; then what is seen."""
    x, y = place
    written, iso = cell.first, ("ISO 3950", cell.teeth_iso)
    named = (written, iso) if written[1] else (iso, ("Universal", cell.teeth_universal))
    for numbering, numbers in named:
        if numbers:
            write(draw, (x, y + 18), numbering, _TAG, _SOFT)
            face, lines = _fitted(numbers)
            for number, line in enumerate(lines):
                base = y + 84 if len(lines) == 1 else y + 54 + number * 36
                write(draw, (x, base), line, face, _INK)
            x += max(width(numbering, _TAG), *(width(line, face) for line in lines)) + 44
    if x > place[0]:
        draw.line((x - 14, y + 2, x - 14, y + 90), fill=_EDGE, width=3)
        x += 14
    room = place[0] + _INNER - x
    view = cell.view[:1].upper() + cell.view[1:]
    write(draw, (x, y + 36), shortened(view, _HEADING, room), _HEADING, ACCENT)
    if width(cell.subject, _TEXT) <= room:
        write(draw, (x, y + 80), cell.subject, _TEXT, _SOFT)
        return
    for number, line in enumerate(wrapped(cell.subject, _SMALL, room, 2)):
        write(draw, (x, y + 70 + number * 32), line, _SMALL, _SOFT)


def _fitted(numbers: str) -> tuple[Face, list[str]]:
    """The largest letters in which tooth numbers fit; two lines of small ones for many teeth."""
    for face, room in ((_BIG, 230), (_HEADING, 250)):
        if width(numbers, face) <= room:
            return face, [numbers]
    return _STRONG, wrapped(numbers, _STRONG, 270, 2)


def _plate(page: Image.Image, picture: CellPicture, place: tuple[int, int]) -> None:
    """A picture on a dark plate, with the letters outside of it."""
    image = picture.image.convert("RGB")

    def sized(size: tuple[int, int]) -> Image.Image:
        return image.resize(size, Image.Resampling.LANCZOS, reducing_gap=3.0)

    draw_plate(
        page, image.size, sized, picture.edges, (*place, _PLATE_WIDTH, _PLATE_HEIGHT), _STYLE
    )


def _frame(draw: ImageDraw.ImageDraw, place: tuple[int, int], text: str) -> None:
    """An empty frame in the place of a picture, and why it is empty."""
    x, y = place
    draw.rounded_rectangle(
        (x, y, x + _PLATE_WIDTH, y + _PLATE_HEIGHT), radius=10, outline=_EDGE, width=3
    )
    text = shortened(text, _SMALL, _PLATE_WIDTH - 40)
    middle = x + (_PLATE_WIDTH - width(text, _SMALL)) // 2
    write(draw, (middle, y + _PLATE_HEIGHT // 2 + 8), text, _SMALL, _SOFT)


def _arrow(draw: ImageDraw.ImageDraw, place: tuple[int, int], corrected: bool) -> None:
    x, y = place
    colour = ACCENT if corrected else _EDGE
    draw.line((x, y, x + 28, y), fill=colour, width=6)
    draw.polygon(((x + 24, y - 14), (x + 42, y), (x + 24, y + 14)), fill=colour)


def _status(draw: ImageDraw.ImageDraw, cell: SheetCell, place: tuple[int, int]) -> None:
    """Who confirmed the side, or that nobody did; and where the picture comes from."""
    x, y = place
    confirmed = bool(cell.confirmed_by)
    text = sheet_words("contact_sheet.unconfirmed")
    if confirmed:
        text = sheet_words("contact_sheet.confirmed", who=cell.confirmed_by)
    shown = shortened(text, _STRONG, _INNER - 360)
    right = chip(draw, place, shown, confirmed, _STRONG)
    room = x + _INNER - right - 24
    source = shortened(cell.source, _SMALL, room)
    _write_right(draw, (x + _INNER, y + 34), source, _SMALL, _SOFT)


def _warnings(draw: ImageDraw.ImageDraw, cell: SheetCell, place: tuple[int, int]) -> None:
    lines = _warning_lines(cell)
    if not lines:
        return
    x, y = place
    bottom = y + len(lines) * 36 + 32
    draw.rounded_rectangle((x, y + 8, x + _INNER, bottom), radius=10, fill=_ALARM_PAPER)
    draw.rectangle((x, y + 8, x + 8, bottom), fill=ALARM)
    for number, line in enumerate(lines):
        write(draw, (x + 32, y + 46 + number * 36), line, _SMALL, ALARM)

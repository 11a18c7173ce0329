"""The first page of a laboratory's sheet: the whole case, to be read at arm's length."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from archiver.handover.case_facts import MOST, CaseFacts, arch_places
from archiver.handover.facts import in_both_numberings, in_words, sheet_text
from archiver.handover.pdf_drawing import BOLD_FACE, PLAIN, RIM, Area, draw_plate, draw_text, fitted
from archiver.handover.sheet import Sheet, SheetPicture

_ARCH = (122.0, 118.0)
_NUMBER, _WISH, _LINE = 26.0, 10.5, 9.5
_GAP = 10.0
#: Height of what stands above a picture, and the gap below it.
_TITLES = 30.0


def draw_case(canvas: Canvas, sheet: Sheet, case: CaseFacts, area: Area) -> None:
    """Draw the page between head and foot."""
    left = area.left + area.wide - _ARCH[0]
    _arches(canvas, case, Area(left, area.top - 4, *_ARCH))
    words = area.wide - _ARCH[0] - 16
    y = _teeth(canvas, case, Area(area.left, area.top, words, 0))
    y = _wishes(canvas, case, Area(area.left, y, words, 0))
    y = min(y, area.top - _ARCH[1] - 10)
    y = _statements(canvas, case, Area(area.left, y, area.wide, 0))
    bottom = area.top - area.high
    _pictures(canvas, sheet, case, Area(area.left, y - 6, area.wide, y - 6 - bottom))


def _teeth(canvas: Canvas, case: CaseFacts, area: Area) -> float:
    if not case.teeth:
        return area.top - 6
    first, told = in_both_numberings(case.teeth)
    size = fitted(first, BOLD_FACE, _NUMBER, area.wide * 0.6, 12.0)
    draw_text(canvas, area.left, area.top - _NUMBER, first, BOLD_FACE, size)
    wide = canvas.stringWidth(first, BOLD_FACE, size)
    room = area.wide - wide - 12
    size = fitted(told, PLAIN, 13, room, 6.5)
    draw_text(canvas, area.left + wide + 12, area.top - _NUMBER, told, PLAIN, size)
    y = area.top - _NUMBER - 15
    if len(case.teeth) == 1:
        name = in_words(case.teeth[0].text)
        draw_text(canvas, area.left, y, name, PLAIN, 11)
        y -= 6
    return y


def _wishes(canvas: Canvas, case: CaseFacts, area: Area) -> float:
    y = area.top
    for what, words in case.wishes:
        head = f"{what}: "
        wide = canvas.stringWidth(head, BOLD_FACE, _WISH)
        lines = simpleSplit(words, PLAIN, _WISH, area.wide - wide)
        for number, line in enumerate(lines):
            y -= _WISH * 1.25
            if number == 0:
                draw_text(canvas, area.left, y, head, BOLD_FACE, _WISH)
            draw_text(canvas, area.left + wide, y, line, PLAIN, _WISH)
    return y - 6


def _statements(canvas: Canvas, case: CaseFacts, area: Area) -> float:
    lines = []
    for font, words in ((BOLD_FACE, case.colour), *((PLAIN, side) for side in case.sides)):
        lines += [(font, line) for line in simpleSplit(words, font, _LINE, area.wide - 16)]
    high = len(lines) * _LINE * 1.3 + 8
    canvas.setLineWidth(1)
    canvas.rect(area.left, area.top - high, area.wide, high)
    y = area.top - 3
    for font, line in lines:
        y -= _LINE * 1.3
        draw_text(canvas, area.left + 8, y + 1, line, font, _LINE)
    return area.top - high


def _pictures(canvas: Canvas, sheet: Sheet, case: CaseFacts, area: Area) -> None:
    shown = case.order[:MOST]
    columns = _columns([sheet.pictures[place] for place, _ in shown], area)
    rows = -(-len(shown) // columns)
    wide = (area.wide - (columns - 1) * _GAP) / columns
    high = area.high / max(1, rows)
    for index, (place, role) in enumerate(shown):
        row, column = divmod(index, columns)
        one = sheet.pictures[place]
        left, top = area.left + column * (wide + _GAP), area.top - row * high
        given = {"role": sheet_text(f"case_page.role.{role}"), "number": one.number}
        title = sheet_text("case_page.caption", **given)
        size = fitted(title, BOLD_FACE, 11, wide, 7)
        draw_text(canvas, left, top - 11, title, BOLD_FACE, size)
        given = {"view": one.view_words, "mirror": one.facts.mirror, "status": one.status}
        told = sheet_text("case_page.told", **given)
        draw_text(canvas, left, top - 22, told, PLAIN, fitted(told, PLAIN, 8.5, wide, 5.5))
        draw_plate(canvas, one, Area(left, top - 24, wide, high - _TITLES))


def _columns(pictures: Sequence[SheetPicture], area: Area) -> int:
    """Return in how many columns pictures come out largest."""

    def shown(columns: int) -> float:
        rows = -(-len(pictures) // columns)
        wide = (area.wide - (columns - 1) * _GAP) / columns - 2 * RIM
        high = area.high / rows - _TITLES - 2 * RIM
        scales = [(min(wide / one.size[0], high / one.size[1]), one.size) for one in pictures]
        return sum(scale**2 * size[0] * size[1] for scale, size in scales)

    return max((1, 2, 3), key=shown) if pictures else 1


def _arches(canvas: Canvas, case: CaseFacts, area: Area) -> None:
    """Draw both arches as one faces the patient; the teeth of the case are black."""
    canvas.setLineWidth(0.7)
    for tooth, (x, y) in arch_places().items():
        at = (area.left + x * area.wide, area.top - y * area.high)
        chosen = tooth in case.teeth
        canvas.setFillGray(0 if chosen else 1)
        size = 5.2 if tooth.position > 5 else 4.0
        canvas.circle(*at, size + chosen, stroke=1, fill=1)
    canvas.setFillGray(0)
    middle = area.top - area.high / 2
    for words, x in (("R", area.left + 4), ("L", area.left + area.wide - 12)):
        draw_text(canvas, x, middle - 4, words, BOLD_FACE, 11)

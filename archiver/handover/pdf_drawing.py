"""What every page of the printed sheet is drawn with; black on white, as printers are grey."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from typing import Final

from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from archiver.handover.facts import sheet_text
from archiver.handover.sheet import SheetPicture
from archiver.sheets import BOLD, REGULAR, font_file

PLAIN, BOLD_FACE = "SheetPlain", "SheetBold"
RIM: Final = 13.0
#: To a millimetre.
_POINTS: Final = 72 / 25.4
EDGES: Final = ("top", "bottom", "left", "right")


@cache
def load_fonts() -> None:
    pdfmetrics.registerFont(TTFont(PLAIN, font_file(REGULAR)))
    pdfmetrics.registerFont(TTFont(BOLD_FACE, font_file(BOLD)))


@dataclass(frozen=True)
class Area:
    """A rectangle on the page: left, top and size; y grows upwards, as in PDF."""

    left: float
    top: float
    wide: float
    high: float


def draw_text(canvas: Canvas, x: float, y: float, words: str, font: str, size: float) -> None:
    canvas.setFont(font, size)
    canvas.drawString(x, y, words)


def fitted(words: str, font: str, size: float, wide: float, least: float = 5.5) -> float:
    """Return the size at which a line fits, not below the least that can be read."""
    needed = pdfmetrics.stringWidth(words, font, size)
    return max(least, size * min(1.0, wide / needed)) if needed else size


def draw_plate(canvas: Canvas, one: SheetPicture, area: Area) -> float:
    """Draw the picture with its letters beside it; return where it ends."""
    columns, rows = one.size
    scale = min((area.wide - 2 * RIM) / columns, (area.high - 2 * RIM) / rows)
    wide, high = columns * scale, rows * scale
    left = area.left + (area.wide - wide) / 2
    top = area.top - RIM
    picture = ImageReader(io.BytesIO(one.jpeg))
    canvas.drawImage(picture, left, top - high, wide, high)
    canvas.setLineWidth(0.4)
    canvas.rect(left, top - high, wide, high)
    edges = one.facts.edges
    middle = (left + wide / 2, top - high / 2)
    places = (
        (edges.top, middle[0], top + RIM / 2),
        (edges.bottom, middle[0], top - high - RIM / 2),
        (edges.left, left - RIM / 2, middle[1]),
        (edges.right, left + wide + RIM / 2, middle[1]),
    )
    for edge, (letter, x, y) in zip(EDGES, places, strict=True):
        draw_letter(canvas, letter, x, y, 9.5)
        word = one.facts.edges.words.get(edge, "")
        canvas.saveState()
        canvas.translate(x, y)
        if edge in ("left", "right"):
            canvas.rotate(90)
        # No further than the picture's corner, where other words begin.
        room = (high if edge in ("left", "right") else wide) / 2 - 9 + RIM / 2
        canvas.setFont(PLAIN, fitted(word, PLAIN, 7.5, room, 4.0))
        canvas.drawString(9, -2.7, word)
        canvas.restoreState()
    if one.bar is not None:
        _draw_bar(canvas, one, Area(left, top - high - 3, wide, 0))
    return top - high - RIM


def _draw_bar(canvas: Canvas, one: SheetPicture, below: Area) -> None:
    """Draw a bar below the picture, and how many times as large as in the mouth it is."""
    assert one.bar is not None
    millimetres, share = one.bar
    left, y, long = below.left, below.top, below.wide * share
    canvas.setLineWidth(1.2)
    canvas.line(left, y, left + long, y)
    for x in (left, left + long):
        canvas.line(x, y - 1.8, x, y + 1.8)
    times = long / (millimetres * _POINTS)
    told = sheet_text("bar", length=millimetres, times=f"{times:.1f}")
    # The letter of the edge stands in the middle.
    size = fitted(told, PLAIN, 7, below.wide / 2 - 8, 4.0)
    draw_text(canvas, left, y - 8.5, told, PLAIN, size)


def draw_letter(canvas: Canvas, letter: str, x: float, y: float, size: float) -> None:
    """Draw a direction letter; the patient's right white on black, so that it is seen first."""
    if letter == "R":
        canvas.setFillGray(0)
        canvas.circle(x, y, size * 0.66, stroke=0, fill=1)
        canvas.setFillGray(1)
    canvas.setFont(BOLD_FACE, size)
    canvas.drawCentredString(x, y - size * 0.36, letter or "?")
    canvas.setFillGray(0)

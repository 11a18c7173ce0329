"""What is seen of a comparison as a picture to keep: its panes with everything that labels them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from archiver.sheets import Edges, Face, plates, shortened, width, wrapped, write
from archiver.web.labels import Label

Pixels = NDArray[np.uint8]

# Pixels.
_MARGIN, _GAP, _LINE = 50, 34, 38
_HEAD, _CAPTION, _LEGEND, _LEAST = 150, 112, 104, 1200
_NAME, _TOOTH = Face(42, bold=True), Face(38, bold=True)
_DATE, _TEXT, _SMALL = Face(36, bold=True), Face(26), Face(23)
_STRONG, _CHIP = Face(26, bold=True), Face(32, bold=True)


@dataclass(frozen=True)
class Caption:
    """What stands above a pane, or above one half of it: a date and what belongs to it."""

    label: Label
    more: str


@dataclass(frozen=True)
class PictureWords:
    """Everything that is written.

    Parameters
    ----------
    name, details
        Of the patient.
    scale
        What the scale of differences measures; empty where none is drawn.
    doubts
        What is to be doubted; drawn as alarms.
    lines
        Figures and cautions.
    letters
        What the letters at the edges mean.
    made
        When and with what it was made.
    """

    name: str
    details: str
    scale: str
    doubts: Sequence[str]
    lines: Sequence[str]
    letters: str
    made: str


def labelled(panes: Sequence[tuple[Pixels, Sequence[Caption]]], words: PictureWords) -> Image.Image:
    """Draw panes beside each other with their labels.

    Parameters
    ----------
    panes
        Pixels of each, and the captions that stand above it from left to right. The letters at
        its edges are those of its last caption.
    """
    wide = sum(p.shape[1] + 2 * plates.RIM for p, _ in panes) + _GAP * (len(panes) - 1)
    page_width = max(_LEAST, wide + 2 * _MARGIN)
    room = page_width - 2 * _MARGIN
    doubts = [wrapped(text, _STRONG, room - 60, 3) for text in words.doubts]
    lines = [line for text in words.lines for line in wrapped(text, _TEXT, room, 4)]
    high = max(p.shape[0] for p, _ in panes) + 2 * plates.RIM
    below = sum(len(d) * _LINE + 30 for d in doubts) + len(lines) * _LINE + 118
    legend = _LEGEND if words.scale else 0
    height = _HEAD + _CAPTION + high + legend + below
    page = Image.new("RGB", (page_width, height), plates.PAPER)
    _head(page, words, panes[-1][1][-1].label)
    left = (page_width - wide) // 2
    for pixels, captions in panes:
        box = (left, _HEAD + _CAPTION, pixels.shape[1] + 2 * plates.RIM, high)
        _captions(page, captions, (left, _HEAD, box[2]))
        plates.plate(page, pixels, _edges(captions[-1].label), box)
        left += box[2] + _GAP
    y = _HEAD + _CAPTION + high + 22
    pen = ImageDraw.Draw(page)
    if words.scale:
        plates.legend(pen, (_MARGIN, y + 20), min(room // 2, 900))
        text = shortened(words.scale, _STRONG, room // 2 - 40)
        write(pen, (_MARGIN + min(room // 2, 900) + 30, y + 46), text, _STRONG, plates.INK)
        y += legend
    for paragraph in doubts:
        y = _alarm(pen, paragraph, (_MARGIN, y, room))
    for line in lines:
        write(pen, (_MARGIN, y + 28), line, _TEXT, plates.INK)
        y += _LINE
    _foot(pen, words, (page_width, height))
    return page


def _edges(label: Label) -> Edges:
    return Edges(label.top, label.right, label.bottom, label.left, label.words)


def _head(page: Image.Image, words: PictureWords, label: Label) -> None:
    pen = ImageDraw.Draw(page)
    right = page.width - _MARGIN
    pen.rectangle((0, 0, page.width, 12), fill=plates.ACCENT)
    tooth = shortened(label.tooth or label.view, _TOOTH, (right - _MARGIN) // 2)
    x = right - width(tooth, _TOOTH)
    write(pen, (x, 68), tooth, _TOOTH, plates.INK)
    if label.tooth:
        view = shortened(label.view, _TEXT, (right - _MARGIN) // 2)
        write(pen, (right - width(view, _TEXT), 110), view, _TEXT, plates.SOFT)
    room = x - _MARGIN - 40
    write(pen, (_MARGIN, 68), shortened(words.name, _NAME, room), _NAME, plates.INK)
    write(pen, (_MARGIN, 110), shortened(words.details, _TEXT, room), _TEXT, plates.SOFT)
    pen.line((_MARGIN, 132, right, 132), fill=plates.RULE, width=3)


def _captions(page: Image.Image, captions: Sequence[Caption], place: tuple[int, int, int]) -> None:
    """Captions share the width above a pane; the last of several ends at its right edge."""
    pen = ImageDraw.Draw(page)
    left, top, wide = place
    share = (wide - 30 * (len(captions) - 1)) // len(captions)
    for number, one in enumerate(captions):
        date = one.label.date or "?"
        more = shortened(one.more, _TEXT, max(60, share - width(date, _DATE) - 30))
        side = shortened(one.label.side_words, _CHIP, share - 90)
        long = width(date, _DATE) + 20 + width(more, _TEXT)
        chip = width(side, _CHIP) + 76 if side else 0
        last = number == len(captions) - 1 and number > 0
        x = left + wide - max(long, chip) if last else left
        write(pen, (x, top + 36), date, _DATE, plates.INK)
        write(pen, (x + width(date, _DATE) + 20, top + 36), more, _TEXT, plates.SOFT)
        if side:
            plates.chip(pen, (x, top + 48), side, one.label.side == "confirmed")


def _alarm(pen: ImageDraw.ImageDraw, lines: Sequence[str], place: tuple[int, int, int]) -> int:
    x, y, wide = place
    bottom = y + len(lines) * _LINE + 14
    pen.rounded_rectangle((x, y, x + wide, bottom), radius=8, fill=plates.ALARM_PAPER)
    pen.rectangle((x, y, x + 8, bottom), fill=plates.ALARM)
    for number, line in enumerate(lines):
        write(pen, (x + 28, y + 34 + number * _LINE), line, _STRONG, plates.ALARM)
    return bottom + 16


def _foot(pen: ImageDraw.ImageDraw, words: PictureWords, size: tuple[int, int]) -> None:
    page_width, height = size
    right = page_width - _MARGIN
    pen.line((_MARGIN, height - 70, right, height - 70), fill=plates.RULE, width=2)
    made = shortened(words.made, _SMALL, (right - _MARGIN) // 2)
    write(pen, (right - width(made, _SMALL), height - 30), made, _SMALL, plates.SOFT)
    room = right - _MARGIN - width(made, _SMALL) - 40
    letters = shortened(words.letters, _SMALL, room)
    write(pen, (_MARGIN, height - 30), letters, _SMALL, plates.SOFT)

"""The pictures on a comparison page: plates with direction letters, seam, map, outline, legend."""

from __future__ import annotations

import csv
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from archiver.colour import ACCEPTABLE, PERCEPTIBLE, Array
from archiver.dentition import Orientation
from archiver.priors import FULL_SCALE
from archiver.sheets.lettering import Face, width, write
from archiver.sheets.sheet_cells import Edges
from archiver.vision import cv2

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Box = tuple[int, int, int, int]

PAPER, INK, SOFT, RULE = "#FFFFFF", "#16242C", "#56636A", "#C9CFD2"
ACCENT, ALARM, ALARM_PAPER = "#12606B", "#A63D1C", "#FBEBE3"
_PLATE, _LETTER, _NO_PICTURE = "#141B20", "#F2D9A0", (84, 92, 98)
_OUTLINE = (255, 214, 10)
#: Room for the letters round a picture, in pixels.
RIM = 54
_LETTERS = Face(38, bold=True)
_SCALE = Face(30)
_HALVES = Face(28)


def edges_of(orientation: Orientation | None) -> Edges:
    """Return the letters for a picture's edges."""
    if orientation is None:
        return Edges("", "", "", "")
    return Edges.of(orientation.rows.value, orientation.columns.value)


def plate(page: Image.Image, pixels: Pixels, edges: Edges, box: Box) -> Box:
    """Draw a picture on a dark plate, its letters beside and not over it.

    Parameters
    ----------
    box
        Left, top, width and height of the plate.

    Returns
    -------
    tuple
        Left, top, width and height of the picture itself.
    """
    draw = ImageDraw.Draw(page)
    left, top, wide, high = box
    draw.rounded_rectangle((left, top, left + wide, top + high), radius=12, fill=_PLATE)
    rows, columns = pixels.shape[:2]
    scale = min((wide - 2 * RIM) / columns, (high - 2 * RIM) / rows)
    size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    picture = Image.fromarray(cv2.resize(pixels, size, interpolation=way))
    x, y = left + (wide - size[0]) // 2, top + (high - size[1]) // 2
    page.paste(picture, (x, y))
    middle = (x + size[0] // 2, y + size[1] // 2)
    _letter(draw, (middle[0], y - RIM // 2), edges.top)
    _letter(draw, (middle[0], y + size[1] + RIM // 2), edges.bottom)
    _letter(draw, (x - RIM // 2, middle[1]), edges.left)
    _letter(draw, (x + size[0] + RIM // 2, middle[1]), edges.right)
    return x, y, size[0], size[1]


def _letter(draw: ImageDraw.ImageDraw, middle: tuple[int, int], text: str) -> None:
    shown = text or "?"
    half = width(shown, _LETTERS) // 2
    write(draw, (middle[0] - half, middle[1] + 14), shown, _LETTERS, _LETTER)


def name_halves(page: Image.Image, picture: Box, texts: tuple[str, str]) -> None:
    """Write what lies left and right of a seam below the picture, where it hides nothing."""
    pen = ImageDraw.Draw(page)
    left, top, wide, high = picture
    base = top + high + RIM // 2 + 12
    write(pen, (left, base), texts[0], _HALVES, _LETTER)
    right = left + wide - width(texts[1], _HALVES)
    write(pen, (right, base), texts[1], _HALVES, _LETTER)


def split(newest: Pixels, prior: Pixels, covered: Mask, at: float) -> Pixels:
    """Return the prior left of a seam and the newest right of it, a thin line between."""
    made = newest.copy()
    x = round(newest.shape[1] * at)
    made[:, :x] = missing_marked(prior, covered)[:, :x]
    line = max(1, newest.shape[1] // 500)
    made[:, x - line // 2 : x - line // 2 + line] = 255
    return made


def missing_marked(pixels: Pixels, covered: Mask) -> Pixels:
    """Return the picture with grey where it has nothing to show."""
    made = pixels.copy()
    made[~covered] = _NO_PICTURE
    return made


def outlined(newest: Pixels, region: Mask) -> Pixels:
    """Return the picture, darkened but for a region, with a line round it."""
    made = (newest * 0.55).astype(np.uint8)
    made[region] = newest[region]
    lines, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    thick = max(2, newest.shape[1] // 250)
    return np.asarray(cv2.drawContours(made, lines, -1, _OUTLINE, thick), np.uint8)


@lru_cache(maxsize=1)
def colour_map() -> Pixels:
    """Return the 256 colours of the map, shape (256, 3); see ``tables/README.md``."""
    text = files(__package__).joinpath("tables/cividis.csv").read_text("ascii")
    rows = list(csv.reader(text.splitlines()))[1:]
    return np.array(rows, dtype=np.uint8)


def mapped(apart: Array, size: tuple[int, int]) -> Pixels:
    """Return a map of differences as a picture of a size (columns, rows)."""
    index = np.clip(np.nan_to_num(apart) / FULL_SCALE * 255, 0, 255).round().astype(np.uint8)
    picture = colour_map()[index]
    picture[np.isnan(apart)] = _NO_PICTURE
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_LINEAR), np.uint8)


def legend(draw: ImageDraw.ImageDraw, place: tuple[int, int], wide: int) -> None:
    """Draw the scale of the map: a bar, its numbers, and where the thresholds lie."""
    x, y = place
    high = 30
    for column in range(wide):
        red, green, blue = colour_map()[column * 255 // max(1, wide - 1)]
        draw.line((x + column, y, x + column, y + high), fill=(int(red), int(green), int(blue)))
    draw.rectangle((x, y, x + wide, y + high), outline=SOFT, width=2)
    for value in (0, 5, 10, 15, 20):
        at = x + round(wide * value / FULL_SCALE)
        text = f"{value}+" if value == FULL_SCALE else str(value)
        draw.line((at, y + high, at, y + high + 8), fill=INK, width=2)
        shift = 0 if value == 0 else width(text, _SCALE) // (1 if value == FULL_SCALE else 2)
        write(draw, (at - shift, y + high + 40), text, _SCALE, INK)
    for threshold in (PERCEPTIBLE, ACCEPTABLE):
        at = x + round(wide * threshold / FULL_SCALE)
        draw.polygon(((at - 8, y - 14), (at + 8, y - 14), (at, y)), fill=INK)


def chip(draw: ImageDraw.ImageDraw, place: tuple[int, int], text: str, confirmed: bool) -> int:
    """Draw whether the side is confirmed; return the x at which it ends."""
    face = Face(32, bold=True)
    x, y = place
    right = x + width(text, face) + 76
    box = (x, y, right, y + 50)
    if confirmed:
        draw.rounded_rectangle(box, radius=25, outline=ACCENT, width=3)
        tick = ((x + 20, y + 26), (x + 30, y + 36), (x + 46, y + 15))
        draw.line(tick, fill=ACCENT, width=6, joint="curve")
    else:
        draw.rounded_rectangle(box, radius=25, fill=ALARM)
        write(draw, (x + 24, y + 38), "?", Face(36, bold=True), PAPER)
    write(draw, (x + 58, y + 37), text, face, ACCENT if confirmed else PAPER)
    return right

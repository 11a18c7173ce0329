"""The pictures on a comparison page: plates with direction letters, seam, map, outline, legend."""

from __future__ import annotations

import csv
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from archiver.colour import ACCEPTABLE, PERCEPTIBLE, Array
from archiver.priors import FULL_SCALE
from archiver.sheets.lettering import Face, width, write
from archiver.sheets.plate_frame import ACCENT as ACCENT
from archiver.sheets.plate_frame import ALARM as ALARM
from archiver.sheets.plate_frame import LETTER, Box, PlateStyle, draw_plate
from archiver.sheets.plate_frame import PAPER as PAPER
from archiver.sheets.plate_frame import chip as chip
from archiver.sheets.sheet_cells import Edges
from archiver.vision import Alignment, cv2

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]

INK, SOFT, RULE, ALARM_PAPER = "#16242C", "#56636A", "#C9CFD2", "#FBEBE3"
_NO_PICTURE = (84, 92, 98)
_OUTLINE = (255, 214, 10)
#: Room for the letters round a picture, in pixels.
RIM = 54
_STYLE = PlateStyle("#141B20", radius=12, rim=RIM, letters=Face(38, bold=True))
_SCALE = Face(30)
_HALVES = Face(28)


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
    rows, columns = pixels.shape[:2]

    def sized(size: tuple[int, int]) -> Image.Image:
        way = cv2.INTER_AREA if size[0] < columns else cv2.INTER_CUBIC
        return Image.fromarray(cv2.resize(pixels, size, interpolation=way))

    return draw_plate(page, (columns, rows), sized, edges, box, _STYLE)


def name_halves(page: Image.Image, picture: Box, texts: tuple[str, str]) -> None:
    """Write what lies left and right of a seam below the picture, where it hides nothing."""
    pen = ImageDraw.Draw(page)
    left, top, wide, high = picture
    base = top + high + RIM // 2 + 12
    write(pen, (left, base), texts[0], _HALVES, LETTER)
    right = left + wide - width(texts[1], _HALVES)
    write(pen, (right, base), texts[1], _HALVES, LETTER)


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


def outlined(newest: Pixels, found: Alignment) -> Pixels:
    """Return the picture, darkened but for what was aligned, with a line round it.

    Teeth on which nothing could be followed are hatched.
    """
    region, unfollowed = (
        cv2.resize(mask.astype(np.uint8), newest.shape[1::-1], interpolation=cv2.INTER_NEAREST)
        for mask in (found.region, found.unfollowed)
    )
    made = (newest * 0.55).astype(np.uint8)
    made[region > 0] = newest[region > 0]
    thick = max(2, newest.shape[1] // 250)
    y, x = np.indices(unfollowed.shape, sparse=True)
    made[(unfollowed > 0) & ((x + y) % (6 * thick) < thick)] = _OUTLINE
    lines, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
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

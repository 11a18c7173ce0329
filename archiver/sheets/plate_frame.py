"""What every picture on a sheet has about it: a dark plate, direction letters, who confirmed it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from PIL import Image, ImageDraw

from archiver.sheets.lettering import Face, width, write
from archiver.sheets.sheet_cells import Edges

PAPER, ACCENT, ALARM = "#FFFFFF", "#12606B", "#A63D1C"
LETTER = "#F2D9A0"
_CHIP = Face(32, bold=True)

#: Left, top, width and height.
Box = tuple[int, int, int, int]
#: Gives a picture in the size in which it is shown.
Sized = Callable[[tuple[int, int]], Image.Image]


@dataclass(frozen=True)
class PlateStyle:
    """How a plate looks.

    Parameters
    ----------
    radius
        Of its corners, in pixels.
    rim
        Room for the letters round the picture, in pixels.
    """

    fill: str
    radius: int
    rim: int
    letters: Face


def draw_plate(
    page: Image.Image,
    size: tuple[int, int],
    sized: Sized,
    edges: Edges,
    box: Box,
    style: PlateStyle,
) -> Box:
    """Draw a picture on a dark plate, its letters beside and not over it.

    Parameters
    ----------
    size
        Width and height of the picture as it is.
    box
        Of the plate.

    Returns
    -------
    tuple
        Left, top, width and height of the picture itself.
    """
    draw = ImageDraw.Draw(page)
    left, top, wide, high = box
    draw.rounded_rectangle((left, top, left + wide, top + high), style.radius, fill=style.fill)
    rim = style.rim
    scale = min((wide - 2 * rim) / size[0], (high - 2 * rim) / size[1])
    shown = (max(1, round(size[0] * scale)), max(1, round(size[1] * scale)))
    x, y = left + (wide - shown[0]) // 2, top + (high - shown[1]) // 2
    page.paste(sized(shown), (x, y))
    across, down = x + shown[0] // 2, y + shown[1] // 2
    for edge, middle in (
        ("top", (across, y - rim // 2)),
        ("bottom", (across, y + shown[1] + rim // 2)),
        ("left", (x - rim // 2, down)),
        ("right", (x + shown[0] + rim // 2, down)),
    ):
        _write_middle(draw, middle, getattr(edges, edge) or "?", style.letters)
        if word := edges.words.get(edge, ""):
            _write_word(page, middle, word, style, along=edge in ("left", "right"))
    return x, y, *shown


def _write_middle(
    draw: ImageDraw.ImageDraw, middle: tuple[int, int], text: str, face: Face
) -> None:
    half = width(text, face) // 2
    write(draw, (middle[0] - half, middle[1] + round(face.size * 0.37)), text, face, LETTER)


def _write_word(
    page: Image.Image, middle: tuple[int, int], word: str, style: PlateStyle, *, along: bool
) -> None:
    """Write a word behind a letter: to its right, or above it and upwards where it runs along."""
    face = Face(round(style.letters.size * 0.72))
    strip = Image.new("RGB", (width(word, face) + 4, round(face.size * 1.4)), style.fill)
    write(ImageDraw.Draw(strip), (2, round(face.size * 1.05)), word, face, LETTER)
    beside = round(style.letters.size * 0.62)
    if along:
        strip = strip.rotate(90, expand=True)
        page.paste(strip, (middle[0] - strip.width // 2, middle[1] - beside - strip.height))
    else:
        page.paste(strip, (middle[0] + beside, middle[1] - strip.height // 2))


def chip(
    draw: ImageDraw.ImageDraw,
    place: tuple[int, int],
    text: str,
    confirmed: bool,
    face: Face = _CHIP,
) -> int:
    """Draw whether the side is confirmed; return the x at which it ends."""
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

"""The shade case: chart and tab of known spectra beside teeth, and what is true of their colours.

Chart and tab are flat, face the camera in its plane of focus, and are lit as a white surface there
would be. The tooth's surface is about 3 mm nearer.
"""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter

from . import spectra
from .camera import WORKING_DISTANCE, Shot
from .finish import Finish, photograph
from .patients.common import CORVANE, VUORINEN, in_mirror
from .patients.idris import IDRIS, idris_later
from .picture import label_map, lit
from .scenario import Photograph, Visit
from .scene import Scene

Array = NDArray[np.float64]

FOLDER = "shade_case"
SIZE = (1200, 800)
#: Linear level of a white surface that faces the camera: the lamps' ring 322 mm away.
WHITE = 0.89
#: Stops: white stays below the shoulder of the tone curve.
EXPOSURE = -0.75
#: Linear red, green and blue of the tab, from its neck to its edge.
TAB = np.array([[0.70, 0.58, 0.37], [0.76, 0.66, 0.46], [0.72, 0.67, 0.53]])
TAB_MILLIMETRES = (8.0, 10.0)
#: The breadth of the picture with the tab, mm; and where the tab stands, pixels.
TAB_WIDTH = 34.0
TAB_BOX = (607, 404, 282, 353)
TOOTH = 21
TOOTH_BOX = (625, 60, 246, 320)
_INK = 0.03
_CONFIRMED = {**VUORINEN, "confirmed_at": "2026-05-12T09:12:00+02:00"}

_TAB_SHOT = Shot((11, 21), "labial", width=TAB_WIDTH, drift=(0.0, 4.0))


@dataclass(frozen=True)
class Drawn:
    """A picture in linear light as the camera has it, and the scene's own."""

    scene: Array
    camera: Array
    depth: Array


def visit() -> Visit:
    """Give the visit."""

    def box(name: str, at: tuple[int, int, int, int]) -> dict[str, str]:
        left, top, wide, high = at
        return {name: f"{{ left = {left}, top = {top}, width = {wide}, height = {high} }}"}

    left, top, wide, high = TAB_BOX
    tab = {
        "colour_frame": '"shade tab"',
        "state": '"before"',
        "restoration": '"crown 21"',
        "material": '"glass ceramic"',
        "tab_system": '"ring of nine tabs"',
        "tab_name": '"T4"',
        "tab_place": '"below 21, edge to edge"',
        "tab_number": '"visible"',
        "instructions": '"like 11, a little more translucent at the edge"',
        **box("tab_region", TAB_BOX),
        **box("tooth_region", TOOTH_BOX),
        **box("scale_region", (left, top + high // 2, wide, 1)),
        "scale_length": '"8.0 mm ± 0.05 mm"',
        **_CONFIRMED,
    }
    texture = {"surface_texture": '"faint growth lines"', "gloss": '"medium"', **_CONFIRMED}
    shots = (
        (Shot((), "frontal"), {"colour_frame": '"colour chart"', **_CONFIRMED}),
        (_TAB_SHOT, tab),
        (Shot((21,), "labial", width=22.0), texture),
        (in_mirror(11, 21, view="incisal"), _CONFIRMED),
        (in_mirror(11, 21, view="palatal"), _CONFIRMED),
    )
    pictures = tuple(
        Photograph(
            f"C70_27{number:02}.JPG",
            shot,
            0.4 * number,
            SIZE,
            finish=Finish(200 + number, EXPOSURE, grain=0.8),
            sheet=said,
        )
        for number, (shot, said) in enumerate(shots, 1)
    )
    return Visit(
        IDRIS,
        datetime(2026, 5, 12, 9, 0),
        "Shade of 21",
        "A-5421",
        CORVANE,
        idris_later(),
        pictures,
    )


def drawn(scene: Scene, photo: Photograph) -> Drawn:
    """Draw a picture of the visit up to the lens."""
    light, depth, _ = lit(scene, photo.shot, *photo.size, photo.finish)
    camera = np.clip(spectra.photographed(light), 0, None)
    depth = depth.copy()
    if "colour_frame" in photo.sheet:
        part, at = (_tab(), TAB_BOX) if "tab_name" in photo.sheet else _chart()
        left, top, wide, high = at
        there = (slice(top, top + high), slice(left, left + wide))
        cover = part[..., 3:]
        camera[there] = camera[there] * (1 - cover) + WHITE * part[..., :3] * cover
        depth[there] *= 1 - cover[..., 0]
    return Drawn(light, camera, depth)


def pixels_of(scene: Scene, photo: Photograph) -> NDArray[np.uint8]:
    """Take a picture of the visit."""
    made = drawn(scene, photo)
    setup = lit(scene, photo.shot, 12, 8, photo.finish)[2]
    return photograph(made.camera, made.depth, setup, photo.finish)


def _chart() -> tuple[Array, tuple[int, int, int, int]]:
    """Return the chart as the camera has it, with its cover, and where it is held."""
    cell, gap = 84, 14
    high, wide = 4 * cell + 5 * gap, 6 * cell + 7 * gap
    part = np.empty((high, wide, 4))
    part[..., :3], part[..., 3] = (
        spectra.seen(np.full((1, spectra.SHAPE.wavelengths.size), _INK)),
        1,
    )
    patches = spectra.seen(spectra.chart())
    for number, patch in enumerate(patches):
        row, column = divmod(number, 6)
        y, x = gap + row * (cell + gap), gap + column * (cell + gap)
        part[y : y + cell, x : x + cell, :3] = patch
    return part, ((SIZE[0] - wide) // 2, (SIZE[1] - high) // 2 + 60, wide, high)


def _tab() -> Array:
    """Return the tab as the camera has it, its edge up, with its cover and its number."""
    _, _, wide, high = TAB_BOX
    part = np.empty((high, wide, 4))
    thirds = spectra.seen(TAB @ spectra.basis())[::-1]
    part[..., :3] = np.repeat(thirds, -(-high // 3), axis=0)[:high, None]
    part[..., :3] = gaussian_filter(part[..., :3], (6, 0, 0))
    outline = Image.new("L", (wide * 4, high * 4))
    ImageDraw.Draw(outline).rounded_rectangle((0, 0, wide * 4 - 1, high * 4 - 1), 160, fill=255)
    part[..., 3] = np.asarray(outline.resize((wide, high), Image.Resampling.BOX), float) / 255
    number = Image.new("L", (30, 14))
    ImageDraw.Draw(number).text((4, 1), "T4", fill=255)
    ink = np.asarray(number.resize((90, 42), Image.Resampling.BICUBIC), float)[..., None] / 255
    place = part[high - 50 : high - 8, wide - 96 : wide - 6, :3]
    place *= 1 - 0.85 * ink
    return part


def truth(scene: Scene, visits: Visit) -> list[dict[str, object]]:
    """Tell what is true of the colours and the scale of the pictures with chart and tab."""
    facts: list[dict[str, object]] = []
    for photo in visits.photographs:
        if "tab_name" in photo.sheet:
            reflected = drawn(scene, photo).scene / WHITE
            teeth = {
                name: [round(float(v), 2) for v in lab]
                for name, lab in zip(_THIRDS, _tooth_lab(reflected), strict=True)
            }
            tab = spectra.lab_of(TAB @ spectra.basis())
            mask = label_map(scene, photo.shot, photo.size[0] // 4, photo.size[1] // 4) == TOOTH
            y, x = np.nonzero(mask)
            facts.append(
                {
                    "file": f"{FOLDER}/{visits.folder}/{photo.file}",
                    "tab_lab_d50": {n: _rounded(one) for n, one in zip(_THIRDS, tab, strict=True)},
                    "tab_spectra": [_rounded(one, 4) for one in TAB @ spectra.basis()],
                    "wavelengths": [int(one) for one in spectra.SHAPE.wavelengths],
                    "tooth_lab_d50": teeth,
                    "tooth_box": [int(v) * 4 for v in (x.min(), y.min(), x.max(), y.max())],
                    "millimetres_a_pixel": round(TAB_WIDTH / photo.size[0], 5),
                    "of_the_tooth": round(
                        TAB_WIDTH / photo.size[0] * (WORKING_DISTANCE - 3) / WORKING_DISTANCE, 5
                    ),
                }
            )
        elif "colour_frame" in photo.sheet:
            facts.append(
                {
                    "file": f"{FOLDER}/{visits.folder}/{photo.file}",
                    "chart": "BabelColor Average of colour-science",
                    "chart_box": list(_chart()[1]),
                    "camera": spectra.SENSITIVITIES,
                    "flash": spectra.FLASH,
                    "white_balance": spectra.BALANCE,
                }
            )
    return facts


_THIRDS = ("cervical", "middle", "incisal")


def _tooth_lab(reflected: Array) -> list[Array]:
    """Return the mean L*a*b* of the inner part of the thirds of the tooth, as it is lit."""
    left, top, wide, high = TOOTH_BOX
    inner = reflected[top : top + high, left + wide // 4 : left + wide - wide // 4]
    parts = [inner[high * n // 3 : high * (n + 1) // 3].reshape(-1, 3) for n in range(3)]
    return [spectra.lab_of(part @ spectra.basis()).mean(axis=0) for part in parts]


def _rounded(values: Array, digits: int = 2) -> list[float]:
    return [round(float(v), digits) for v in values]

"""What is true of each picture, from the vectors of the renderer alone."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .camera import Shot, looking, set_up
from .dimensions import is_right, is_upper
from .picture import label_map, tooth_centres
from .scene import Scene

Array = NDArray[np.float64]
Pair = tuple[Array, Array]

LETTERS = {
    "L": (1, 0, 0),
    "R": (-1, 0, 0),
    "P": (0, 1, 0),
    "A": (0, -1, 0),
    "H": (0, 0, 1),
    "F": (0, 0, -1),
}


def letter(vector: Array) -> str:
    """Name the patient axis nearest to a direction."""
    return max(LETTERS, key=lambda k: float(np.dot(vector, LETTERS[k])))


def _pair(rows: str, columns: str) -> Pair:
    return np.array(LETTERS[rows], float), np.array(LETTERS[columns], float)


# Displayed stored pixels (rows, columns) of the picture that EXIF value k makes of rows r and
# columns c: EXIF 2.32, tag 274, and the reading of it that every viewer shares.
def turned(pair: Pair, turn: int) -> Pair:
    """Directions of rows and columns after the display operation of EXIF value ``turn``."""
    r, c = pair
    return {
        1: (r, c), 2: (-r, c), 3: (-r, -c), 4: (r, -c),
        5: (c, r), 6: (-c, r), 7: (-c, -r), 8: (c, -r),
    }[turn]  # fmt: skip


INVERSE = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}


def turn_point(point: tuple[float, float], turn: int) -> tuple[float, float]:
    """Where a fraction position (from left, from top) lands after a display operation."""
    x, y = point
    return {
        1: (x, y), 2: (1 - x, y), 3: (1 - x, 1 - y), 4: (x, 1 - y),
        5: (y, x), 6: (1 - y, x), 7: (1 - y, 1 - x), 8: (y, 1 - x),
    }[turn]  # fmt: skip


def turn_pixels(pixels: NDArray[Any], turn: int) -> NDArray[Any]:
    """Apply the display operation of EXIF value ``turn`` to pixels (rows, columns, ...)."""
    flipped = {
        1: lambda a: a,
        2: lambda a: a[:, ::-1],
        3: lambda a: a[::-1, ::-1],
        4: lambda a: a[::-1],
        5: lambda a: a.swapaxes(0, 1),
        6: lambda a: a[::-1].swapaxes(0, 1),
        7: lambda a: a[::-1, ::-1].swapaxes(0, 1),
        8: lambda a: a[:, ::-1].swapaxes(0, 1),
    }[turn](pixels)
    return np.ascontiguousarray(flipped)


def display_orientation(shot: Shot) -> Pair:
    """Directions of rows and columns of the right way round of a view (common practice)."""
    view = shot.view
    named = {
        "frontal": ("L", "F"),
        "right buccal": ("A", "F"),
        "left buccal": ("P", "F"),
        "upper occlusal arch": ("L", "P"),
        "lower occlusal arch": ("L", "A"),
    }
    if view in named:
        return _pair(*named[view])
    upper, right = is_upper(shot.teeth[0]), is_right(shot.teeth[0])
    front = all(t % 10 <= 3 for t in shot.teeth)
    if view in ("occlusal", "incisal"):
        return _pair("L", "P" if upper else "A")
    if view in ("lingual", "palatal"):
        return _pair("R" if front else "P" if right else "A", "F")
    return _pair("L" if front else "A" if right else "P", "F")


def as_shown(scene: Scene, shot: Shot) -> Pair:
    """Axes nearest to the rows and columns of the picture as the camera shows it."""
    seen = set_up(scene, shot).seen
    return _pair(letter(seen.right), letter(-seen.top))


def correction(scene: Scene, shot: Shot, exif: int = 1) -> int:
    """Turn (1..8, EXIF's display operations) from stored pixels to the right way round.

    Raises
    ------
    ValueError
        If no turn leads there, which would mean that a direction is wrong.
    """
    stored = turned(as_shown(scene, shot), INVERSE[exif])
    wanted = display_orientation(shot)
    for turn in range(1, 9):
        reached = turned(stored, turn)
        if np.allclose(reached[0], wanted[0]) and np.allclose(reached[1], wanted[1]):
            return turn
    raise ValueError(f"no turn shows {shot} the right way round")


def truth_of(scene: Scene, shot: Shot, size: tuple[int, int], exif: int) -> dict[str, object]:
    """Collect what is true of one picture of ``size`` (width, height, as shown)."""
    rows, columns = as_shown(scene, shot)
    stored = turned((rows, columns), INVERSE[exif])
    direction = looking(shot)[0]
    teeth = _visible(scene, shot, size)
    centres = tooth_centres(scene, shot, size[0] / size[1], teeth)
    return {
        "teeth": list(shot.teeth),
        "view": shot.view,
        "mirror": shot.mirror,
        "operator": shot.operator,
        "exif_orientation": exif,
        "looking_direction": letter(direction),
        "as_shown": {"top": letter(-columns), "right": letter(rows)},
        "patient_orientation_stored": f"{letter(stored[0])}\\{letter(stored[1])}",
        "patient_orientation_displayed": "\\".join(letter(v) for v in display_orientation(shot)),
        "correction": correction(scene, shot, exif),
        "tooth_centres_stored": {
            str(iso): [round(v, 4) for v in turn_point(at, INVERSE[exif])]
            for iso, at in sorted(centres.items())
        },
    }


def _visible(scene: Scene, shot: Shot, size: tuple[int, int]) -> Sequence[int]:
    """Teeth whose crown's middle is in the picture, before anything else, and well inside."""
    width, height = size[0] // 6, size[1] // 6
    labels = label_map(scene, shot, width, height)
    present = [int(v) for v in np.unique(labels) if v]
    found = tooth_centres(scene, shot, width / height, present)
    return [
        iso for iso, (x, y) in found.items()
        if 0.10 < x < 0.90 and 0.10 < y < 0.90 and labels[int(y * height), int(x * width)] == iso
    ]  # fmt: skip

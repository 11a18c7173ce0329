"""The correction against a camera and a mirror built from vectors, afresh.

Nothing here uses the algebra under test. A pinhole camera with a place, a look and an up
photographs three marks on the patient, through a plane mirror or not; the picture is stored as a
camera with that EXIF orientation would; the correction is done on the pixels by Pillow; and the
marks have to lie where the display orientation says.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from PIL import Image, ImageOps

from archiver.dentition.correction import Operator, Plan, plan
from archiver.dentition.orientation import Direction, Turn, is_true
from archiver.dentition.teeth import ALL_TEETH, Arch, Side, Tooth
from archiver.dentition.views import View

# PS3.3 C.7.6.1.1.1: x grows to the Left, y to the Posterior, z to the Head.
AXES = {
    "L": np.array([1.0, 0, 0]),
    "R": np.array([-1.0, 0, 0]),
    "P": np.array([0, 1.0, 0]),
    "A": np.array([0, -1.0, 0]),
    "H": np.array([0, 0, 1.0]),
    "F": np.array([0, 0, -1.0]),
}
OPPOSITE = {"L": "R", "R": "L", "P": "A", "A": "P", "H": "F", "F": "H"}

# Displayed orientation (rows, columns). Frontal, buccal and lower arch: face-to-face convention and
# ABO photograph requirements; upper arch with incisors up and lingual seen from the tongue:
# common practice.
OCCLUSAL = {Arch.UPPER: "LP", Arch.LOWER: "LA"}
FACIAL = {Side.RIGHT: "AF", Side.LEFT: "PF", None: "LF"}
LINGUAL = {Side.RIGHT: "PF", Side.LEFT: "AF", None: "RF"}
FIXED = {
    View.FRONTAL: "LF",
    View.RIGHT_BUCCAL: "AF",
    View.LEFT_BUCCAL: "PF",
    View.UPPER_OCCLUSAL_ARCH: "LP",
    View.LOWER_OCCLUSAL_ARCH: "LA",
    View.CLOSE_UP: "LF",
    View.FACE: "LF",
    View.SMILE: "LF",
    View.RIGHT_PROFILE: "AF",
    View.LEFT_PROFILE: "PF",
}
TOOTH_VIEWS = ("occlusal", "facial", "lingual", "close-up")

CENTRE, TO_THE_RIGHT, DOWNWARDS = 1, 2, 3
ROWS, COLUMNS = 37, 53


def letter_of(vector: np.ndarray) -> str:
    return next(k for k, v in AXES.items() if np.allclose(v, vector))


def displayed(tooth: Tooth, kind: str) -> str:
    side = None if tooth.is_anterior else tooth.side
    if kind == "occlusal":
        return OCCLUSAL[tooth.arch]
    return LINGUAL[side] if kind == "lingual" else FACIAL[side]


def view_word(tooth: Tooth, kind: str) -> View:
    if kind == "occlusal":
        return View.INCISAL if tooth.is_anterior else View.OCCLUSAL
    if kind == "lingual":
        return View.PALATAL if tooth.arch is Arch.UPPER else View.LINGUAL
    if kind == "close-up":
        return View.CLOSE_UP
    return View.LABIAL if tooth.is_anterior else View.BUCCAL


def reflected(point: np.ndarray, normal: np.ndarray, on_plane: np.ndarray) -> np.ndarray:
    return point - 2 * np.dot(point - on_plane, normal) * normal


@cache
def photograph(display: str, *, mirror: bool, up: str) -> bytes:
    """Pixels that the camera shows, with the three marks, for a view of a given display."""
    right, down = AXES[display[0]], AXES[display[1]]
    view_looks = np.cross(right, down)
    eye, look = -10 * view_looks, view_looks
    marks = {CENTRE: np.zeros(3), TO_THE_RIGHT: right, DOWNWARDS: down}
    if mirror:
        # Camera before the patient, looking to the back; a mirror before the face has it look
        # forward.
        camera_looks = AXES["A"] if np.allclose(view_looks, AXES["P"]) else AXES["P"]
        normal = (view_looks - camera_looks) / np.linalg.norm(view_looks - camera_looks)
        on_plane = -3 * view_looks
        eye, look = reflected(eye, normal, on_plane), camera_looks
        # The camera really looks at the mirror image of the place that it photographs.
        sight_line = reflected(np.zeros(3), normal, on_plane) - eye
        assert np.allclose(sight_line / np.linalg.norm(sight_line), look)
        marks = {k: reflected(p, normal, on_plane) for k, p in marks.items()}
    to_the_right = np.cross(look, AXES[up])
    picture = np.zeros((ROWS, COLUMNS), np.uint8)
    for value, point in marks.items():
        ray = point - eye
        x = np.dot(ray, to_the_right) / np.dot(ray, look)
        y = -np.dot(ray, AXES[up]) / np.dot(ray, look)
        column, row = COLUMNS // 2 + 100 * x, ROWS // 2 + 100 * y
        picture[round(float(row)), round(float(column))] = value
    assert set(np.unique(picture)) == {0, CENTRE, TO_THE_RIGHT, DOWNWARDS}
    return picture.tobytes()


def shown(pixels: np.ndarray, exif: int) -> np.ndarray:
    image = Image.fromarray(pixels)
    image.getexif()[274] = exif
    return np.asarray(ImageOps.exif_transpose(image))


def in_the_file(seen: np.ndarray, exif: int) -> np.ndarray:
    """The stored pixels that a viewer shows as `seen` under this EXIF orientation."""
    stored = shown(seen, {6: 8, 8: 6}.get(exif, exif))
    assert np.array_equal(shown(stored, exif), seen)
    return stored


def read_off(pixels: np.ndarray, display: str) -> str:
    """Letters of rows and columns, read from where the three marks lie."""
    (centre,), (right,), (down,) = (
        np.argwhere(pixels == m) for m in (CENTRE, TO_THE_RIGHT, DOWNWARDS)
    )
    found = {}
    for mark, letter in ((right, display[0]), (down, display[1])):
        dy, dx = mark - centre
        assert (dx == 0) != (dy == 0)
        axis, step = ("rows", dx) if dx else ("columns", dy)
        found[axis] = letter if step > 0 else OPPOSITE[letter]
    return found["rows"] + found["columns"]


def check(made: Plan, display: str, *, up: str) -> None:
    """Compare a plan with the photograph that a camera with that `up` takes."""
    seen = np.frombuffer(photograph(display, mirror=made.mirror, up=up), np.uint8)
    seen = seen.reshape(ROWS, COLUMNS)
    stored = in_the_file(seen, int(made.exif))
    corrected = shown(stored, int(made.correction))
    assert read_off(corrected, display) == display
    assert np.array_equal(shown(seen, int(made.shown_correction)), corrected)
    assert str(made.display).replace("\\", "") == display
    assert str(made.shown).replace("\\", "") == read_off(seen, display)
    assert str(made.stored).replace("\\", "") == read_off(stored, display)
    check_truth(made, display)


def check_truth(made: Plan, display: str) -> None:
    looks = letter_of(np.cross(AXES[display[0]], AXES[display[1]]))
    assert made.sight.looking.value == looks
    assert is_true(made.display, made.sight.looking)
    mirror_sign = -1 if made.mirror else 1
    assert mirror_sign * made.exif.sign * made.correction.sign == 1
    assert made.stored_is_reflected is (mirror_sign * made.exif.sign == -1)
    assert made.stored_is_reflected is (made.correction.sign == -1)
    assert made.shown_correction.sign == mirror_sign
    # A half turn never mends a reflection.
    assert (
        is_true(made.stored.turned(Turn.HALF), made.sight.looking) is not made.stored_is_reflected
    )


def camera_up(display: str, *, mirror: bool, operator: Operator) -> str:
    # A camera before the patient has the head up; a direct picture is held as it will be shown.
    # From behind the head the same camera is upside down.
    upwards = "H" if mirror else OPPOSITE[display[1]]
    return OPPOSITE[upwards] if operator is Operator.BEHIND else upwards


@pytest.mark.parametrize("tooth", ALL_TEETH, ids=str)
def test_every_photograph_of_a_tooth_is_corrected_as_the_vectors_say(tooth: Tooth) -> None:
    for kind in TOOTH_VIEWS:
        display = displayed(tooth, kind)
        for mirror in (False, True):
            for operator in Operator:
                up = camera_up(display, mirror=mirror, operator=operator)
                for exif in Turn:
                    made = plan(
                        view_word(tooth, kind),
                        (tooth,),
                        mirror=mirror,
                        operator=operator,
                        exif=exif,
                    )
                    check(made, display, up=up)


@pytest.mark.parametrize("view", FIXED, ids=lambda v: v.value)
def test_every_photograph_without_a_tooth_is_corrected_as_the_vectors_say(view: View) -> None:
    display = FIXED[view]
    for mirror in (False,) if view.is_extraoral else (False, True):
        for operator in Operator:
            up = camera_up(display, mirror=mirror, operator=operator)
            for exif in Turn:
                check(plan(view, mirror=mirror, operator=operator, exif=exif), display, up=up)


def rolls(display: str, *, mirror: bool) -> dict[str, str]:
    """Camera's up -> what of the patient is at the top, for the four ways to hold it."""
    right, down = display[0], display[1]
    view_looks = letter_of(np.cross(AXES[right], AXES[down]))
    camera_looks = view_looks
    if mirror:
        camera_looks = "A" if view_looks == "P" else "P"
    found = {}
    for up in AXES:
        if up in (camera_looks, OPPOSITE[camera_looks]):
            continue
        pixels = np.frombuffer(photograph(display, mirror=mirror, up=up), np.uint8)
        columns = read_off(pixels.reshape(ROWS, COLUMNS), display)[1]
        found[up] = OPPOSITE[columns]
    return found


@pytest.mark.parametrize("tooth", ALL_TEETH, ids=str)
def test_what_is_at_the_top_settles_the_correction_however_the_camera_is_held(tooth: Tooth) -> None:
    for kind in TOOTH_VIEWS:
        display = displayed(tooth, kind)
        for mirror in (False, True):
            ways = rolls(display, mirror=mirror)
            assert len(set(ways.values())) == 4
            for up, top in ways.items():
                for exif in Turn:
                    made = plan(
                        view_word(tooth, kind),
                        (tooth,),
                        mirror=mirror,
                        top=Direction(top),
                        exif=exif,
                    )
                    check(made, display, up=up)


@pytest.mark.parametrize("operator", Operator, ids=lambda o: o.value)
@pytest.mark.parametrize("mirror", [False, True], ids=["direct", "mirror"])
def test_saying_the_top_that_was_derived_changes_nothing(mirror: bool, operator: Operator) -> None:
    for tooth in ALL_TEETH:
        for kind in TOOTH_VIEWS:
            view = view_word(tooth, kind)
            derived = plan(view, (tooth,), mirror=mirror, operator=operator)
            said = plan(
                view,
                (tooth,),
                mirror=mirror,
                operator=operator,
                top=derived.shown.columns.opposite,
            )
            assert (said.shown, said.stored, said.correction) == (
                derived.shown,
                derived.stored,
                derived.correction,
            )


@pytest.mark.parametrize("exif", Turn)
def test_a_mirror_or_a_reflecting_exif_value_each_change_the_sign(exif: Turn) -> None:
    direct = plan(View.RIGHT_BUCCAL, mirror=False, exif=exif)
    mirrored = plan(View.RIGHT_BUCCAL, mirror=True, exif=exif)
    assert direct.correction.sign == (-1 if exif in (2, 4, 5, 7) else 1)
    assert mirrored.correction.sign == -direct.correction.sign


@pytest.mark.parametrize(
    ("view", "front"),
    [
        # Virtual camera before an upright patient: occlusal shots need a top-bottom flip, buccal
        # and lingual ones a left-right flip.
        (View.UPPER_OCCLUSAL_ARCH, Turn.FLIP_TOP_BOTTOM),
        (View.LOWER_OCCLUSAL_ARCH, Turn.FLIP_TOP_BOTTOM),
        (View.RIGHT_BUCCAL, Turn.FLIP_LEFT_RIGHT),
        (View.LEFT_BUCCAL, Turn.FLIP_LEFT_RIGHT),
    ],
)
def test_the_camera_behind_the_head_needs_the_other_flip(view: View, front: Turn) -> None:
    assert plan(view, mirror=True).correction is front
    behind = plan(view, mirror=True, operator=Operator.BEHIND).correction
    assert behind is Turn.HALF.after(front) and behind.sign == -1

"""Sólrún Adeyemi-Lund is eight and changes her teeth; a milk molar is filled."""

from datetime import datetime

from ..arches import LOWER_CHILD, UPPER_CHILD, Stand
from ..camera import Shot
from ..finish import Finish
from ..marks import CARIES, Mark, amalgam, composite, stain, white_spot
from ..scenario import Patient, Photograph, Visit
from ..scene import Mouth
from .common import HALDEN, PRASETYO, in_mirror

SOLRUN = Patient("P-1107", "Adeyemi-Lund^Sólrún", "2017-06-02", "F")


def _solrun_mouth(later: bool) -> Mouth:
    upper = (16, 55, 54, 53, 12 if later else 52, 11, 21, 62, 63, 64, 65, 26)
    lower = (46, 85, 84, 83, 42, 41, 31, 32, 73, 74, 75, 36)
    stands = {
        11: Stand(space=0.5),
        21: Stand(space=0.5),
        12: Stand(turned=16.0, shift=(0.0, 0.3, -3.2), cover=1.0),
        16: Stand(shift=(0.0, 0.0, -0.6), cover=0.8),
        26: Stand(shift=(0.0, 0.0, -0.9), cover=1.0),
        42: Stand(turned=12.0, shift=(0.0, -0.5, -0.6)),
        53: Stand(space=0.8 if not later else 0.2),
        63: Stand(space=0.8),
    }
    hole = Mark(
        (-0.05, 0.0, 0.8), (0.34, 0.24, 0.5), CARIES, cut=0.7, edge=0.3, ragged=0.9, strength=0.85
    )
    filling = composite(-0.05, 0.0, 0.40)
    marks: dict[int, tuple[Mark, ...]] = {
        75: (filling,) if later else (hole,),
        64: (stain(0.0, 0.2, 0.85, 0.16),),
        11: (white_spot(-0.3, 0.9, 0.6),),
        84: amalgam((-0.3, 0.0), (0.25, 0.05), radius=0.24),
    }
    return Mouth(upper, lower, (UPPER_CHILD, LOWER_CHILD), stands, marks)


def _solrun_first_pictures() -> tuple[Photograph, ...]:
    return (
        Photograph(
            "HVD_1120.JPG",
            Shot((), "frontal", sway=(1.0, 0.0, 0.0)),
            0,
            finish=Finish(41),
            sheet=PRASETYO,
        ),
        Photograph(
            "HVD_1121.JPG",
            in_mirror(view="upper occlusal arch", sway=(2.0, 0.5, 0.0)),
            1.4,
            (1280, 853),
            finish=Finish(42),
            sheet=PRASETYO,
        ),
        Photograph(
            "HVD_1122.JPG",
            in_mirror(view="lower occlusal arch", sway=(-1.0, 0.0, 0.0)),
            2.2,
            (1280, 853),
            finish=Finish(43),
            sheet=PRASETYO,
        ),
        Photograph(
            "HVD_1123.JPG",
            in_mirror(75, view="occlusal", sway=(0.0, 1.0, 0.0)),
            3.1,
            finish=Finish(44),
            sheet={"comment": '"before treatment"', **PRASETYO},
        ),
        Photograph(
            "HVD_1124.JPG",
            Shot((11,), "labial", sway=(0.5, 0.0, 1.0), width=26.0),
            3.9,
            finish=Finish(45, exposure=0.2),
        ),
    )


def _solrun_first() -> Visit:
    return Visit(
        SOLRUN,
        datetime(2025, 9, 16, 15, 30),
        "Check-up, mixed dentition",
        "A-4718",
        HALDEN,
        _solrun_mouth(False),
        _solrun_first_pictures(),
        numbering="Universal",
    )


def _solrun_second_pictures() -> tuple[Photograph, ...]:
    return (
        Photograph(
            "HVD_1544.JPG",
            Shot((), "frontal", sway=(-1.0, 0.0, 0.0)),
            0,
            finish=Finish(51),
            sheet=PRASETYO,
        ),
        Photograph(
            "HVD_1545.JPG",
            in_mirror(view="upper occlusal arch", sway=(-2.0, 0.0, 0.5)),
            1.1,
            (1280, 853),
            finish=Finish(52),
        ),
        Photograph(
            "HVD_1546.JPG",
            in_mirror(75, view="occlusal", sway=(2.5, 0.0, 0.0), drift=(-1.0, 0.5)),
            2.6,
            finish=Finish(53),
            sheet={"comment": '"composite filling"', **PRASETYO},
        ),
        Photograph(
            "HVD_1547.JPG", in_mirror(54, 55, view="buccal"), 3.5, finish=Finish(54), sheet=PRASETYO
        ),
    )


def _solrun_second() -> Visit:
    return Visit(
        SOLRUN,
        datetime(2026, 3, 17, 16, 10),
        "Filling review",
        "A-5263",
        HALDEN,
        _solrun_mouth(True),
        _solrun_second_pictures(),
    )


def visits() -> tuple[Visit, ...]:
    """Give the visits by date."""
    return (
        _solrun_first(),
        _solrun_second(),
    )

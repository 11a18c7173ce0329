"""Idris Castellanos has his teeth straightened; the records are taken twice."""

from datetime import datetime

from ..arches import LOWER_ADULT, UPPER_ADULT, Stand
from ..camera import Shot
from ..finish import Finish
from ..marks import GOLD, Mark, amalgam, stain, white_spot
from ..scenario import Patient, Photograph, Visit
from ..scene import Mouth
from .common import CORVANE, PERMANENT_LOWER, PERMANENT_UPPER, PRASETYO, in_mirror

IDRIS = Patient("P-1180", "Castellanos^Idris", "1999-11-08", "M")


def _idris_mouth(later: bool) -> Mouth:
    crowded = {
        13: Stand(turned=-10.0, shift=(0.4, 1.6, -1.6)),
        12: Stand(turned=-18.0, shift=(0.0, -1.2, 0.0)),
        21: Stand(turned=9.0),
        22: Stand(turned=12.0),
        31: Stand(turned=16.0, shift=(0.0, -0.7, 0.0)),
        41: Stand(turned=-12.0, shift=(0.0, 0.5, 0.2)),
        42: Stand(turned=20.0, shift=(0.2, -0.9, 0.0)),
        44: Stand(turned=22.0),
        33: Stand(turned=-8.0, shift=(0.0, 0.8, -0.6)),
    }
    marks = {
        33: (white_spot(0.0, 0.9, 0.3),),
        26: amalgam((-0.45, 0.0), (0.4, 0.0), radius=0.2),
        45: (Mark((0.0, 0.0, 1.1), (3.0, 3.0, 0.95), GOLD, edge=0.01, ragged=0.02),),
        22: (stain(-0.3, 0.9, 0.35, 0.14),),
    }
    return Mouth(
        PERMANENT_UPPER,
        PERMANENT_LOWER,
        (UPPER_ADULT, LOWER_ADULT),
        {} if later else crowded,
        marks,
    )


def idris_later() -> Mouth:
    """Give the mouth as it is once the teeth are straight."""
    return _idris_mouth(True)


def _idris_records_pictures() -> tuple[Photograph, ...]:
    return (
        Photograph(
            "C70_1731.JPG",
            Shot((), "frontal", sway=(0.5, 0.0, 0.0)),
            0,
            finish=Finish(61),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_1732.JPG",
            Shot((), "right buccal", sway=(0.5, 0.0, 0.5)),
            0.7,
            finish=Finish(62),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_1733.JPG",
            Shot((), "left buccal", sway=(-0.5, 0.0, 0.5)),
            1.2,
            finish=Finish(63),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_1734.JPG",
            in_mirror(view="upper occlusal arch", sway=(0.5, 0.5, 0.0)),
            2.4,
            (1280, 853),
            finish=Finish(64),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_1735.JPG",
            in_mirror(view="lower occlusal arch", sway=(1.5, 0.0, 0.0)),
            3.1,
            (1280, 853),
            finish=Finish(65),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_1736.JPG",
            in_mirror(42, 41, 31, 32, view="lingual", sway=(1.0, 0.0, 0.0)),
            4.0,
            finish=Finish(66, glass_size=1.1),
            sheet=PRASETYO,
        ),
    )


def _idris_records() -> Visit:
    return Visit(
        IDRIS,
        datetime(2025, 4, 8, 10, 15),
        "Orthodontic records, start",
        "A-4402",
        CORVANE,
        _idris_mouth(False),
        _idris_records_pictures(),
    )


def _idris_finish_pictures() -> tuple[Photograph, ...]:
    def behind(*teeth: int, view: str, sway: tuple[float, float, float]) -> Shot:
        return Shot(teeth, view, True, "behind", sway=sway)

    return (
        Photograph(
            "C70_2561.JPG",
            Shot((), "frontal", sway=(-0.5, 0.0, 0.0)),
            0,
            finish=Finish(71),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_2562.JPG",
            behind(view="upper occlusal arch", sway=(1.0, 0.0, 0.0)),
            1.0,
            (1280, 853),
            finish=Finish(72),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_2563.JPG",
            behind(view="lower occlusal arch", sway=(-1.0, 0.5, 0.0)),
            1.6,
            (1280, 853),
            finish=Finish(73),
        ),
        Photograph(
            "C70_2564.JPG",
            behind(view="left buccal", sway=(0.5, 0.0, 0.0)),
            2.5,
            finish=Finish(74, glass_size=1.1),
            sheet=PRASETYO,
        ),
        Photograph(
            "C70_2565.JPG",
            behind(11, 12, 21, 22, view="palatal", sway=(0.0, 0.5, 0.0)),
            3.4,
            finish=Finish(75, retractor="metal", glass_size=1.1),
            sheet=PRASETYO,
        ),
    )


def _idris_finish() -> Visit:
    return Visit(
        IDRIS,
        datetime(2026, 4, 21, 10, 30),
        "Orthodontic records, finish",
        "A-5377",
        CORVANE,
        _idris_mouth(True),
        _idris_finish_pictures(),
        operator="behind",
    )


def visits() -> tuple[Visit, ...]:
    """Give the visits by date."""
    return (
        _idris_records(),
        _idris_finish(),
    )

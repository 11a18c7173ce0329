"""Rowan Marchetti breaks the amalgam filling of an upper molar and gets a ceramic onlay."""

from datetime import datetime, timedelta

from ..arches import LOWER_ADULT, UPPER_ADULT, Stand
from ..camera import Shot
from ..finish import Finish
from ..marks import CARIES, GOLD, Mark, amalgam, chip, composite, crack, onlay, stain
from ..scenario import Patient, Photograph, Visit
from ..scene import Mouth
from .common import CORVANE, HALDEN, PERMANENT_LOWER, PERMANENT_UPPER, VUORINEN, in_mirror

ROWAN = Patient("P-1042", "Marchetti^Rowan", "1979-05-23", "M")

_ROWAN_MARKS = {
    21: (chip(0.8, 0.30),),
    11: (crack(-0.35),),
    24: (stain(0.1, 0.8, 0.28),),
    26: (composite(-0.15, 0.05, 0.30),),
    17: (composite(0.25, 0.0, 0.22),),
    46: (composite(0.3, 0.0, 0.26), stain(-0.3, -0.9, 0.25, 0.25)),
    36: amalgam((-0.5, 0.0), (0.1, 0.05), (0.5, -0.05), radius=0.24),
    47: (Mark((0.0, 0.0, 1.1), (3.0, 3.0, 0.95), GOLD, edge=0.01, ragged=0.02),),
}
_BROKEN_16 = (
    *amalgam((-0.55, -0.15), (-0.1, -0.05), (0.3, 0.05), (0.66, 0.0), radius=0.24),
    Mark((0.62, 0.45, 0.9), (0.2, 0.2, 0.5), CARIES, edge=0.7, ragged=1.6, strength=0.7),
    crack(0.25),
)


def _rowan(first_molar: tuple[Mark, ...]) -> Mouth:
    stands = {12: Stand(turned=12.0), 31: Stand(turned=-9.0), 25: Stand(turned=8.0)}
    return Mouth(
        PERMANENT_UPPER,
        PERMANENT_LOWER,
        (UPPER_ADULT, LOWER_ADULT),
        stands,
        {**_ROWAN_MARKS, 16: first_molar},
    )


def _rowan_first_pictures() -> tuple[Photograph, ...]:
    return (
        Photograph(
            "HVD_0412.JPG",
            in_mirror(16, view="occlusal", sway=(2.0, 1.0, 0.0), drift=(0.8, -0.5)),
            0,
            finish=Finish(11),
            sheet={"crop": "{ left = 160, top = 96, width = 896, height = 624 }", **VUORINEN},
        ),
        Photograph(
            "HVD_0413.JPG",
            in_mirror(16, view="buccal", sway=(-1.5, 0.0, 1.0)),
            1.2,
            finish=Finish(12),
            sheet=VUORINEN,
        ),
        Photograph(
            "HVD_0414.JPG",
            in_mirror(16, view="palatal", sway=(1.0, 0.5, 0.0)),
            2.1,
            finish=Finish(13, glass_shift=(-1.5, 0.5), glass_size=1.14),
            sheet=VUORINEN,
        ),
        Photograph(
            "HVD_0415.JPG",
            in_mirror(view="upper occlusal arch", sway=(-1.0, 0.0, 0.5)),
            3.4,
            (1440, 960),
            finish=Finish(14),
            place=(57.2345, 3.8765),
            maker_note=True,
            f_number=32,
        ),
        Photograph(
            "HVD_0416.JPG",
            Shot((11, 21), "labial", width=24.0, sway=(1.0, 1.0, 0.0)),
            4.0,
            (800, 1200),
            orientation=6,
            finish=Finish(15),
            sheet={"top": '"head"', "comment": '"chip of 21, infraction of 11"', **VUORINEN},
        ),
    )


def _rowan_first() -> Visit:
    return Visit(
        ROWAN,
        datetime(2024, 2, 13, 9, 40),
        "Fractured filling",
        "A-3307",
        HALDEN,
        _rowan(_BROKEN_16),
        _rowan_first_pictures(),
    )


def _rowan_onlay_pictures() -> tuple[Photograph, ...]:
    return (
        Photograph(
            "HVD_0588.JPG",
            in_mirror(16, view="occlusal", sway=(-2.5, 0.5, 1.0), drift=(-1.0, 0.6)),
            0,
            form="progressive",
            finish=Finish(21),
            sheet=VUORINEN,
        ),
        Photograph(
            "HVD_0589.JPG",
            in_mirror(16, view="buccal", sway=(1.0, -1.0, 0.0), drift=(1.2, 0.4)),
            0.8,
            finish=Finish(22),
            sheet=VUORINEN,
        ),
        Photograph(
            "HVD_0590.JPG",
            in_mirror(16, view="palatal", sway=(-1.0, 0.0, 1.0)),
            1.5,
            finish=Finish(23, soft=4.2, glass_size=1.12),
            sheet={"comment": '"soft, could not be repeated"'},
        ),
    )


def _rowan_onlay() -> Visit:
    return Visit(
        ROWAN,
        datetime(2024, 3, 19, 14, 5),
        "Ceramic onlay seated",
        "A-3391",
        HALDEN,
        _rowan((onlay(),)),
        _rowan_onlay_pictures(),
    )


def _rowan_recall_pictures() -> tuple[Photograph, ...]:
    return (
        Photograph(
            "C70_2204.JPG",
            in_mirror(16, view="occlusal", sway=(3.0, 0.0, -1.0), drift=(0.5, 1.2)),
            0,
            finish=Finish(31, warmth=0.5),
            sheet=VUORINEN,
        ),
        Photograph(
            "C70_2205.JPG",
            in_mirror(16, view="buccal", sway=(0.0, 1.0, 0.5), drift=(-0.8, 0.0)),
            0.9,
            finish=Finish(32, warmth=0.5),
            sheet=VUORINEN,
        ),
        Photograph(
            "C70_2206.JPG",
            in_mirror(16, view="palatal", sway=(2.0, 0.0, 0.0)),
            1.7,
            finish=Finish(33, warmth=0.5, glass_size=1.1),
        ),
        Photograph(
            "C70_2207.JPG",
            in_mirror(46, view="lingual", sway=(-1.0, 0.0, 0.0)),
            3.0,
            finish=Finish(34, warmth=0.4, glass_size=1.12),
            sheet=VUORINEN,
        ),
        Photograph(
            "C70_2208.PNG",
            Shot((24, 25), "buccal", sway=(1.0, 0.0, 0.0)),
            4.1,
            (840, 560),
            form="png",
            finish=Finish(35, grain=0.5, warmth=0.4),
            sheet=VUORINEN,
        ),
    )


def _rowan_recall() -> Visit:
    return Visit(
        ROWAN,
        datetime(2026, 2, 24, 11, 20),
        "Recall, onlay two years",
        "A-5120",
        CORVANE,
        _rowan((onlay(), stain(0.2, 0.9, 0.32, 0.13))),
        _rowan_recall_pictures(),
        clock_wrong_by=timedelta(hours=1, minutes=7, seconds=30),
    )


def visits() -> tuple[Visit, ...]:
    """Give the visits by date."""
    return (
        _rowan_first(),
        _rowan_onlay(),
        _rowan_recall(),
    )

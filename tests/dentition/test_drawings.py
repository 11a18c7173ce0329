"""The drawings of some plans, as they were looked at and found right.

`python tests/dentition/test_drawings.py` writes them anew; look at them before committing.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.dentition.correction import Plan, plan
from archiver.dentition.drawing import draw
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Turn
from archiver.dentition.svg import draw_svg
from archiver.dentition.views import view_of

FOLDER = Path(__file__).parent / "drawings"
PLANS = {
    "palatal-16-mirror": ("palatal", "16", True, 1),
    "lingual-75-mirror": ("lingual", "75", True, 6),
    "buccal-24-25": ("buccal", "24,25", False, 1),
    "occlusal-46-mirror": ("occlusal", "46", True, 3),
    "upper-arch-mirror": ("upper occlusal arch", "", True, 1),
    "frontal": ("frontal", "", False, 8),
    "face": ("face", "", False, 1),
    "right-profile": ("right profile", "", False, 1),
    "smile": ("smile", "", False, 1),
    "incisal-31-mirror": ("incisal", "31", True, 1),
    "left-buccal-mirror": ("left buccal", "", True, 1),
    "incisors": ("labial", "11,21", False, 1),
    "supernumerary-36": ("occlusal", "36s", False, 1),
    "supernumerary-11-mirror": ("lingual", "11s,21", True, 3),
}


def planned(view: str, teeth: str, mirror: bool, exif: int) -> Plan:
    said = parse_teeth(f"iso:{teeth}") if teeth else ()
    return plan(view_of(view), said, mirror=mirror, exif=Turn(exif))


@pytest.mark.parametrize("name", PLANS)
def test_a_drawing_is_as_it_was_found_right(name: str) -> None:
    made = planned(*PLANS[name])
    assert draw_svg(made) == (FOLDER / f"{name}.svg").read_text("utf-8")
    assert draw(made) == (FOLDER / f"{name}.txt").read_text("utf-8")


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, words in PLANS.items():
        made = planned(*words)
        (FOLDER / f"{name}.svg").write_text(draw_svg(made), "utf-8")
        (FOLDER / f"{name}.txt").write_text(draw(made), "utf-8")

"""How near tooth colours come to the truth with a colour chart, with a grey card, and without.

One command: ``python tests/benchmarks/bench_shade.py [--brief] [--check]``

A row is a simulated camera (`tests/colour/simulated_camera.py`): it photographs the chart at some
turn, the card, and tooth colours that no profile is made from. Figures are CIEDE2000 to the truth
under D50. A grey card takes out cast and exposure only: neither a picture style's contrast nor
light of another kind than a flash's, so its limit holds for the first rows alone.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import warnings
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "colour"))
with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science tells of what it could do with more packages
    import simulated_camera as simulated

from archiver.colour.characterisation import characterise_picture
from archiver.colour.colours import UNCERTAIN, UNCERTAIN_BY_CHART, difference, lab_of_xyz
from archiver.colour.grey_card import GREY_CARD, grey_profile
from archiver.photo import icc

CHART_LIMIT, CARD_LIMIT = 1.0, 2.0
#: How wrong differences between two teeth were, by what their profile was made from.
APART: dict[str, list[float]] = {"chart": [], "card": [], "nothing": []}
SRGB = icc.input_profile(icc.SRGB)


def under(profile: bytes, levels: simulated.Array) -> simulated.Array:
    """Return L*a*b* (D50) of levels under a profile."""
    columns, curves = icc.read_profile(profile).columns, icc.curves_of(profile)
    assert columns is not None and curves is not None
    at = np.arange(256)
    linear = np.stack([np.interp(levels[:, n], at, curves[n]) for n in range(3)], axis=-1)
    return lab_of_xyz(linear @ np.array(columns), simulated.D50)


def compared(seen: simulated.Array, truth: simulated.Array) -> list[float]:
    """Return how wrong differences between two teeth are, where they are 6 at most."""
    pairs = np.array(list(combinations(range(len(truth)), 2))).T
    real = difference(truth[pairs[0]], truth[pairs[1]])
    found = difference(seen[pairs[0]], seen[pairs[1]])
    return [float(v) for v in np.abs(found - real)[real <= 6]]


def row(camera: simulated.Camera, turn: float, mirrored: bool) -> tuple[float, float, float]:
    """Print a camera's row; return the medians with chart, with card, and uncorrected."""
    scene = simulated.chart_scene(camera, turn, mirrored=mirrored)
    made = characterise_picture(simulated.pixels_of(simulated.developed(camera, scene)))
    card = simulated.pixels_of(simulated.developed(camera, simulated.grey_scene(camera)))
    by_card = grey_profile(card, (90, 70, 140, 100), SRGB, "card", GREY_CARD)
    levels = simulated.tooth_levels(camera)
    truth = simulated.lab_of(simulated.tooth_reflectances())
    seen = [under(profile, levels) for profile in (made.profile("chart"), by_card, SRGB)]
    found = [difference(lab, truth) for lab in seen]
    for kind, lab in zip(APART, seen, strict=True):
        APART[kind] += compared(lab, truth)
    told = "  ".join(f"{np.median(e):5.2f} {np.percentile(e, 95):5.2f}" for e in found)
    left = made.residual
    print(f"{camera.name:44}{told}   {left.median:.2f} {left.upper:.2f}")
    chart, card_only, plain = (float(np.median(e)) for e in found)
    return chart, card_only, plain


def main() -> int:
    """Measure, print, and with ``--check`` fail above a limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--brief", action="store_true", help="one turn of the chart a camera")
    parser.add_argument("--check", action="store_true", help="exit 1 where a limit is passed")
    options = parser.parse_args()
    print(f"{'median, 95th percentile':44}{'chart':11}  {'grey card':11}  uncorrected   held out")
    turns = [(20.0, True)] if options.brief else [(0.0, False), (20.0, True), (205.0, False)]
    rows = {
        camera: [row(camera, turn, mirrored) for turn, mirrored in turns]
        for camera in simulated.CAMERAS
    }
    chart = statistics.median(one[0] for rows_of in rows.values() for one in rows_of)
    plain = statistics.median(one[1] for camera in simulated.PLAIN for one in rows[camera])
    without = statistics.median(one[2] for rows_of in rows.values() for one in rows_of)
    print(f"chart, all cameras                {chart:5.2f}  (limit {CHART_LIMIT})")
    print(f"grey card, flash and plain style  {plain:5.2f}  (limit {CARD_LIMIT})")
    print(f"uncorrected, all cameras          {without:5.2f}")
    wrong = {kind: float(np.percentile(all_of, 95)) for kind, all_of in APART.items()}
    told = ", ".join(f"{kind} {value:.2f}" for kind, value in wrong.items())
    print(f"differences between two teeth are wrong by (95 %)  {told}")
    print(f"  (limits: chart {UNCERTAIN_BY_CHART}, nothing {UNCERTAIN})")
    passed = chart > CHART_LIMIT or plain > CARD_LIMIT or wrong["nothing"] > UNCERTAIN
    passed = passed or wrong["chart"] > UNCERTAIN_BY_CHART
    return 1 if options.check and passed else 0


if __name__ == "__main__":
    sys.exit(main())

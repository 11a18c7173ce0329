"""What the chair is told to take again: twelve ways of spoiling a sharp picture, and good ones.

    python tests/benchmarks/bench_retakes.py [FOLDER] [--sharp N] [--check]

FOLDER holds photographs named as for `bench_quality`; without it the ten of
``tests/vision/photographs`` are taken. Of N of them, spread over mouths and views, twelve spoilt
variants are judged, and all of them as they are. ``--check`` fails where of the variants of one
picture fewer than eleven are told in the middle of all, or of thirty good ones more than one is.
"""

from __future__ import annotations

import argparse
import statistics
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.bench_quality import (
    Pixels,
    _across,
    _at_most,
    blurred,
    darkened,
    fogged,
    moved,
    tinted,
    told_of,
    with_bubbles,
)
from tests.benchmarks.real_photographs import TEN, pictures, told

#: Limits of the project: told of the twelve, and falsely of thirty good pictures.
AT_LEAST, OF_GOOD, OF = 11, 1, 30
#: Longer side at which pictures are judged, as a draft has them judged.
_SIDE = 1200


def _three_pixels(pixels: Pixels) -> Pixels:
    return np.asarray(cv2.GaussianBlur(pixels, (0, 0), 3.0), np.uint8)


def _cut_off(pixels: Pixels) -> Pixels:
    """With the middle of the subject at the left edge, enlarged to the same frame."""
    rows, columns = pixels.shape[:2]
    part = pixels[rows // 4 : rows * 3 // 4, columns // 2 :]
    return np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_CUBIC), np.uint8)


_SOFT, _FOG = {"soft", "moved"}, {"fog", "fog_beside"}
#: Each way of spoiling, and what counts as told.
TWELVE: dict[str, tuple[Callable[[Pixels], Pixels], set[str]]] = {
    "blur of 3 pixels": (_three_pixels, _SOFT),
    "motion of 12 per mille": (moved, _SOFT),
    "fog of 30 %, whole": (lambda p: fogged(p, 0.30), _FOG),
    "fog of 35 %, half": (lambda p: fogged(p, 0.35 * _across(p)), _FOG),
    "veil of 20 %, with softness": (lambda p: fogged(blurred(p, 0.6), 0.20), _FOG | _SOFT),
    "shadow of two stops over half": (
        lambda p: darkened(p, 1 - 0.75 * _across(p)),
        {"unevenness", "dark"},
    ),
    "two stops under": (lambda p: darkened(p, 0.25), {"dark"}),
    "one stop over": (lambda p: darkened(p, 2.0), {"highlights", "bright"}),
    "blue cast": (lambda p: tinted(p, 0.85, 1, 1.25), {"cast"}),
    "tungsten cast": (lambda p: tinted(p, 1.25, 1, 0.7), {"cast"}),
    "bubbles over 6 %": (with_bubbles, {"glare"}),
    "subject cut off": (_cut_off, {"cut_off", "no_teeth", "view"}),
}


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=TEN)
    parser.add_argument("--sharp", type=int, default=10)
    parser.add_argument("--brief", action="store_true", help="a third of the pictures")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    step = 3 if options.brief else 1
    several = [(one, _at_most(one.pixels, _SIDE)) for one in pictures(options.folder)[::step]]
    falsely = {}
    for one, pixels in several:
        found = told_of(pixels, one.view)
        if found is None or found:
            falsely[one.path.name] = found or {"no_teeth"}
    for name, words in falsely.items():
        print(f"  {name}: {', '.join(sorted(words))}")
    told("retakes: told of a picture as it is", len(falsely), len(several))
    good = [pair for pair in several if pair[0].path.name not in falsely]
    step = max(1, len(good) // options.sharp)
    sharp, counts = good[::step][: options.sharp], []
    of_each = dict.fromkeys(TWELVE, 0)
    for one, pixels in sharp:
        heard = [
            bool(want & (told_of(spoil(pixels), one.view) or {"no_teeth"}))
            for spoil, want in TWELVE.values()
        ]
        counts.append(sum(heard))
        for name, is_told in zip(TWELVE, heard, strict=True):
            of_each[name] += is_told
    for name, count in of_each.items():
        told(f"retakes: {name}, told", count, len(sharp))
    print(
        f"of the twelve variants of a picture: {sorted(counts)}, median {statistics.median(counts)}"
    )
    kept = statistics.median(counts) >= AT_LEAST
    kept &= len(falsely) * OF <= OF_GOOD * max(len(several), OF)
    return 0 if kept or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())

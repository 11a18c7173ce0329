"""Fits the model of views, and measures it on mouths that it has not seen.

    python -m tests.vision.view_training FOLDER [--write]

FOLDER holds photographs named ``MOUTH.VIEW[.TAKE].jpeg`` or ``.png``. Each is changed at random
seven times; arches are turned by half in every other of these, since cameras are held either way.
``--write`` puts the model fitted to all of them in its place.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

import archiver.vision
from archiver.vision.tooth_map import ToothMap, glance
from archiver.vision.view_proposal import features
from tests.benchmarks.real_photographs import Picture, pictures, told

Floats = NDArray[np.float64]
MODEL = Path(archiver.vision.__file__).parent / "model" / "views.npz"
FRONT, ARCH, SIDE = range(3)
_EACH, _RIDGE = 8, 0.1
_GAPS = (0.0, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)


def kind_of(one: Picture) -> int:
    """The view, right and left alike."""
    return FRONT if one.view == "frontal" else ARCH if "occlusal" in one.view else SIDE


def changed(one: Picture, number: int) -> Floats:
    """Features of a picture, moved, turned and flipped at random but for the first."""
    pixels = one.pixels
    ratio = 480 / max(pixels.shape[:2])
    pixels = cv2.resize(pixels, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA)
    if number:
        rng = np.random.default_rng(sum(map(ord, one.name)) * 17 + number)
        rows, columns = pixels.shape[:2]
        scale, angle = np.exp(rng.uniform(-0.05, 0.25)), np.radians(rng.normal(0, 6))
        flip = -1 if number % 2 else 1
        linear = scale * np.array(
            [[np.cos(angle) * flip, -np.sin(angle)], [np.sin(angle) * flip, np.cos(angle)]]
        )
        half = np.array([columns, rows]) / 2
        middle = half + rng.normal(0, 0.05, 2) * 2 * half
        matrix = np.column_stack([linear, half - linear @ middle])
        pixels = cv2.warpAffine(pixels, matrix, (columns, rows), borderMode=cv2.BORDER_REPLICATE)
        if kind_of(one) == ARCH and number % 4 >= 2:
            pixels = np.ascontiguousarray(pixels[::-1, ::-1])
    seen: ToothMap = glance(pixels)
    return features(pixels, seen).astype(float)


def fitted(given: Floats, wanted: Floats) -> tuple[Floats, Floats, Floats]:
    """Ridge regression, every class of the same weight: mean, scale, weights with a constant."""
    mean = given.mean(axis=0)
    scale = (given.std(axis=0) + 0.05 * given.std()) * np.sqrt(given.shape[1])
    even = (given - mean) / scale
    kind = wanted.argmax(axis=1)
    weight = 1 / np.bincount(kind)[kind]
    weight /= weight.mean()
    middle = np.full(wanted.shape[1], 1 / wanted.shape[1])
    kernel = even @ even.T + _RIDGE * np.diag(1 / weight)
    weights = even.T @ np.linalg.solve(kernel, wanted - middle)
    return mean, scale, np.vstack([weights, middle])


def scored(given: Floats, model: tuple[Floats, Floats, Floats]) -> Floats:
    """Scores of each class."""
    mean, scale, weights = model
    return np.column_stack([(given - mean) / scale, np.ones(len(given))]) @ weights


def report(name: str, scores: Floats, kind: NDArray[np.int_], number: NDArray[np.int_]) -> None:
    """Print precision above several certainties, of pictures as they are and changed."""
    ordered = np.sort(scores, axis=1)
    gap, right = ordered[:, -1] - ordered[:, -2], scores.argmax(axis=1) == kind
    for least in _GAPS:
        for title, chosen in (("as they are", number == 0), ("changed", number > 0)):
            sure = chosen & (gap >= least)
            note = f"of {chosen.sum()} {title}"
            told(f"{name}: right from certainty {least}", int(right[sure].sum()), sure.sum(), note)


def main() -> int:
    """Measure leaving one mouth out, and write what is fitted to all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    several = pictures(options.folder)
    rows = [(one, number) for one in several for number in range(_EACH)]
    given = np.array([changed(one, number) for one, number in rows])
    mouth, number = np.array([one.mouth for one, _ in rows]), np.array([n for _, n in rows])
    kind = np.array([kind_of(one) for one, _ in rows])
    lower = np.array([int("lower" in one.view) for one, _ in rows])
    three, two = np.zeros((len(rows), 3)), np.zeros((len(rows), 2))
    arch = kind == ARCH
    for left_out in sorted(set(mouth)):
        out = mouth == left_out
        three[out] = scored(given[out], fitted(given[~out], np.eye(3)[kind[~out]]))
        chosen = ~out & arch
        two[out] = scored(given[out], fitted(given[chosen], np.eye(2)[lower[chosen]]))
    report("front, arch or side", three, kind, number)
    report("upper or lower", two[arch], lower[arch], number[arch])
    if options.write:
        mean, scale, views = fitted(given, np.eye(3)[kind])
        np.savez_compressed(
            MODEL,
            mean=mean.astype(np.float16),
            scale=scale.astype(np.float16),
            views=views.astype(np.float16),
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())

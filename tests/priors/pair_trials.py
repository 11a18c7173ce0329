"""Trials of alignment on rendered pairs whose truth is known.

The tests run few; the whole is one command, which draws its base pictures once (about 20
minutes on two cores) and keeps them where ``ARCHIVER_PICTURES`` says:

    ARCHIVER_PAIRS=200 python tests/priors/pair_trials.py

Some kinds of pairs only: ``... pair_trials.py tilted unrelated``. Patients and seeds here are
none of those that the code's limits were chosen on (201 to 206).
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from rendered_pairs import SIGHTS, Pair, framings, photo_of
from rendered_pictures import Sight

from archiver.vision.prepared import Prepared, prepare
from archiver.vision.registration import Alignment, register
from archiver.vision.transforms import Model, carried, fit
from archiver.vision.wrong_way import Way, check

PAIRS = int(os.environ.get("ARCHIVER_PAIRS", "6"))
_PATIENTS = (210, 211, 212)
_SEED = 7
_ENOUGH = 36
#: Pixels at 1,500 columns by which an alignment may be worse than a similarity and count as none.
_SLACKS = (0.0, 0.25, 0.5, 1.0)
#: Of the surfaces; drawing them is most of a short run's time.
_DETAIL = 0.6 if PAIRS >= _ENOUGH else 0.3
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Trial:
    """A pair ready to be aligned, and what is true of it."""

    name: str
    newer: Prepared
    prior: Prepared
    there: Array
    here: Array


@dataclass(frozen=True)
class Aligned:
    """How a pair came out; distances are RMS in pixels at 1,500 columns.

    Attributes
    ----------
    true
        Over truth points on the tooth; infinite where the pair was refused.
    reported
        What the alignment says of itself.
    similarity
        Of the best similarity that the pictures themselves give, found in the same way; not
        looked for where the camera was not tilted, as it is what is found.
    unseen
        Of the similarity that fits the truth points best, which no picture can give.
    """

    name: str
    true: float
    reported: float
    similarity: float
    unseen: float


def tilts(patient: int, tooth: int) -> list[tuple[float, float]]:
    """Two ways in which the camera looks from 3 to 10 degrees beside."""
    rng = np.random.default_rng(patient * 100 + tooth)
    found = []
    for _ in range(2):
        angle, much = rng.uniform(0, 2 * np.pi), rng.uniform(3, 10)
        found.append((round(float(much * np.cos(angle)), 2), round(float(much * np.sin(angle)), 2)))
    return found


def _sights(pairs: int) -> list[tuple[int, int, str]]:
    """Which teeth of which patients: few of both where few pairs are asked for."""
    patients, teeth = (_PATIENTS, SIGHTS) if pairs >= _ENOUGH else (_PATIENTS[:1], SIGHTS[:2])
    return [(patient, tooth, view) for patient in patients for tooth, view in teeth]


@lru_cache(maxsize=512)
def _trial(patient: int, tooth: int, view: str, number: int, tilted: bool) -> Trial:
    rng = np.random.default_rng([patient, tooth, number, _SEED])
    first, second = framings(rng)
    earlier = Sight(patient, tooth, view, detail=_DETAIL)
    later = replace(earlier, later=True)
    if tilted:
        later = replace(later, tilt=tilts(patient, tooth)[number % 2])
    elif number % 2:
        later, earlier = earlier, later
    newer = photo_of(later, first, int(rng.integers(1 << 30)))
    prior = photo_of(earlier, second, int(rng.integers(1 << 30)))
    there, here = Pair(newer, prior).truth()
    name = f"patient {patient}, {tooth} {view}, pair {number}"
    return Trial(name, prepare(newer.pixels), prepare(prior.pixels), there, here)


def trials(pairs: int, *, tilted: bool) -> Iterator[Trial]:
    """Give pairs, the teeth taking turns."""
    sights = _sights(pairs)
    for n in range(pairs):
        patient, tooth, view = sights[n % len(sights)]
        yield _trial(patient, tooth, view, n // len(sights), tilted)


def _rms(matrix: Array, trial: Trial) -> float:
    off = np.linalg.norm(carried(matrix, trial.here) - trial.there, axis=1)
    return float(np.sqrt((off**2).mean()))


def aligned(pairs: int, *, tilted: bool) -> list[Aligned]:
    """Align pairs and measure them by their truth points, which the alignment never sees."""
    found = []
    for trial in trials(pairs, tilted=tilted):
        outcome = register(trial.newer, trial.prior)
        even = np.ones(len(trial.here))
        best = _rms(fit(Model.SIMILARITY, trial.here, trial.there, even), trial)
        if isinstance(outcome, Alignment):
            true = _rms(outcome.matrix, trial)
            similarity = _similarity(trial) if tilted else np.nan
            found.append(Aligned(trial.name, true, outcome.residual, similarity, best))
        else:
            found.append(Aligned(trial.name, np.inf, np.inf, np.inf, best))
    return found


def _similarity(trial: Trial) -> float:
    simple = register(trial.newer, trial.prior, models=[Model.SIMILARITY])
    assert isinstance(simple, Alignment)
    return _rms(simple.matrix, trial)


def ways(pairs: int, *, reflected: bool) -> list[Way]:
    """Check true pairs, or pairs of which the prior was flipped."""
    found = []
    for trial in trials(pairs, tilted=False):
        prior = _flipped(trial.prior) if reflected else trial.prior
        found.append(check(trial.newer, prior).way)
    return found


def _flipped(one: Prepared) -> Prepared:
    """The picture flipped before anything is known of it: its features are found anew."""
    return Prepared(
        *(np.ascontiguousarray(a[:, ::-1]) for a in (one.detail, one.tooth, one.usable)),
        one.factor,
    )


def unrelated(pairs: int) -> list[bool]:
    """Whether pairs of another tooth or another patient are refused; half of them reflected."""
    ready = list(trials(pairs, tilted=False))
    sights = len(_sights(pairs))
    found = []
    for n, trial in enumerate(ready):
        other = ready[(n + 1 + (n // sights) % max(1, sights - 1)) % len(ready)]
        prior = _flipped(other.prior) if n % 2 else other.prior
        checked = check(trial.newer, prior)
        found.append(not isinstance(checked.outcome, Alignment) and checked.way is Way.UNDECIDED)
    return found


def _tell_untilted() -> None:
    straight = aligned(PAIRS, tilted=False)
    true = np.array([one.true for one in straight])
    print(f"untilted: RMS of truth points at most 1.5 pixels in {np.mean(true <= 1.5):.1%}")
    print(f"  median {np.median(true):.2f} pixels, refused {np.mean(np.isinf(true)):.1%}")
    for one in straight:
        if one.true > 1.5:
            print(f"  {one.name}: {one.true:.2f}, told as {one.reported:.2f}")


def _tell_tilted() -> None:
    tilted = aligned(PAIRS, tilted=True)
    kept = [one for one in tilted if np.isfinite(one.true)]
    true, reported, similarity, unseen = np.array(
        [(one.true, one.reported, one.similarity, one.unseen) for one in kept]
    ).T
    honest = np.mean((reported < 1.5 * true) & (reported > true / 1.5))
    print(f"tilted: refused {1 - len(kept) / len(tilted):.1%}; median RMS of truth points")
    print(f"  {np.median(true):.2f} pixels, of the pictures' best similarity", end=" ")
    print(f"{np.median(similarity):.2f}, of the truth's {np.median(unseen):.2f}")
    print(f"  reported residual within a factor 1.5 in {honest:.1%}")
    for whose, best in (("pictures'", similarity), ("truth's", unseen)):
        shares = ", ".join(f"{np.mean(true <= best + slack):.1%} (+{slack})" for slack in _SLACKS)
        print(f"  no worse than the {whose} best similarity + so many pixels: {shares}")
        worst = kept[int(np.argmax(true - best))]
        print(f"    worst: {worst.name}: {worst.true:.2f}, {np.max(true - best):.2f} more")


def _tell_reflected() -> None:
    right = ways(PAIRS, reflected=False)
    wrong = ways(PAIRS, reflected=True)
    print(
        f"true pairs: called reversed {np.mean([w is Way.REVERSED for w in right]):.1%}, "
        f"undecided {np.mean([w is Way.UNDECIDED for w in right]):.1%}"
    )
    print(f"reflected pairs: recognised {np.mean([w is Way.REVERSED for w in wrong]):.1%}")


def _tell_unrelated() -> None:
    print(f"unrelated pairs: refused {np.mean(unrelated(PAIRS)):.1%}")


_KINDS = {
    "untilted": _tell_untilted,
    "tilted": _tell_tilted,
    "reflected": _tell_reflected,
    "unrelated": _tell_unrelated,
}


def main() -> None:
    """Run the kinds that are named, or all, and print the figures."""
    patients = sorted({patient for patient, _, _ in _sights(PAIRS)})
    print(f"{PAIRS} pairs each, patients {', '.join(map(str, patients))}", flush=True)
    for kind in sys.argv[1:] or _KINDS:
        _KINDS[kind]()
        sys.stdout.flush()


if __name__ == "__main__":
    main()

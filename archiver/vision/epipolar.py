"""Which followed places can be true of one rigid tooth, whatever its relief.

Two pictures of a rigid body from afar obey one linear relation between the four coordinates of
each matched place, x, y in one and x', y' in the other: a x + b y + a' x' + b' y' = c (affine
epipolar geometry). The body's shape moves places only along one direction, the same for all; in
the other direction all that is left is error of the match. So gloss, shadows and wrong matches
are told from relief without a model of the tooth, and may be left out without flattering a
residual. On rendered teeth the relation holds to a tenth of a pixel at working size.
"""

from __future__ import annotations

import numpy as np

from archiver.vision.transforms import Array

_ROUNDS = 8
#: Median absolute deviations of a normal distribution to one deviation; Tukey's constant.
_DEVIATION = 1.4826
_TUKEY = 4.685
#: Working pixels: the relation itself does not hold better.
_LEAST = 0.1


def agreement(source: Array, target: Array) -> Array:
    """Return from 0 to 1 how well each match agrees with the relation that most obey.

    Of a nearly plane tooth, whose relief moves places less than matches err, nothing can be told
    this way: all then agree.

    Parameters
    ----------
    source, target
        Matched places, shape (n, 2) each; n of at least 5.
    """
    both = np.column_stack([source, target])
    share = np.ones(len(both))
    for _ in range(_ROUNDS):
        off = _across(both, share)
        deviation = max(_DEVIATION * float(np.median(np.abs(off))), _LEAST)
        share = np.clip(1 - (off / (_TUKEY * deviation)) ** 2, 0, None) ** 2
    return share


def _across(both: Array, weights: Array) -> Array:
    """Distance in the target of each match from the relation that fits best."""
    away = both - np.average(both, axis=0, weights=weights)
    # The direction in which the weighted places are spread least is normal to the relation.
    _, turned = np.linalg.eigh((away * weights[:, None]).T @ away)
    normal = turned[:, 0]
    return np.asarray(away @ normal / max(float(np.linalg.norm(normal[2:])), 1e-9))

"""Telling a prior that is the wrong way round: its reflection fits and it does not.

Metadata cannot show that a mirror picture was turned back, but an earlier picture of the same
tooth can: fissures, cusps and fillings have a handedness. Which of the two pictures is the wrong
one no pair can say.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from archiver.vision.feature_matching import feature_matches
from archiver.vision.prepared import Prepared
from archiver.vision.registration import (
    FEWEST_FEATURES,
    Alignment,
    Refusal,
    Subject,
    first_similarity,
    register,
)
from archiver.wording import Text

#: The better way must have this many times the agreeing features of the other. Front teeth are
#: nearly symmetric, so that a reflection has some share in any case.
CLEARLY = 1.8


class Way(str, Enum):
    """What the check came to."""

    SAME = "same way round"
    REVERSED = "mirror-reversed"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Checked:
    """A pair after both ways were tried.

    Parameters
    ----------
    way
        The verdict.
    features, features_reflected
        Features that agree with one similarity, as the prior is and reflected.
    outcome
        The alignment of the prior as it is, or why there is none; a reversed one has none.
    """

    way: Way
    features: int
    features_reflected: int
    outcome: Alignment | Refusal


def check(newer: Prepared, prior: Prepared, subject: Subject | None = None) -> Checked:
    """Register a prior and its reflection.

    Parameters
    ----------
    newer, prior
        Both in display orientation, as their metadata have it.
    subject
        See `archiver.vision.registration.register`.
    """
    outcome = register(newer, prior, subject)
    reflected = prior.reflected()
    across = agreeing(newer, reflected)
    if across >= FEWEST_FEATURES and across > CLEARLY * outcome.features:
        turned = register(newer, reflected, subject)
        if isinstance(turned, Alignment):
            refusal = Refusal(Text("vision.refusal.reversed"), outcome.features)
            return Checked(Way.REVERSED, outcome.features, across, refusal)
    sure = isinstance(outcome, Alignment) and outcome.features > CLEARLY * across
    return Checked(Way.SAME if sure else Way.UNDECIDED, outcome.features, across, outcome)


def agreeing(newer: Prepared, prior: Prepared) -> int:
    """Return how many features agree with the similarity that most agree with."""
    try:
        return int(first_similarity(feature_matches(newer, prior))[1].sum())
    except np.linalg.LinAlgError:
        return 0

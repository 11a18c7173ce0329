"""How far two who judged the same agree beyond chance: Cohen's kappa."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt


@dataclass(frozen=True)
class JudgedAgreement:
    """JudgedAgreement of two judgements.

    Parameters
    ----------
    judged
        How many things both have judged.
    observed
        Share of those on which they agree.
    expected
        Share on which they would agree by chance, from how often each uses each category.
    """

    judged: int
    observed: float
    expected: float

    @property
    def kappa(self) -> float | None:
        """J. Cohen, Educational and Psychological Measurement 20 (1960) 37, equation 1.

        None where both use one category alone: chance explains everything then.
        """
        if self.expected >= 1:
            return None
        return (self.observed - self.expected) / (1 - self.expected)

    @property
    def standard_error(self) -> float | None:
        """Of kappa, by equation 7 there."""
        if self.expected >= 1:
            return None
        spread = self.observed * (1 - self.observed)
        return sqrt(spread / (self.judged * (1 - self.expected) ** 2))


def agreement_of(pairs: Sequence[tuple[str, str]]) -> JudgedAgreement | None:
    """Return the agreement of pairs of judgements; None where there is none."""
    if not pairs:
        return None
    first, second = Counter(one for one, _ in pairs), Counter(other for _, other in pairs)
    same = sum(one == other for one, other in pairs)
    chance = sum(count * second[category] for category, count in first.items())
    return JudgedAgreement(len(pairs), same / len(pairs), chance / len(pairs) ** 2)

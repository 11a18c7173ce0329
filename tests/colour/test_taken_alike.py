"""Whether colours of two pictures may be compared: every condition by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from archiver.colour.taken_alike import (
    ColourBasis,
    difference_words,
    uncertainty,
    why_not_compared,
)
from archiver.objects import CARD, CHART
from archiver.wording import Text

NAMES = "profile light polariser white_balance camera lens mirror settings"
ALIKE = dict.fromkeys(NAMES.split(), "one")
GOOD = ColourBasis(True, "ring flash", "1", "", ALIKE)


def why(one: ColourBasis, other: ColourBasis, *, neutral: bool = False) -> list[str]:
    named = [(Text("priors.comparison.newest"), one), (Text("priors.comparison.prior"), other)]
    return [text.code for text in why_not_compared(*named, neutral=neutral)]


def test_pictures_taken_alike_may_be_compared() -> None:
    assert why(GOOD, GOOD) == []


@pytest.mark.parametrize("name", ALIKE)
def test_what_differs_is_told_unless_a_card_in_both_takes_it_out(name: str) -> None:
    other = replace(GOOD, alike={**ALIKE, name: "two"})
    assert why(GOOD, other) == [f"colour.alike.differs.{name}"]
    by_card = [replace(one, by=CARD) for one in (GOOD, other)]
    stays = name in ("light", "polariser", "mirror")
    assert bool(why(*by_card)) is bool(why(GOOD, other, neutral=True)) is stays
    assert why(GOOD, by_card[1]) == why(GOOD, other)  # one card is none


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"characterised": False}, "bare"),
        ({"light": ""}, "no_light"),
        ({"white_balance": "0"}, "automatic"),
        ({"white_balance": ""}, "no_balance"),
    ],
)
def test_what_one_of_them_lacks_is_told(change: dict[str, object], code: str) -> None:
    other = replace(GOOD, **change)  # type: ignore[arg-type]
    assert why(GOOD, other) == [f"colour.alike.{code}"]
    carded = bool(why(replace(GOOD, by=CHART), replace(other, by=CARD)))
    assert carded is (code in ("bare", "no_light"))


def test_nothing_known_is_nothing_compared() -> None:
    assert len(why(ColourBasis(), ColourBasis())) == 6


def test_a_difference_is_told_with_its_uncertainty_and_the_thresholds() -> None:
    assert uncertainty(GOOD, GOOD) == uncertainty(replace(GOOD, by=CHART), GOOD) == 1.1
    by_chart = replace(GOOD, by=CHART)
    assert uncertainty(by_chart, by_chart) == 0.6
    # (70, 2, 20) and (72, 2, 20): 1.529 by Sharma's formulas.
    told = str(difference_words(np.array([70.0, 2, 20]), np.array([72.0, 2, 20]), 0.6))
    assert "CIEDE2000 1.5 ± 0.6" in told and "0.8 perceptible, 1.8 acceptable" in told
    assert "Paravina 2015" in told

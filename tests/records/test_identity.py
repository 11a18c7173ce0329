"""Names under one identifier: one person's spellings, or two people of a family."""

from __future__ import annotations

from dataclasses import replace

import pytest
from made_up_pictures import PERSON, instance

from archiver.records.checks.identity_checks import check_identity


def told_of(one: str, other: str) -> list[str]:
    """The kinds of what is told of two photographs under one identifier."""
    names = (replace(PERSON, name=one), replace(PERSON, name=other))
    return [c.kind for c in check_identity([instance(n, person=p) for n, p in enumerate(names)])]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Haugen^Liv", "Haugen^Mia"),  # sisters
        ("Haugen^Liv^Anne", "Haugen^Mia^Berit"),
        ("Okoro-Blythe^Ada", "Marchbanks^Otto"),
        ("Haugen^Liv", "Vale^Iris"),
    ],
)
def test_two_of_a_family_are_two_people(one: str, other: str) -> None:
    assert told_of(one, other) == ["patient-name-differs"]
    assert told_of(other, one) == ["patient-name-differs"]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Haugen^Liv", "Haugen^L"),
        ("Haugen^Liv", "Haugen^Liv^Anne"),
        ("Haugen^Liv", "Haugen"),
        ("Haugen^Liv", "Haugen-Ek^Liv"),
        ("Haugen^Liv", "Vale^Liv"),  # married
        ("Haugen^Katrine", "Haugen^Kathrine"),
        ("Haugen^Liv", "Liv^Haugen"),
        ("Håugen^Liv", "Haugen^Liv"),
    ],
)
def test_what_may_be_one_person_written_otherwise_is_asked(one: str, other: str) -> None:
    assert told_of(one, other) == ["patient-name-spelling"]
    assert told_of(other, one) == ["patient-name-spelling"]


@pytest.mark.parametrize("other", ["HAUGEN^LIV", "Haugen^Liv^", ""])
def test_what_is_the_same_name_is_no_doubt(other: str) -> None:
    assert told_of("Haugen^Liv", other) == []

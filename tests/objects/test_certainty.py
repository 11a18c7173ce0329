"""How a side is confirmed: by how many people, and whether what they saw is known."""

from __future__ import annotations

from datetime import datetime, timezone

import pytest

from archiver.objects.confirmation import BOUND, COUNTERSIGNED, SAID, Confirmation, certainty_of

WHEN = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)


def bound(name: str) -> Confirmation:
    return Confirmation(name, WHEN, "0" * 64)


@pytest.mark.parametrize(
    ("found", "certainty"),
    [
        ([], ""),
        ([Confirmation("Haugen^Liv")], SAID),
        ([bound("Haugen^Liv")], BOUND),
        ([bound("Haugen^Liv"), bound("HAUGEN^LIV")], BOUND),
        ([bound("Haugen^Liv"), Confirmation("Moen^Ida")], BOUND),
        ([bound("Haugen^Liv"), bound("Moen^Ida")], COUNTERSIGNED),
        ([bound("Haugen^Liv"), bound("Moen^Ida"), bound("Berg^Per")], COUNTERSIGNED),
    ],
)
def test_a_second_person_who_saw_it_countersigns(found: list[Confirmation], certainty: str) -> None:
    assert certainty_of(found) == certainty

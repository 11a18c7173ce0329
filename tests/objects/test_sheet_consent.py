"""Consent and colour frames in the session sheet: read strictly."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from sheet_samples import GOOD, only, read

from archiver.objects.purposes import Purpose
from archiver.objects.session import ConsentSaid

CONSENT = '[consent]\npurposes = ["referral", "laboratory"]\nnoted_by = "Haugen^Liv"\n'


def with_consent(text: str) -> str:
    """Put a table before the first photo."""
    return GOOD.replace("[[photo]]", text + "[[photo]]", 1)


def test_a_consent_is_read_with_purposes_in_their_order(tmp_path: Path) -> None:
    session = read(tmp_path, with_consent(CONSENT + "until = 2027-03-04\n"))
    assert session.consent == ConsentSaid(
        (Purpose.LABORATORY, Purpose.REFERRAL), "Haugen^Liv", date(2027, 3, 4)
    )
    assert read(tmp_path, GOOD).consent is None


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('["referral", "laboratory"]', '["labratory"]', "one or more of laboratory, referral"),
        ('["referral", "laboratory"]', "[]", "one or more of laboratory, referral"),
        ('["referral", "laboratory"]', '"laboratory"', "one or more of laboratory, referral"),
        ('noted_by = "Haugen^Liv"\n', "", '"noted_by" is missing from [consent]'),
        ('"Haugen^Liv"', '""', "noted_by is empty"),
        ('"Haugen^Liv"', '"Haugen^Liv"\nuntil = "2027-03-04"', "a date without quotes"),
        ('"Haugen^Liv"', '"Haugen^Liv"\ngiven = 2026-03-04', 'unknown key "given"'),
    ],
)
def test_what_does_not_fit_is_told(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert told in str(only(tmp_path, with_consent(CONSENT.replace(old, new))))


def test_a_colour_frame_is_one_of_three(tmp_path: Path) -> None:
    session = read(tmp_path, GOOD + 'colour_frame = "shade tab"\n')
    assert session.photographs[0].circumstances.colour_frame == "shade tab"
    told = str(only(tmp_path, GOOD + 'colour_frame = "A2"\n'))
    assert '"neutral reference" or "shade tab" or "cross-polarised"' in told

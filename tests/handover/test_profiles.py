"""Profiles of purposes: read strictly, and what ours let out."""

from __future__ import annotations

from importlib.resources import files

import pytest

from archiver.errors import InputError
from archiver.handover.confidentiality import ConfidentialityOption
from archiver.handover.profiles import profile_of, read_profile
from archiver.objects import concepts
from archiver.objects.purposes import Purpose

GOOD = files("archiver.handover").joinpath("purposes/laboratory.toml").read_text("utf-8")


def problems(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_profile(text, "p.toml")
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize("purpose", Purpose)
def test_every_purpose_has_a_profile_with_a_title_that_notes_can_bear(purpose: Purpose) -> None:
    profile = profile_of(purpose)
    assert profile.purpose is purpose
    assert profile.selection in concepts.SELECTIONS
    assert ConfidentialityOption.UIDS not in profile.options
    assert ConfidentialityOption.DEVICE_IDENTITY not in profile.options
    assert ConfidentialityOption.INSTITUTION_IDENTITY not in profile.options


def test_faces_leave_for_teaching_and_publication_only_masked() -> None:
    masked = {p for p in Purpose if profile_of(p).faces == "masked"}
    assert masked == {Purpose.TEACHING, Purpose.PUBLICATION}


def test_full_dates_are_for_the_patient_alone() -> None:
    assert {p for p in Purpose if ConfidentialityOption.FULL_DATES in profile_of(p).options} == {
        Purpose.PATIENT_COPY
    }


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"laboratory"', '"labratory"', "purpose = 'labratory'; expected one of laboratory"),
        ("device = true", "device = 1", "device = 1; expected true or false"),
        ('faces = "say-so"', 'faces = "yes"', "expected one of never, say-so, masked"),
        ('"modified-dates"', '"modify-dates"', "without repeats"),
        ('"modified-dates"', '"clean-descriptors"', "without repeats"),
        ('"modified-dates"', '"modified-dates", "full-dates"', "exclude each other"),
        ('"modified-dates"', '"uids"', "keeps the clinic's own UIDs"),
        ('"113006"', '"For Therapy"', "a code of PS3.16 CID 7010"),
        ('title = "For the laboratory"', 'title = ""', "text in quotes"),
        ("colour = true", "", '"colour" is missing'),
        ("colour = true", "colour = true\nshade = true", 'unknown key "shade"'),
        ("colour = true", "colour = ", "this is not TOML"),
        ('["pictures", "sheet", "objects"]', '["films"]', "a list of pictures, sheet, objects"),
    ],
)
def test_what_does_not_fit_is_told_in_one_line(old: str, new: str, told: str) -> None:
    assert old in GOOD
    (line,) = problems(GOOD.replace(old, new, 1))
    assert line.startswith("p.toml") and told in line


def test_everything_that_is_wrong_is_told_at_once() -> None:
    assert len(problems(GOOD.replace("true", '"x"').replace("faces", "face"))) == 4

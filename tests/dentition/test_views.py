"""Views in the words of the trade, and what each of them looks at."""

from __future__ import annotations

import pytest

from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Direction
from archiver.dentition.sights import DISPLAY, Sight, covered_teeth, sight
from archiver.dentition.teeth import ALL_TEETH, Arch, Tooth
from archiver.dentition.views import ALIASES, Surface, View, may_identify, view_of
from archiver.errors import MeaningError


def see(view: str, teeth: str = "") -> Sight:
    return sight(view_of(view), parse_teeth(teeth) if teeth else ())


def refusal(view: str, teeth: str = "") -> str:
    with pytest.raises(MeaningError) as caught:
        see(view, teeth)
    message = str(caught.value)
    assert "\n" not in message and "expected" in message
    return message


@pytest.mark.parametrize("view", View, ids=lambda v: v.value)
def test_a_view_is_read_by_its_word_however_it_is_spaced_or_cased(view: View) -> None:
    assert view_of(view.value.upper()) is view
    assert view_of("  " + view.value.replace(" ", "_ ")) is view


def test_other_words_of_the_trade_are_known_and_none_hides_a_view() -> None:
    assert view_of("facial") is View.LABIAL
    assert view_of("Right buccal in occlusion") is View.RIGHT_BUCCAL
    assert view_of("maxillary occlusal") is View.UPPER_OCCLUSAL_ARCH
    assert not set(ALIASES) & {v.value for v in View}


def test_an_unknown_view_is_refused_with_the_nearest_word() -> None:
    with pytest.raises(MeaningError, match="did you mean lingual") as caught:
        view_of("linqual")
    assert "upper occlusal arch" in str(caught.value)
    with pytest.raises(MeaningError) as caught:
        view_of("upper oclusal arch")
    assert caught.value.problems[0].values["near"] == ("upper occlusal arch", "upper occlusal")


@pytest.mark.parametrize(
    ("view", "teeth", "looking", "display", "laterality", "arch", "surface"),
    [
        # Displayed orientation: frontal, buccal and lower arch after the face-to-face convention
        # and ABO photograph requirements, the rest common practice.
        ("frontal", "", "P", "L\\F", "B", None, None),
        ("right buccal", "", "L", "A\\F", "R", None, None),
        ("left buccal", "", "R", "P\\F", "L", None, None),
        ("upper occlusal arch", "", "H", "L\\P", "B", Arch.UPPER, None),
        ("lower occlusal arch", "", "F", "L\\A", "B", Arch.LOWER, None),
        ("lingual", "iso:46", "R", "P\\F", "R", Arch.LOWER, Surface.LINGUAL),
        ("lingual", "iso:36", "L", "A\\F", "L", Arch.LOWER, Surface.LINGUAL),
        ("palatal", "iso:16", "R", "P\\F", "R", Arch.UPPER, Surface.LINGUAL),
        ("palatal", "iso:26", "L", "A\\F", "L", Arch.UPPER, Surface.LINGUAL),
        ("lingual", "iso:43-33", "A", "R\\F", "B", Arch.LOWER, Surface.LINGUAL),
        ("palatal", "iso:11", "A", "R\\F", "R", Arch.UPPER, Surface.LINGUAL),
        ("buccal", "iso:14-17", "L", "A\\F", "R", Arch.UPPER, Surface.VESTIBULAR),
        ("buccal", "iso:75", "R", "P\\F", "L", Arch.LOWER, Surface.VESTIBULAR),
        ("labial", "iso:11", "P", "L\\F", "R", Arch.UPPER, Surface.VESTIBULAR),
        ("labial", "iso:13-23,43-33", "P", "L\\F", "B", None, Surface.VESTIBULAR),
        ("labial", "iso:15-25", "P", "L\\F", "B", Arch.UPPER, Surface.VESTIBULAR),
        ("occlusal", "iso:25", "H", "L\\P", "L", Arch.UPPER, Surface.OCCLUSAL),
        ("occlusal", "iso:85", "F", "L\\A", "R", Arch.LOWER, Surface.OCCLUSAL),
        ("incisal", "iso:31", "F", "L\\A", "L", Arch.LOWER, None),
        ("close-up", "iso:21", "P", "L\\F", "L", Arch.UPPER, Surface.VESTIBULAR),
        ("close-up", "", "P", "L\\F", "B", None, None),
        ("face", "", "P", "L\\F", "B", None, None),
        ("smile", "iso:11,21", "P", "L\\F", "B", None, None),
        ("right profile", "", "L", "A\\F", "R", None, None),
        ("left profile", "", "R", "P\\F", "L", None, None),
    ],
)
def test_view_and_teeth_settle_where_the_picture_looks(
    view: str,
    teeth: str,
    looking: str,
    display: str,
    laterality: str,
    arch: Arch | None,
    surface: Surface | None,
) -> None:
    seen = see(view, teeth)
    assert (seen.looking.value, str(seen.display)) == (looking, display)
    assert (seen.laterality, seen.arch, seen.surface) == (laterality, arch, surface)


def test_every_displayed_orientation_looks_where_its_view_looks() -> None:
    assert set(DISPLAY) == set(Direction)
    for looking, display in DISPLAY.items():
        assert display.normal is looking


def test_the_patients_right_is_on_the_viewers_left_unless_seen_from_behind() -> None:
    for looking, display in DISPLAY.items():
        if looking not in (Direction.LEFT, Direction.RIGHT):
            expected = Direction.LEFT if looking is Direction.ANTERIOR else Direction.RIGHT
            assert display.edges["left"] is expected


@pytest.mark.parametrize(
    ("view", "teeth", "settled", "says"),
    [
        ("lingual", "iso:16", View.PALATAL, "called palatal"),
        ("occlusal", "iso:11", View.INCISAL, "called incisal"),
        ("incisal", "iso:11", View.INCISAL, ""),
        ("occlusal", "iso:16", View.OCCLUSAL, ""),
        ("palatal", "iso:16", View.PALATAL, ""),
        ("incisal", "iso:13-14", View.OCCLUSAL, "called occlusal"),
        ("labial", "iso:36", View.BUCCAL, "called buccal"),
        ("buccal", "iso:11", View.LABIAL, "called labial"),
        ("facial", "iso:11", View.LABIAL, ""),
        ("buccal", "iso:36", View.BUCCAL, ""),
    ],
)
def test_synonyms_are_settled_by_the_teeth_and_the_change_is_told(
    view: str, teeth: str, settled: View, says: str
) -> None:
    seen = see(view, teeth)
    assert seen.view is settled
    assert (says in " ".join(map(str, seen.notes))) if says else seen.notes == ()


@pytest.mark.parametrize(
    ("view", "teeth", "says"),
    [
        ("palatal", "iso:46", "46 is a lower tooth and has no palatal surface"),
        ("palatal", "iso:31", "no palatal surface"),
        ("incisal", "iso:36", "36, a molar, has no incisal edge"),
        ("incisal", "iso:54", "54, a molar, has no incisal edge"),
        ("incisal", "iso:14", "a premolar, has no incisal edge"),
        ("lingual", "lower arch", "cannot show the back teeth of both sides"),
        ("palatal", "upper arch", "cannot show the back teeth of both sides"),
        ("buccal", "iso:16,26", "cannot show the back teeth of both sides"),
        ("occlusal", "iso:16,46", "cannot show upper and lower teeth at once"),
        ("incisal", "iso:11,41", "cannot show upper and lower teeth at once"),
        ("lingual", "iso:36,26", "cannot show upper and lower teeth at once"),
        ("lingual", "", "a lingual view needs its teeth"),
        ("occlusal", "", "an occlusal view needs its teeth"),
        ("upper occlusal arch", "iso:36", "does not show 36 (lower left first molar)"),
        ("lower occlusal arch", "iso:55", "does not show 55"),
        ("right buccal", "iso:16,26", "does not show 26 (upper left first molar)"),
        ("left buccal", "iso:84", "does not show 84"),
        ("face", "iso:11", "does not show 11"),
        ("right profile", "iso:16", "does not show 16"),
    ],
)
def test_view_and_teeth_that_contradict_each_other_are_refused_in_one_clear_line(
    view: str, teeth: str, says: str
) -> None:
    assert says in refusal(view, teeth)


def test_a_side_view_may_name_the_front_teeth_across_the_midline() -> None:
    assert see("right buccal", "iso:16,21").laterality == "R"


def test_an_arch_view_covers_its_arch_and_a_side_view_its_side_in_both_dentitions() -> None:
    upper = {t for t in ALL_TEETH if t.arch is Arch.UPPER}
    assert set(covered_teeth(View.UPPER_OCCLUSAL_ARCH)) == upper
    assert set(covered_teeth(View.LOWER_OCCLUSAL_ARCH)) == set(ALL_TEETH) - upper
    right, left = covered_teeth(View.RIGHT_BUCCAL), covered_teeth(View.LEFT_BUCCAL)
    assert len(right) == len(set(right)) == 26 and set(right) | set(left) == set(ALL_TEETH)
    assert {t.position for t in covered_teeth(View.FRONTAL)} == {1, 2, 3}
    assert covered_teeth(View.FACE) == covered_teeth(View.OCCLUSAL) == ()


def test_what_a_view_covers_does_not_repeat_what_is_named() -> None:
    seen = see("upper occlusal arch", "iso:16")
    assert len(seen.covered) == 25 and seen.teeth[0] not in seen.covered


def test_teeth_are_front_teeth_only_when_some_are_named_and_all_are() -> None:
    assert see("labial", "iso:13-23").is_anterior
    assert not see("labial", "iso:14-24").is_anterior
    assert not see("frontal").is_anterior


@pytest.mark.parametrize(
    "words", ["close-up smile", "Close Up Smile", "close_up smile", "smile close-up", "smiling"]
)
def test_a_close_up_smile_is_a_smile(words: str) -> None:
    assert view_of(words) is View.SMILE


@pytest.mark.parametrize("view", View)
def test_lips_and_faces_may_identify_and_teeth_do_not(view: View) -> None:
    teeth = (Tooth(1, 1),)
    faces = {View.FACE, View.SMILE, View.RIGHT_PROFILE, View.LEFT_PROFILE}
    assert may_identify(view, teeth) is (view in faces)
    # A close-up of nothing in particular may show the lips.
    assert may_identify(view, ()) is (view in {*faces, View.CLOSE_UP})

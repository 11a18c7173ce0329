"""The session sheet: what a good one means."""

from __future__ import annotations

from datetime import date, time, timedelta
from pathlib import Path

import pytest
from sheet_samples import EXAMPLE, FILES, GOOD, HEAD, PHOTO, problems, read, sheet_in

from archiver.dentition.correction import Operator
from archiver.dentition.orientation import Direction
from archiver.dentition.views import View
from archiver.objects.session import Circumstances, Crop, Patient, Visit


def test_the_example_sheet_means_what_it_says(tmp_path: Path) -> None:
    session = read(tmp_path, EXAMPLE)

    assert session.patient == Patient("P-0417", "Okafor^Nadia", "RIVERBEND", date(1988, 2, 17), "F")
    assert session.visit == Visit(
        date(2026, 3, 4),
        time(14, 20),
        "A-2291",
        "Ceramic onlay, recall",
        -timedelta(minutes=3, seconds=10),
    )
    assert [e.file for e in session.photographs] == [tmp_path / name for name in FILES]
    first, second, third = session.photographs
    assert (first.view, first.mirror, first.confirmed_by) == (View.OCCLUSAL, True, "Haugen^Liv")
    assert [t.iso for t in first.teeth] == ["25"]
    assert first.crop == Crop(640, 320, 3200, 2400)
    assert (second.view, second.mirror, second.top) == (View.BUCCAL, False, Direction.HEAD)
    assert second.comment == "after air drying"
    assert (third.view, third.teeth) == (View.UPPER_OCCLUSAL_ARCH, ())
    assert [e.line for e in session.photographs] == [21, 29, 38]
    for one in session.photographs:
        assert one.operator is Operator.FRONT
        assert one.circumstances == Circumstances(retraction="cheek retractor")


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_a_sheet_of_any_editor_is_read(tmp_path: Path, end: str, mark: bytes) -> None:
    session = read(tmp_path, mark + EXAMPLE.replace("\n", end).encode())

    assert len(session.photographs) == 3
    assert session.photographs[2].line == 38


@pytest.mark.parametrize(
    ("teeth", "iso"),
    [
        ("[14, 15, 16]", ["16", "15", "14"]),
        ('["14-16"]', ["16", "15", "14"]),
        ('"14-16"', ["16", "15", "14"]),
        ("25", ["25"]),
        ('["55"]', ["55"]),
        ('["universal:13"]', ["25"]),
        ('["palmer:UL5"]', ["25"]),
        ('["Upper left quadrant"]', [f"2{p}" for p in range(1, 9)]),
        ('["25s"]', ["25s"]),
        ("[25, 25]", ["25"]),
    ],
)
def test_teeth_are_given_as_numbers_ranges_and_words(
    tmp_path: Path, teeth: str, iso: list[str]
) -> None:
    session = read(tmp_path, GOOD.replace("[25]", teeth))

    assert [t.iso for t in session.photographs[0].teeth] == iso


@pytest.mark.parametrize(
    ("numbering", "teeth"), [("Universal", "[13]"), ("Palmer", '["UL5"]'), ("iso", '["25"]')]
)
def test_the_numbering_that_the_sheet_declares_counts(
    tmp_path: Path, numbering: str, teeth: str
) -> None:
    text = GOOD.replace("ISO 3950", numbering).replace("[25]", teeth)

    assert [t.iso for t in read(tmp_path, text).photographs[0].teeth] == ["25"]


def test_a_sheet_without_bare_numbers_needs_no_numbering(tmp_path: Path) -> None:
    text = GOOD.replace('numbering = "ISO 3950"\n', "").replace("[25]", '["iso:25"]')

    assert [t.iso for t in read(tmp_path, text).photographs[0].teeth] == ["25"]


@pytest.mark.parametrize(
    "name",
    [
        "Grünwald^Jörg^^Dr.",
        "王^小明",
        "الحسيني^ليلى",
        "Пе́трова^Анна",
        "Ñandú^Íñigo",
        "Þórsdóttir^Ása",
        "김^희중",
    ],
)
def test_names_of_every_script_are_kept(tmp_path: Path, name: str) -> None:
    text = GOOD.replace('id = "P-0417"', f'id = "P-0417"\nname = "{name}"')
    text = text.replace("mirror = true", f'mirror = true\nconfirmed_by = "{name}"')

    session = read(tmp_path, text)

    assert session.patient.name == name
    assert session.photographs[0].confirmed_by == name


def test_a_photos_own_key_outranks_the_sheet_which_outranks_the_practice(tmp_path: Path) -> None:
    text = HEAD + '[defaults]\nlight = "ring"\nstage = "recall"\n' + PHOTO + 'stage = "start"\n'
    habits = {"light": "twin", "stage": "end", "polariser": "crossed", "operator": "behind"}

    (entry,) = read(tmp_path, text, habits=habits).photographs

    assert entry.circumstances == Circumstances(light="ring", stage="start", polariser="crossed")
    assert entry.operator is Operator.BEHIND


def test_required_keys_may_come_from_defaults(tmp_path: Path) -> None:
    text = HEAD + '[defaults]\nview = "occlusal"\nmirror = true\nteeth = [25]\n'
    text += '[[photo]]\nfile = "IMG_0101.JPG"\n[[photo]]\nfile = "IMG_0102.JPG"\nteeth = [46]\n'

    session = read(tmp_path, text)

    assert [[t.iso for t in e.teeth] for e in session.photographs] == [["25"], ["46"]]


@pytest.mark.parametrize(
    ("said", "added"),
    [
        ("-00:03:10", -timedelta(minutes=3, seconds=10)),
        ("+01:00", timedelta(hours=1)),
        ("+8784:00:00", timedelta(days=366)),
        ("-00:00:00", timedelta(0)),
    ],
)
def test_a_clock_offset_is_a_signed_time(tmp_path: Path, said: str, added: timedelta) -> None:
    text = GOOD.replace("date = 2026-03-04", f'date = 2026-03-04\nclock_offset = "{said}"')

    assert read(tmp_path, text).visit.clock_offset == added


def test_patient_and_visit_of_an_existing_object_take_the_place_of_the_sheets(
    tmp_path: Path,
) -> None:
    like = Patient("P-9", "Lindqvist^Per"), Visit(date(2026, 3, 4), study_uid="2.25.7")

    session = read(tmp_path, PHOTO.replace("[25]", '["iso:25"]'), like=like)

    assert (session.patient, session.visit) == like


def test_the_clock_offset_of_the_sheet_holds_beside_an_existing_object(tmp_path: Path) -> None:
    like = Patient("P-0417"), Visit(date(2026, 3, 4), study_uid="2.25.7")
    text = '[visit]\nclock_offset = "+01:00"\n' + PHOTO.replace("[25]", '["iso:25"]')

    visit = read(tmp_path, text, like=like).visit

    assert (visit.study_uid, visit.clock_offset) == ("2.25.7", timedelta(hours=1))


@pytest.mark.parametrize(
    ("exif", "crop", "fits"),
    [
        # 6000 x 4000 stored. A mirror picture of upper back teeth is flipped top to bottom, so
        # the corrected one lies down too; EXIF 6 stands it up.
        (1, (0, 0, 6000, 4000), True),
        (1, (0, 0, 4000, 6000), False),
        (6, (0, 0, 4000, 6000), True),
        (6, (0, 0, 6000, 4000), False),
        (1, (5999, 3999, 1, 1), True),
        (1, (6000, 0, 1, 1), False),
        (1, (0, 1, 1, 4000), False),
    ],
)
def test_a_crop_is_measured_in_the_corrected_picture(
    tmp_path: Path, exif: int, crop: tuple[int, int, int, int], fits: bool
) -> None:
    left, top, width, height = crop
    text = GOOD + f"crop = {{left = {left}, top = {top}, width = {width}, height = {height}}}\n"

    told = problems(tmp_path, text, lambda _: (6000, 4000, exif))

    assert [p.found for p in told] == (
        [] if fits else [f"the part {width}x{height}+{left}+{top} leaves the corrected picture"]
    )


def test_a_picture_turned_by_a_quarter_changes_the_sides_of_the_crop(tmp_path: Path) -> None:
    # The top of the picture is the patient's left: a quarter turn brings the incisors up.
    text = GOOD.replace("mirror = true", 'mirror = false\ntop = "left"')
    tall = text + "crop = {left = 0, top = 0, width = 4000, height = 6000}\n"
    wide = text + "crop = {left = 0, top = 0, width = 6000, height = 4000}\n"

    assert problems(tmp_path, tall) == []
    assert len(problems(tmp_path, wide)) == 1


def test_one_file_may_be_wrapped_twice_with_different_crops(tmp_path: Path) -> None:
    crop = "crop = {left = %d, top = 0, width = 800, height = 800}\n"

    session = read(tmp_path, HEAD + PHOTO + crop % 0 + PHOTO + crop % 800)

    assert len(session.photographs) == 2


def test_the_sheet_is_not_changed_by_reading(tmp_path: Path) -> None:
    path = sheet_in(tmp_path, EXAMPLE)

    read(tmp_path, EXAMPLE)

    assert path.read_text() == EXAMPLE

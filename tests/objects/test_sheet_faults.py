"""Every kind of bad sheet: each problem in one line with file, line and what would be right."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from sheet_samples import (
    EXAMPLE,
    GOOD,
    HEAD,
    PHOTO,
    line_of,
    only,
    problems,
    read,
    sheet_in,
    unreadable,
)

from archiver.errors import Problem, SheetError
from archiver.objects import sheet_keys
from archiver.objects.session import Patient, Visit
from archiver.objects.sheet import read_sheet


def with_photo(*lines: str) -> str:
    """The good sheet with lines put below its photo, or in place of a line of the same key."""
    kept = GOOD.splitlines()
    for line in lines:
        key = line.partition("=")[0].strip()
        same = [i for i, old in enumerate(kept) if i > 4 and old.startswith(f"{key} =")]
        if same:
            kept[same[0]] = line
        else:
            kept.append(line)
    return "\n".join(kept) + "\n"


def said(problem: Problem) -> tuple[int, str]:
    return line_of(problem), str(problem)


# --- keys ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "key", "suggested"),
    [
        ('numbring = "ISO 3950"\n' + GOOD, 1, "numbring", "did you mean numbering?"),
        (GOOD.replace("id =", 'issuerr = "X"\nid ='), 3, "issuerr", "did you mean issuer?"),
        (GOOD.replace("id =", 'Name = "X"\nid ='), 3, "Name", "did you mean name?"),
        (GOOD.replace("date =", 'acession = "X"\ndate ='), 5, "acession", "accession?"),
        (with_photo('tooth = "25"'), 11, "tooth", "did you mean teeth?"),
        (with_photo('comments = "x"'), 11, "comments", "did you mean comment?"),
        (with_photo('colour = "x"'), 11, "colour", "view, mirror, teeth"),
        (
            GOOD.replace("date =", 'sex = "F"\ndate ='),
            5,
            "sex",
            "sex belongs into [patient]",
        ),
        (
            GOOD.replace("date =", 'numbering = "ISO 3950"\ndate ='),
            5,
            "numbering",
            "above every table",
        ),
        ("[settings]\na = 1\n" + GOOD[22:], 1, "settings", "numbering, patient, visit"),
        (HEAD + '[defaults]\nopertor = "front"\n' + PHOTO, 7, "opertor", "mean operator?"),
        (HEAD + '[defaults]\nfile = "a.jpg"\n' + PHOTO, 7, "file", "belongs into [[photo]]"),
    ],
)
def test_an_unknown_key_is_told_with_its_line_and_the_nearest_known_one(
    tmp_path: Path, text: str, line: int, key: str, suggested: str
) -> None:
    told = problems(tmp_path, text)
    problem = next(p for p in told if f'unknown key "{key}"' in p.found)

    assert line_of(problem) == line
    assert suggested in str(problem)


def test_a_crop_with_a_misspelt_side_is_told(tmp_path: Path) -> None:
    text = with_photo("crop = {left = 0, top = 0, width = 9, heigth = 9}")

    line, words = said(only(tmp_path, text))

    assert line == 11
    assert "without height, with the unknown heigth" in words


@pytest.mark.parametrize(
    ("text", "line", "missing"),
    [
        (GOOD.replace('id = "P-0417"\n', ""), 2, '"id" is missing from [patient]'),
        (GOOD.replace("date = 2026-03-04\n", ""), 4, '"date" is missing from [visit]'),
        (GOOD.replace("[patient]\n", "").replace('id = "P-0417"\n', ""), 1, "[patient] is missing"),
        (GOOD.replace("[visit]\ndate = 2026-03-04\n", ""), 1, "[visit] is missing"),
        (GOOD.replace('view = "occlusal"\n', ""), 6, '"view" is missing from the photo'),
        (GOOD.replace("mirror = true\n", ""), 6, '"mirror" is missing from the photo'),
        (GOOD.replace('file = "IMG_0101.JPG"\n', ""), 6, '"file" is missing from the photo'),
        (HEAD, 1, "the sheet names no photograph"),
        (HEAD + "[photo]\n" + PHOTO[10:], 6, "the sheet names no photograph"),
    ],
)
def test_what_is_missing_is_told_where_it_should_stand(
    tmp_path: Path, text: str, line: int, missing: str
) -> None:
    problem = only(tmp_path, text)

    assert line_of(problem) == line
    assert missing in problem.found


def test_an_empty_sheet_lacks_everything(tmp_path: Path) -> None:
    assert [p.found for p in problems(tmp_path, "")] == [
        "[patient] is missing",
        "[visit] is missing",
        "the sheet names no photograph",
    ]


# --- values -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ('mirror = "yes"', "true or false"),
        ("mirror = 1", "true or false"),
        ("view = 3", "a view in quotes"),
        ('view = "oclusal"', "did you mean occlusal"),
        ('view = "palatl"', "did you mean palatal"),
        ('top = "up"', "head, foot, anterior"),
        ("top = 1", "a direction in quotes"),
        ('operator = "left"', '"front"'),
        ("operator = [1]", '"front"'),
        ("comment = 4", 'write "4"'),
        ("comment = 2026-03-04", 'write "2026-03-04"'),
        ("comment = true", "text in quotes"),
        ("light = []", "text in quotes"),
        ("stage = {a = 1}", "text in quotes"),
        ("file = 7", "the name of a camera file in quotes"),
        ('file = ""', "the name of a camera file in quotes"),
        ("teeth = 2.5", "a list of teeth"),
        ("teeth = [true]", "a list of teeth"),
        ("teeth = [[25]]", "a list of teeth"),
        ("teeth = {a = 25}", "a list of teeth"),
        ("crop = [0, 0, 10, 10]", "{ left = 0"),
        ("crop = {left = 0, top = 0, width = 9}", "without height"),
        ("crop = {left = 0, top = 0, width = 9}", "crop = { left = 0, top = 0, width = 9 }"),
        ('teeth = [true, "a"]', 'teeth = [true, "a"]'),
        ("stage = {}", "stage = {}"),
        ("crop = {left = 0, top = 0, width = 9.5, height = 9}", "whole numbers"),
        ("crop = {left = true, top = 0, width = 9, height = 9}", "whole numbers"),
        ("crop = {left = -1, top = 0, width = 9, height = 9}", "left and top from 0"),
        ("crop = {left = 0, top = -1, width = 9, height = 9}", "left and top from 0"),
        ("crop = {left = 0, top = 0, width = 0, height = 9}", "width and height from 1"),
        ("crop = {left = 0, top = 0, width = 9, height = -9}", "width and height from 1"),
        ('retraction = "' + "x" * 65 + '"', "at most 64 characters, not 65"),
        ('comment = "' + "x" * 2001 + '"', "at most 2000 characters"),
        ('light = "a\\\\b"', "without a backslash"),
        ('light = "a\\nb"', "on one line"),
        ('light = "a\\u0007b"', "without control characters"),
        ('light = "a\\u007fb"', "without control characters"),
        ('light = "a\\u0085b"', "without control characters"),
        ('light = "a\\u2028b"', "without control characters"),
        ('comment = "a\\u001bb"', "without control characters"),
        ('confirmed_by = "a^b^c^d^e^f"', "at most five parts"),
        ('confirmed_by = "Haugen^Liv=x"', "family^given"),
        ('confirmed_by = "<family^given>"', "the gap of the starter sheet"),
        ('comment = "' + "9" * 5000 + '"', "at most 2000 characters"),
    ],
)
def test_a_photos_value_that_does_not_fit_is_told_with_what_would(
    tmp_path: Path, line: str, expected: str
) -> None:
    text = with_photo(line)
    where = text.splitlines().index(line) + 1

    problem = only(tmp_path, text)

    assert line_of(problem) == where
    assert expected in str(problem)


@pytest.mark.parametrize(
    ("old", "new", "line", "expected"),
    [
        ('id = "P-0417"', "id = 417", 3, 'write "417": leading zeros would be lost'),
        ('id = "P-0417"', 'id = ""', 3, "an identifier that is not empty"),
        ('id = "P-0417"', 'id = "  "', 3, "an identifier that is not empty"),
        ('id = "P-0417"', 'id = "<patient identifier>"', 3, "the gap of the starter sheet"),
        ('id = "P-0417"', 'id = "P\\\\0417"', 3, "without a backslash"),
        ('id = "P-0417"', 'id = "' + "1" * 65 + '"', 3, "at most 64 characters"),
        ('id = "P-0417"', 'id = "P-0417"\nsex = "female"', 4, '"M", "F" or "O"'),
        ('id = "P-0417"', 'id = "P-0417"\nsex = 1', 4, '"M", "F" or "O"'),
        ('id = "P-0417"', 'id = "P-0417"\nbirth_date = "1988-02-17"', 4, "without quotes"),
        ('id = "P-0417"', 'id = "P-0417"\nbirth_date = 1988-02-17T10:00:00', 4, "without quotes"),
        ('id = "P-0417"', 'id = "P-0417"\nbirth_date = 0988-02-17', 4, "a date from 1900 on"),
        ('id = "P-0417"', 'id = "P-0417"\nbirth_date = 2026-03-05', 4, "before the visit"),
        ('id = "P-0417"', f'id = "P-0417"\nname = "{"x" * 65}"', 4, "at most 64 characters"),
        ("2026-03-04", '"2026-03-04"', 5, "a date without quotes"),
        ("2026-03-04", '"04.03.2026"', 5, "a date without quotes"),
        ("2026-03-04", "20260304", 5, "a date without quotes"),
        ("2026-03-04", '2026-03-04\ntime = "14:20"', 6, "a time without quotes"),
        ("2026-03-04", '2026-03-04\naccession = "12345678901234567"', 6, "at most 16"),
        ("2026-03-04", "2026-03-04\naccession = 2291", 6, 'write "2291"'),
        ("2026-03-04", '2026-03-04\ndescription = "a\\nb"', 6, "on one line"),
        ("2026-03-04", '2026-03-04\nclock_offset = "00:03:10"', 6, "a signed time"),
        ("2026-03-04", '2026-03-04\nclock_offset = "-00:63:10"', 6, "a signed time"),
        ("2026-03-04", "2026-03-04\nclock_offset = 00:03:10", 6, "a signed time"),
        ('"ISO 3950"', '"FDA"', 1, '"ISO 3950", "Universal" or "Palmer"'),
        ('"ISO 3950"', "3950.0", 1, '"ISO 3950", "Universal" or "Palmer"'),
        ("[patient]\nid", "patient = 5\n[x]\nid", 2, '"patient" is no table'),
    ],
)
def test_a_value_of_patient_and_visit_that_does_not_fit_is_told(
    tmp_path: Path, old: str, new: str, line: int, expected: str
) -> None:
    told = problems(tmp_path, GOOD.replace(old, new))
    found = [said(p) for p in told if expected in str(p)]

    assert [where for where, _ in found] == [line]


def test_a_default_that_does_not_fit_is_told_once_for_all_photos(tmp_path: Path) -> None:
    text = HEAD + '[defaults]\nview = "oclusal"\nmirror = "no"\nteeth = [59]\n'
    text += '[[photo]]\nfile = "IMG_0101.JPG"\n[[photo]]\nfile = "IMG_0102.JPG"\n'

    assert [line_of(p) for p in problems(tmp_path, text)] == [7, 8, 9]


@pytest.mark.parametrize(
    ("habits", "expected"),
    [
        ({"opertor": "front"}, 'unknown key "opertor"'),
        ({"file": "a.jpg"}, 'unknown key "file"'),
        ({"operator": "sideways"}, 'operator = "sideways"'),
        ({"view": "nowhere"}, 'no view is called "nowhere"'),
        ({"mirror": 1}, "mirror = 1"),
        ({"crop": {"left": 1}}, "crop = "),
    ],
)
def test_a_bad_value_in_the_practices_settings_is_a_clear_error(
    tmp_path: Path, habits: dict[str, object], expected: str
) -> None:
    problem = only(tmp_path, GOOD, habits=habits)

    assert problem.where == "the practice's own settings, [defaults]"
    assert expected in problem.found


# --- teeth --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("numbering", "tooth", "expected"),
    [
        ("ISO 3950", "59", "deciduous 51-55"),
        ("ISO 3950", "19", "Universal 19 is the lower left first molar"),
        ("ISO 3950", "86", "81-85"),
        ("ISO 3950", "0", "11-18"),
        ("ISO 3950", "-25", "11-18"),
        ("ISO 3950", '"twenty-five"', "11-18"),
        ("ISO 3950", '""', "11-18"),
        ("ISO 3950", '"14-26-27"', "11-18"),
        ("Universal", "33", "1-32"),
        ("Universal", "48", "ISO 3950 48 is the lower right third molar"),
        ("Universal", '"U"', "A-T"),
        ("Palmer", '"UR9"', "UR, UL, LL or LR and 1-8"),
        ("Palmer", "6", "UR, UL, LL or LR and 1-8"),
    ],
)
def test_a_tooth_that_does_not_exist_is_told_with_those_that_do(
    tmp_path: Path, numbering: str, tooth: str, expected: str
) -> None:
    text = with_photo(f"teeth = [{tooth}]").replace("ISO 3950", numbering)

    line, words = said(only(tmp_path, text))

    assert line == 8
    assert f"in {numbering}" in words
    assert expected in words


def test_each_tooth_of_a_long_list_is_told_on_its_own_line(tmp_path: Path) -> None:
    text = with_photo("teeth = [\n  11,\n  59, # no such tooth\n\n  19,\n]")

    assert [line_of(p) for p in problems(tmp_path, text)] == [10, 12]


def test_a_bare_number_without_a_numbering_is_told_with_both_readings(tmp_path: Path) -> None:
    text = GOOD.replace('numbering = "ISO 3950"\n', "").replace("[25]", "[18]")

    line, words = said(only(tmp_path, text))

    # reference: ISO 3950 18 is the upper right third molar, Universal 18 the lower left
    # second molar (HL7 Dental Data Exchange, crosswalk of all teeth, 2020).
    assert line == 7
    assert "upper right third molar in ISO 3950 (iso:18)" in words
    assert "lower left second molar in Universal (universal:18)" in words
    assert 'set numbering = "ISO 3950" at the top of the sheet' in words


def test_an_unknown_numbering_is_told_once_and_its_teeth_are_not_guessed(tmp_path: Path) -> None:
    text = GOOD.replace("ISO 3950", "Zsigmondy").replace("[25]", '["V"]')

    assert line_of(only(tmp_path, text)) == 1


# --- contradictions -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("teeth = [35]", 'view = "palatal"'), "has no palatal surface"),
        (("teeth = []",), "needs its teeth"),
        (("teeth = [25, 35]",), "cannot show upper and lower teeth at once"),
        (('teeth = ["upper arch"]', 'view = "lingual"'), "back teeth of both sides"),
        (("teeth = [16, 26]", 'view = "buccal"'), "back teeth of both sides"),
        (("teeth = [26]", 'view = "incisal"'), "has no incisal edge"),
        (("teeth = [35]", 'view = "upper occlusal arch"'), "does not show 35"),
        (("teeth = [26]", 'view = "right buccal"'), "does not show 26"),
        (("teeth = [11]", 'view = "face"', "mirror = false"), "does not show 11"),
        (("teeth = []", 'view = "face"'), "not taken in an intraoral mirror"),
        (('top = "head"',), '"head" cannot be at the top'),
        (('top = "foot"',), '"foot" cannot be at the top'),
        (('view = "buccal"', 'top = "right"'), '"right" cannot be at the top'),
    ],
)
def test_a_contradiction_is_told_at_its_photo(
    tmp_path: Path, lines: tuple[str, ...], expected: str
) -> None:
    line, words = said(only(tmp_path, with_photo(*lines)))

    assert line == 6
    assert expected in words


def test_lingual_of_an_arch_is_told(tmp_path: Path) -> None:
    text = with_photo("teeth = []", 'view = "lingual"')

    _, words = said(only(tmp_path, text))

    assert "a lingual view needs its teeth" in words
    assert "upper occlusal arch" in words


def test_the_same_photo_twice_is_told_with_the_line_of_the_first(tmp_path: Path) -> None:
    problem = only(tmp_path, GOOD + PHOTO)

    assert line_of(problem) == 11
    assert problem.hint == "the first is on line 6"


def test_a_file_that_cannot_be_read_is_left_for_its_own_turn(tmp_path: Path) -> None:
    text = with_photo("crop = {left = 0, top = 0, width = 9, height = 9}")

    assert len(read(tmp_path, text, unreadable).photographs) == 1


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ('[patient]\nid = "P-0418"\n', 2),
        ("[patient]\nbirth_date = 1988-02-18\n", 2),
        ('[patient]\nsex = "M"\n', 2),
        ("[visit]\ndate = 2026-03-05\n", 2),
    ],
)
def test_a_sheet_of_another_patient_or_day_than_the_object_is_refused(
    tmp_path: Path, words: str, line: int
) -> None:
    like = (
        Patient("P-0417", birth_date=date(1988, 2, 17), sex="F"),
        Visit(date(2026, 3, 4), study_uid="2.25.7"),
    )

    problem = only(tmp_path, words + PHOTO.replace("[25]", '["iso:25"]'), like=like)

    assert line_of(problem) == line
    assert "than the object given with --like" in problem.found


# --- files --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["IMG_0101.JPEG", "img_0101.jpg", "IMG_01O1.JPG", "IMG0101.JPG"])
def test_a_missing_file_is_told_with_the_nearest_that_is_there(tmp_path: Path, name: str) -> None:
    problem = only(tmp_path, with_photo(f'file = "{name}"'))

    assert line_of(problem) == 7
    assert problem.found == f'there is no file "{name}"'
    assert problem.hint == "did you mean IMG_0101.JPG?"


@pytest.mark.parametrize(
    "name",
    ["holiday.heic", "no/such/folder.jpg", ".", "..", "a\\u0000b", "x" * 5000, "\\u001b[31m"],
)
def test_a_name_that_is_no_file_is_told_in_one_line(tmp_path: Path, name: str) -> None:
    problem = only(tmp_path, with_photo(f'file = "{name}"'))

    assert line_of(problem) == 7
    assert str(problem).isprintable()
    assert len(str(problem)) < 250


# --- the text itself ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "expected"),
    [
        (GOOD.replace('"occlusal"', "occlusal"), 9, "no valid TOML"),
        (GOOD.replace('"occlusal"', '"occlusal'), 9, "no valid TOML"),
        (GOOD.replace("mirror = true", "mirror = yes"), 10, "no valid TOML"),
        (GOOD.replace("[25]", "[25"), 9, "no valid TOML"),
        (GOOD.replace("[visit]", "[visit"), 4, "no valid TOML"),
        (GOOD.replace("[visit]", "[patient]"), 4, "no valid TOML"),
        (GOOD.replace("mirror = true", "view = true"), 10, "no valid TOML"),
        (GOOD.replace("2026-03-04", "2026-02-30"), 5, "no valid TOML"),
        (GOOD.replace("2026-03-04", "2026-3-4"), 5, "no valid TOML"),
        (GOOD.replace("2026-03-04", "04.03.2026"), 5, "no valid TOML"),
        (GOOD + 'comment = """\nnever closed\n', 12, "no valid TOML"),
        (GOOD.replace("mirror = true", "mirror = <true or false>"), 10, "gap of the starter"),
        (GOOD + "x = " + "[" * 100_000, None, "nested too deeply"),
        (GOOD + "x" + ".x" * 900 + " = 1\n", 11, "unknown key"),
        (GOOD + f"comment = {'1' * 5000}\n", None, "no valid TOML"),
        (GOOD + f"comment = 0x{'f' * 5000}\n", 11, "more than 19 digits"),
        (GOOD.replace("[25]", f"[25, 0x{'f' * 5000}]"), 8, "more than 19 digits"),
    ],
)
def test_a_text_that_is_no_toml_is_told_with_its_line(
    tmp_path: Path, text: str, line: int | None, expected: str
) -> None:
    problem = only(tmp_path, text)

    assert expected in problem.found
    assert problem.where == ("sheet.toml" if line is None else f"sheet.toml, line {line}")
    assert len(str(problem)) < 400


def test_a_sheet_in_another_encoding_is_told_with_its_line(tmp_path: Path) -> None:
    text = EXAMPLE.replace("Okafor", "Grünwald")

    problem = only(tmp_path, text.encode("latin-1"))

    assert line_of(problem) == 6
    assert "UTF-8" in problem.found


def test_a_sheet_in_utf_16_is_told(tmp_path: Path) -> None:
    assert "UTF-8" in only(tmp_path, EXAMPLE.encode("utf-16")).found


def test_a_sheet_that_is_not_there_or_is_a_folder_is_told(tmp_path: Path) -> None:
    for path, words in ((tmp_path / "no.toml", "no such sheet"), (tmp_path, "cannot be read")):
        with pytest.raises(SheetError, match=words) as caught:
            read_sheet(path, size_of=unreadable)
        assert str(path) in str(caught.value)


def test_all_problems_are_told_at_once_and_in_the_order_of_their_lines(tmp_path: Path) -> None:
    text = """\
numbering = "FDI world"
colour = 1
[patient]
id = 417
nmae = "x"
[visit]
date = "2026-03-04"
[defaults]
operator = "above"
[[photo]]
file = "IMG_9999.JPG"
view = "oclusal"
mirror = 1
crop = { left = -1, top = 0, width = 1, height = 1 }
[[photo]]
file = "IMG_0101.JPG"
view = "face"
mirror = true
[[photo]]
view = "frontal"
mirror = false
"""
    told = problems(tmp_path, text)

    assert [line_of(p) for p in told] == [1, 2, 4, 5, 7, 9, 11, 12, 13, 14, 15, 19]


def test_nothing_is_written_for_a_bad_sheet(tmp_path: Path) -> None:
    path = sheet_in(tmp_path, GOOD + "colour = 1\n")
    before = sorted(p.name for p in tmp_path.iterdir())

    with pytest.raises(SheetError):
        read_sheet(path, size_of=unreadable)

    assert sorted(p.name for p in tmp_path.iterdir()) == before


@pytest.mark.parametrize(
    ("table", "key", "most"),
    [  # PS3.5 6.2: SH has 16 characters, LO 64; Image Comments (LT) and reasons are bounded by us.
        ("VISIT", "accession", 16),
        ("VISIT", "description", 64),
        ("VISIT", "institution", 64),
        ("PATIENT", "issuer", 64),
        ("PATIENT", "id", 64),
        ("PHOTO", "light", 64),
        ("PHOTO", "polariser", 64),
        ("PHOTO", "stage", 64),
        ("PHOTO", "purpose", 64),
        ("PHOTO", "consent", 64),
        ("PHOTO", "retraction", 64),
        ("PHOTO", "contraster", 64),
        ("PHOTO", "comment", 2000),
        ("SAME_PERSON", "same_person_reason", 400),
    ],
)
def test_a_text_may_be_as_long_as_its_attribute_and_no_longer(
    table: str, key: str, most: int
) -> None:
    convert = getattr(sheet_keys, table)[key].convert
    assert convert("x" * most) == "x" * most
    with pytest.raises(sheet_keys.Unfit) as caught:
        convert("x" * (most + 1))
    assert f"at most {most} characters" in str(caught.value.expected)

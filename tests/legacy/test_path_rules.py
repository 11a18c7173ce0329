"""Rules of paths are pure: a path and rules in, what it says out."""

from __future__ import annotations

from datetime import date
from pathlib import Path, PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.dentition import Turn, View
from archiver.errors import SheetError
from archiver.legacy.day_forms import is_day_form, read_day_in
from archiver.legacy.import_rules import ImportRules
from archiver.legacy.path_reading import PathSaid, read_path
from archiver.legacy.path_templates import PathTemplate, bare_name
from archiver.legacy.rules_reader import read_import_rules
from archiver.legacy.word_tables import look_up, words_in, written_out

TODAY = date(2026, 3, 4)
RULES = """
numbering = "ISO 3950"
dates = ["D.M.YYYY", "YYYY-MM-DD", "DDMMYY"]
copy_marks = ["(#)", "copy", "Kopie"]

[[path]]
is = "{year}/{name} {birth_date}/{visit_date} {state}/{words}"
[[path]]
is = "{year}/{name} {birth_date}/{words}"
[[path]]
is = "scans/**/{patient_id}_{visit_date}_{tooth}_{view}"

[words]
tooth = ["Zahn", "#"]
view."OK okklusal" = "upper occlusal arch"
view."okklusal" = "occlusal"
view."re seitlich" = "right buccal"
state = { "vor" = "before treatment", "nach" = "after treatment" }
mirror = { "Spiegel" = true, "direkt" = false }
flipped = { "gespiegelt" = "left-right" }

[mirror]
through = ["upper occlusal arch"]
"""


@pytest.fixture(scope="module")
def rules(tmp_path_factory: pytest.TempPathFactory) -> ImportRules:
    file = tmp_path_factory.mktemp("rules") / "rules.toml"
    file.write_text(RULES, "utf-8")
    return read_import_rules(file)


def said(path: str, rules: ImportRules) -> PathSaid:
    found = read_path(PurePosixPath(path), rules, TODAY)
    assert found is not None
    return found


def test_a_path_says_who_when_and_what(rules: ImportRules) -> None:
    found = said(
        "2017/Okafor Nadia 12.3.1981/05.04.2017 vor/IMG_0412 OK okklusal Spiegel copy (2).jpg",
        rules,
    )
    assert found == PathSaid(
        name="Okafor Nadia",
        birth=read_day_in("1981-03-12", ("YYYY-MM-DD",), TODAY),
        visit=read_day_in("2017-04-05", ("YYYY-MM-DD",), TODAY),
        views=(View.UPPER_OCCLUSAL_ARCH,),
        states=("before treatment",),
        mirrors=(True,),
        year=2017,
    )


def test_the_first_template_that_fits_counts_and_folders_in_between_are_passed(
    rules: ImportRules,
) -> None:
    assert said("2017/Okafor, Nadia 12.3.1981/re seitlich.jpg", rules).template.endswith("{words}")
    found = said("scans/old/disk 2/P-0417_030419_26_Okklusal.tif", rules)
    assert found.patient_id == "P-0417" and found.views == (View.OCCLUSAL,)
    assert [tooth.iso for tooth in found.teeth] == ["26"]
    assert found.visit is not None and found.visit.day == date(2019, 4, 3)
    assert read_path(PurePosixPath("other/IMG_1.jpg"), rules, TODAY) is None


def test_a_number_in_a_name_is_a_tooth_only_behind_a_word_for_tooth(rules: ImportRules) -> None:
    assert said("2017/Okafor Nadia 12.3.1981/IMG_0025 okklusal.jpg", rules).teeth == ()
    found = said("2017/Okafor Nadia 12.3.1981/Zahn 25-26 okklusal #14.jpg", rules)
    assert [tooth.iso for tooth in found.teeth] == ["14", "25", "26"]
    wrong = said("2017/Okafor Nadia 12.3.1981/Zahn 99 okklusal.jpg", rules)
    assert wrong.teeth == () and len(wrong.problems) == 1


def test_what_contradicts_itself_is_said_as_it_is_and_not_chosen_from(rules: ImportRules) -> None:
    found = said("2017/Okafor Nadia 12.3.1981/vor nach okklusal re seitlich gespiegelt.jpg", rules)
    assert set(found.states) == {"before treatment", "after treatment"}
    assert set(found.views) == {View.OCCLUSAL, View.RIGHT_BUCCAL}
    assert found.flips == (Turn.FLIP_LEFT_RIGHT,)


def test_a_longer_term_hides_the_shorter_one_within_it() -> None:
    table = {"occlusal": 1, "upper occlusal": 2}
    assert look_up("Upper_Occlusal", table) == (2,)
    assert look_up("occlusal upper occlusal", table) == (2, 1)
    assert look_up("nonocclusal", table) == ()


@pytest.mark.parametrize(
    "name, stem",
    [
        ("IMG_0412 copy (2).jpg", "IMG_0412"),
        ("IMG_0412 - Kopie.JPG", "IMG_0412"),
        ("IMG_0412(3).jpg", "IMG_0412"),
        ("copy.jpg", "copy"),
        ("Hardcopy.jpg", "Hardcopy"),
        ("photocopy (1).jpg", "photocopy"),
    ],
)
def test_what_marks_a_copy_is_no_part_of_its_name(name: str, stem: str) -> None:
    assert bare_name(name, ("(#)", "copy", "Kopie")) == stem


def test_days_are_read_by_their_form_and_nothing_is_guessed() -> None:
    forms = ("D.M.YYYY", "DDMMYY", "D MMM YYYY")
    assert read_day_in("3.4.2017", forms, TODAY).day == date(2017, 4, 3)
    assert read_day_in("120381", forms, TODAY).day == date(1981, 3, 12)
    assert read_day_in("12 March 2017", forms, TODAY).day == date(2017, 3, 12)
    assert read_day_in("31.2.2017", forms, TODAY).days == ()
    assert read_day_in("2017-04-03", forms, TODAY).days == ()
    both = read_day_in("3/4/2017", ("D/M/YYYY", "M/D/YYYY"), TODAY)
    assert both.days == (date(2017, 3, 4), date(2017, 4, 3)) and both.day is None
    assert not any(map(is_day_form, ("YYYY-MM", "D.M.Y", "DD.MM.YYYYth", "MM-DD-DD-YYYY")))


@given(st.dates(date(1920, 1, 1), TODAY), st.sampled_from(["D.M.YYYY", "YYYYMMDD", "DD-MM-YYYY"]))
def test_every_day_written_in_a_form_is_read_again(day: date, form: str) -> None:
    text = form.replace("YYYY", f"{day.year}").replace("MM", f"{day.month:02}")
    text = (
        text.replace("DD", f"{day.day:02}").replace("D", str(day.day)).replace("M", f"{day.month}")
    )
    assert read_day_in(text, (form,), TODAY).day == day


@given(st.text(st.characters(exclude_characters="/\x00", exclude_categories=["Cs"]), max_size=60))
def test_no_name_of_a_file_is_too_strange_to_be_read(name: str) -> None:
    template = PathTemplate("{year}/{name} {birth_date}/{words}")
    template.match(PurePosixPath("2017", name or "x", name or "x"), ("D.M.YYYY",))
    bare_name(name, ("(#)", "copy"))
    assert all(words_in(name))


def test_letters_with_marks_are_one_or_two_letters_without() -> None:
    assert written_out("Müller") == "mueller" and words_in("Müller-Lüdenscheid")[0] == "muller"


def test_everything_wrong_with_rules_is_told_at_once(tmp_path: Path) -> None:
    file = tmp_path / "rules.toml"
    file.write_text(
        'dates = ["YYYY"]\nnumbering = "Martian"\n[[path]]\nis = "{nobody}/x"\n[[path]]\n'
        '[mirror]\nthrough = ["frontal"]\ndirect = ["frontal"]\n'
        '[words]\nview = { "!" = "frontal" }\n'
    )
    with pytest.raises(SheetError) as raised:
        read_import_rules(file)
    told = [problem.place.line for problem in raised.value.problems]
    assert told == sorted(told) and len(told) == 7

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from archiver.dentition import Direction, Orientation
from archiver.sheets import contact_sheet as sheet
from archiver.sheets import lettering
from archiver.sheets.contact_sheet import CellPicture, Edges, SheetCell, SheetHead
from archiver.sheets.lettering import Face, fitted, shortened, width, wrapped

HEAD = SheetHead("Okafor, Nadia", "P-0417", "4 March 2026")
GREEN = (0, 200, 0)


def cell(**changes: object) -> SheetCell:
    picture = CellPicture(Image.new("RGB", (300, 200), GREEN), Edges("A", "L", "P", "R"))
    values: dict[str, object] = {
        "view": "occlusal",
        "teeth_iso": "25",
        "teeth_universal": "13",
        "subject": "upper left second premolar",
        "mirror": "Through a mirror; turned back: flipped top to bottom",
        "as_shot": picture,
        "stored": picture,
    }
    return SheetCell(**{**values, **changes})  # type: ignore[arg-type]


def pixels(page: Image.Image) -> np.ndarray:
    return np.asarray(page.convert("RGB"))


def colour(text: str) -> tuple[int, int, int]:
    return (int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16))


def test_the_letters_at_the_edges_are_those_of_the_orientation() -> None:
    # PS3.3 C.7.6.1.1.1: first value the direction of the rows, second of the columns.
    # Upper occlusal arch displayed with incisors up: common practice.
    occlusal = Orientation(Direction.LEFT, Direction.POSTERIOR)
    sides = {"right": "patient's left", "left": "patient's right"}
    assert Edges.around((), occlusal) == Edges("A", "L", "P", "R", sides)
    buccal = Orientation(Direction.ANTERIOR, Direction.FOOT)
    assert Edges.around((), buccal) == Edges(top="H", right="A", bottom="F", left="P")
    assert Edges.around((), None) == Edges("", "", "", "")


def test_both_pictures_are_shown_whole_and_in_their_own_shape() -> None:
    page = sheet.contact_sheet(HEAD, [cell()])[0]
    green = (pixels(page) == GREEN).all(axis=2)
    columns = np.flatnonzero(green.any(axis=0))
    gaps = np.flatnonzero(np.diff(columns) > 1)
    assert len(gaps) == 1
    first = green[:, : columns[gaps[0]] + 1]
    rows = np.flatnonzero(first.any(axis=1))
    width_ = columns[gaps[0]] - columns[0] + 1
    assert width_ / len(rows) == pytest.approx(300 / 200, rel=0.01)
    assert green[rows[0] : rows[-1] + 1, columns[0] : columns[gaps[0]] + 1].all()


def test_the_pictures_keep_their_direction() -> None:
    half = Image.new("RGB", (300, 200), GREEN)
    half.paste((0, 0, 200), (150, 0, 300, 200))
    split = CellPicture(half, Edges("A", "R", "P", "L"))
    page = sheet.contact_sheet(HEAD, [cell(as_shot=split)])[0]
    seen = pixels(page)[:, : sheet.PAGE_WIDTH // 4]
    green = np.flatnonzero((seen == GREEN).all(axis=2).any(axis=0))
    blue = np.flatnonzero((seen == (0, 0, 200)).all(axis=2).any(axis=0))
    assert green.max() < blue.min()


def test_an_unconfirmed_side_is_shown_in_the_colour_of_alarm_and_counted() -> None:
    alarm = colour(sheet.ALARM)
    unconfirmed = pixels(sheet.contact_sheet(HEAD, [cell()])[0])
    confirmed = pixels(sheet.contact_sheet(HEAD, [cell(confirmed_by="Haugen, Liv")])[0])
    assert (unconfirmed == alarm).all(axis=2).sum() > 5000
    assert (confirmed == alarm).all(axis=2).sum() == 0


@settings(max_examples=12, deadline=None)
@given(
    st.text(st.characters(codec="utf-8"), max_size=120),
    st.lists(st.text("abc ؀אあ", min_size=1, max_size=200), max_size=6),
    st.tuples(st.integers(1, 900), st.integers(1, 900)),
)
def test_nothing_runs_out_of_its_card_whatever_the_texts_and_shapes(
    text: str, warnings: list[str], size: tuple[int, int]
) -> None:
    picture = CellPicture(Image.new("RGB", size, GREEN), Edges("A", "L", "P", "R"))
    one = cell(
        view=text,
        teeth_iso=text,
        teeth_universal=text,
        subject=text,
        mirror=text,
        source=text,
        confirmed_by=text,
        warnings=tuple(warnings),
        as_shot=picture,
    )
    head = SheetHead(text, text, text, text, text)
    for page in sheet.contact_sheet(head, [one, one, one]):
        seen = pixels(page)
        paper = colour(sheet._PAPER)
        body = seen[sheet._HEAD : -sheet._FOOT]
        left, right = sheet._MARGIN, sheet.PAGE_WIDTH - sheet._MARGIN
        between = left + sheet._CARD_WIDTH
        assert (body[:, : left - 2] == paper).all()
        assert (body[:, right + 2 :] == paper).all()
        assert (body[:, between + 2 : between + sheet._GUTTER - 2] == paper).all()
        assert (seen[30 : sheet._HEAD, : left - 4] == paper).all()
        assert (seen[30 : sheet._HEAD, right + 4 :] == paper).all()


def test_a_long_session_takes_several_pages_and_each_is_saved(tmp_path: Path) -> None:
    pages = sheet.contact_sheet(HEAD, [cell()] * 9)
    assert len(pages) == 2
    paths = sheet.save_pages(pages, tmp_path / "visit.png")
    assert [p.name for p in paths] == ["visit-1.png", "visit-2.png"]
    assert sheet.save_pages(pages[:1], tmp_path / "one.png") == [tmp_path / "one.png"]
    with Image.open(tmp_path / "one.png") as opened:
        assert (opened.format, opened.width) == ("PNG", sheet.PAGE_WIDTH)


def test_a_session_without_photographs_still_has_a_page() -> None:
    assert len(sheet.contact_sheet(HEAD, [])) == 1


def inked(text: str, face: Face) -> np.ndarray:
    picture = Image.new("L", (1200, 100))
    lettering.write(ImageDraw.Draw(picture), (10, 70), text, face, "white")
    return np.asarray(picture)


@pytest.mark.parametrize(
    "name", ["Ødegård, Åse", "Łukasz Żółć", "Αθηνά", "Жанна", "כהן, מרים", "محمد", "Brânză"]
)
@pytest.mark.parametrize("bold", [False, True])
def test_letters_of_many_scripts_are_written_and_not_as_boxes(name: str, bold: bool) -> None:
    face = Face(40, bold)
    box = inked("\U0010ffff", Face(40))
    for letter in name:
        if letter.isalpha():
            assert any(lettering._has(path, letter) for path in (lettering.REGULAR, lettering.BOLD))
            assert not np.array_equal(inked(letter, face), box)


def test_a_letter_that_no_font_has_is_told_by_its_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lettering, "_system_fonts", lambda: ())
    told = "".join(run.text for run in lettering._runs("山 Li", Face(30)))
    assert told == "[U+5C71] Li"


def test_a_name_from_right_to_left_begins_at_the_right() -> None:
    face = Face(40)
    alone = inked("כ", face)
    whole = inked("כהן, מרים", face)
    columns = np.flatnonzero(alone.any(axis=0))
    first = alone[:, columns[0] : columns[-1] + 1]
    end = np.flatnonzero(whole.any(axis=0))[-1] + 1
    # The drawing may lie a fraction of a pixel apart, so shapes are compared, not bytes.
    best = max(
        np.corrcoef(first.ravel(), whole[:, end - first.shape[1] - d : end - d].ravel())[0, 1]
        for d in range(4)
    )
    assert best > 0.9


@given(st.text(max_size=80), st.integers(60, 600))
def test_a_shortened_line_fits(text: str, room: int) -> None:
    assert width(shortened(text, Face(20), room), Face(20)) <= room


@pytest.mark.parametrize("letter", ["W", "x", "ש"])
def test_the_longest_name_that_the_standard_allows_is_written_whole(letter: str) -> None:
    # PS3.5 6.2: a component group of a person's name has 64 characters at most.
    name = (letter * 9 + " ") * 6 + letter * 4

    written, face = fitted(name, Face(58, bold=True), 1700, 24)

    assert written == name
    assert width(written, face) <= 1700 and face.size < 58


@given(st.text(st.characters(codec="ascii"), max_size=200), st.integers(80, 400))
def test_wrapped_lines_fit_and_keep_the_order_of_words(text: str, room: int) -> None:
    lines = wrapped(text, Face(20), room, 3)
    assert len(lines) <= 3
    assert all(width(line, Face(20)) <= room for line in lines)
    words = " ".join(text.split())
    kept = " ".join(lines)
    if "…" not in kept:
        assert kept == words

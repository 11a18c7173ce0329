"""Tables of treatments as real spreadsheets save them, and what cannot be read of them."""

from __future__ import annotations

import csv
import io
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archiver.dentition.numbering import Numbering
from archiver.errors import InputError
from archiver.objects.spreadsheet import day_order, read_day, read_table
from archiver.records.checks.episode_checks import check_episodes
from archiver.records.episodes import Episodes, read_episodes, unmatched_words
from archiver.records.occasions import Album
from archiver.records.rules import read_rules, shipped
from archiver.records.treatment_codes import read_treatment_codes

TODAY = date(2026, 6, 1)
HEAD = ["Patient", "Issuer", "Tooth", "Numbering", "Treatment", "Start", "Prepared", "Finished"]
ROWS = [
    ["P-0417", "RIVERBEND", "25", "ISO 3950", "Onlay, céramique", "2026-03-04", "", "2026-03-18"],
    ["P-0418", "", "3", "Universal", 'Filling "MOD"', "2026-03-05", "2026-03-05", ""],
]


def read(folder: Path, octets: bytes, **more: object) -> Episodes:
    path = folder / "done.csv"
    path.write_bytes(octets)
    return read_episodes(path, today=TODAY, **more)  # type: ignore[arg-type]


def saved(rows: list[list[str]], separator: str = ";", end: str = "\r\n") -> str:
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=separator, lineterminator=end).writerows(rows)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8"),
        ("utf-16", "UTF-16"),
        ("utf-16-le-mark", "UTF-16"),
        ("utf-16-be-mark", "UTF-16"),
        ("cp1252", "Windows-1252"),
    ],
)
@pytest.mark.parametrize("separator", [";", ",", "\t", "|"])
@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
def test_every_encoding_separator_and_line_end_gives_the_same_rows(
    encoding: str, name: str, separator: str, end: str, tmp_path: Path
) -> None:
    text = saved([HEAD, *ROWS], separator, end)
    if encoding.endswith("-mark"):
        octets = ("\ufeff" + text).encode(encoding.removesuffix("-mark"))
    else:
        octets = text.encode(encoding)
    found = read(tmp_path, octets)
    assert (found.encoding, found.separator, found.problems) == (name, separator, ())
    first, second = found.episodes
    assert (first.patient_id, first.issuer, first.treatment) == (
        "P-0417",
        "RIVERBEND",
        "Onlay, céramique",
    )
    assert [t.iso for t in first.teeth] == ["25"] and [t.iso for t in second.teeth] == ["16"]
    assert (first.start, first.finished) == (date(2026, 3, 4), date(2026, 3, 18))
    assert (second.treatment, second.prepared, second.finished) == (
        'Filling "MOD"',
        date(2026, 3, 5),
        None,
    )


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2026-03-04", date(2026, 3, 4)),
        ("2026/3/4", date(2026, 3, 4)),
        ("20260304", date(2026, 3, 4)),
        ("2026-03-04T09:30:00", date(2026, 3, 4)),
        ("2026-03-04 09:30:00.250+01:00", date(2026, 3, 4)),
        ("04.03.2026", date(2026, 3, 4)),
        ("4. 3. 2026", date(2026, 3, 4)),
        ("4.3.26", date(2026, 3, 4)),
        ("4 March 2026", date(2026, 3, 4)),
        ("4-Mar-2026", date(2026, 3, 4)),
        ("March 4, 2026", date(2026, 3, 4)),
        ("Mar 4th, 2026", date(2026, 3, 4)),
        ("25/12/2025", date(2025, 12, 25)),
        ("12/25/2025", date(2025, 12, 25)),
        ("12/25/2025 3:05 PM", date(2025, 12, 25)),
        ("5/5/2025", date(2025, 5, 5)),
        ("46085", date(2026, 3, 4)),  # serial day, ECMA-376 18.17.4.1: 1 is 1900-01-01
        ("46085.75", date(2026, 3, 4)),
        ("5/5/27", date(1927, 5, 5)),  # no year of two digits lies in the future
    ],
)
def test_a_date_is_read_as_spreadsheets_write_it(cell: str, day: date) -> None:
    assert read_day(cell, None, TODAY.year) == day


@pytest.mark.parametrize(
    "cell",
    [
        "3/4/2026",
        "soon",
        "31.02.2026",
        "2026-13-01",
        "29.02.2025",
        "1 Mai 2026 or so",
        "0",
        "7",
        "4/3",
        "01.01.0001",
        "٤/٣/٢٠٢٦ x",
        "2026-03",
    ],
)
def test_what_is_no_date_or_two_dates_is_refused(cell: str) -> None:
    with pytest.raises(ValueError):
        read_day(cell, None, TODAY.year)


def test_one_date_that_settles_the_order_settles_it_for_the_column(tmp_path: Path) -> None:
    rows = [[*ROWS[0][:5], "3/4/2026", "", ""], [*ROWS[1][:5], "25/3/2026", "", ""]]
    found = read(tmp_path, saved([HEAD, *rows]).encode())
    assert found.order == "day"
    assert [e.start for e in found.episodes] == [date(2026, 4, 3), date(2026, 3, 25)]
    rows[1][5] = "3/25/2026"
    found = read(tmp_path, saved([HEAD, *rows]).encode())
    assert [e.start for e in found.episodes] == [date(2026, 3, 4), date(2026, 3, 25)]
    rows.append([*ROWS[1][:5], "25/3/2026", "", ""])  # now they contradict each other
    found = read(tmp_path, saved([HEAD, *rows]).encode())
    assert [p.where for p in found.problems] == ["done.csv, line 2"]
    found = read(tmp_path, saved([HEAD, *rows[:1]]).encode(), order="month")
    assert [e.start for e in found.episodes] == [date(2026, 3, 4)]


@given(st.dates(date(1950, 1, 1), date(2026, 12, 31)))
@settings(max_examples=100, deadline=None)
def test_day_first_and_month_first_are_read_back(day: date) -> None:
    for order, text in (("day", f"{day:%d/%m/%Y}"), ("month", f"{day:%m/%d/%Y}")):
        assert read_day(text, order, 2026) == day
        assert day_order([text]) in (None, order) or day.day == day.month


WRONG = [
    (["", "", "", "", "Filling", "2026-03-04", "", ""], "patient is empty"),
    (["P-1", "", "", "", "", "2026-03-04", "", ""], "treatment is empty"),
    (["P-1", "", "", "", "Filling", "", "", ""], "start is empty"),
    (["P-1", "", "99", "ISO 3950", "Filling", "2026-03-04", "", ""], "99"),
    (["P-1", "", "25", "", "Filling", "2026-03-04", "", ""], "25"),  # numbering not said
    (["P-1", "", "25", "Martian", "Filling", "2026-03-04", "", ""], "Martian"),
    (["P-1", "", "33", "Universal", "Filling", "2026-03-04", "", ""], "33"),
    (["P-1", "", "", "", "Filling", "4th of May", "", ""], "no date"),
    (["P-1", "", "", "", "Filling", "2026-03-04", "2026-03-01", ""], "before start"),
    (["P-1", "", "", "", "Filling", "2026-03-04", "2026-03-05", "2026-03-01"], "before prepared"),
    (["P-1"], "treatment is empty"),
]


def test_every_row_that_cannot_be_read_is_listed_with_its_line_and_reason(tmp_path: Path) -> None:
    rows = [HEAD, ROWS[0], *(row for row, _ in WRONG), ROWS[1]]
    found = read(tmp_path, saved(rows).encode())
    assert len(found.episodes) == 2 and found.rows == len(rows) - 1
    assert [p.where for p in found.problems] == [
        f"done.csv, line {n}" for n in range(3, 3 + len(WRONG))
    ]
    for problem, (_, words) in zip(found.problems, WRONG, strict=True):
        assert words in problem.found, problem


def test_lines_are_counted_as_an_editor_counts_them(tmp_path: Path) -> None:
    text = saved([HEAD, [*ROWS[0][:4], "two\nlines", *ROWS[0][5:]], [], WRONG[0][0]])
    found = read(tmp_path, text.encode())
    assert found.episodes[0].treatment == "two lines"
    assert [p.where for p in found.problems] == ["done.csv, line 5"]


@pytest.mark.parametrize(
    ("cell", "numbering", "teeth"),
    [
        ("25", "ISO 3950", "25"),
        ("25.0", "ISO 3950", "25"),
        ('="25"', "ISO 3950", "25"),
        ("14-16", "FDI", "14 15 16"),
        ("14, 15", "ISO 3950", "14 15"),
        ("14 / 15", "ISO 3950", "14 15"),
        ("13", "Universal", "25"),
        ("iso:25", "", "25"),
        ("universal:13", "", "25"),
        ("", "", ""),
    ],
)
def test_teeth_are_read_in_their_numbering(
    cell: str, numbering: str, teeth: str, tmp_path: Path
) -> None:
    row = ["P-1", "", cell, numbering, "Filling", "2026-03-04", "", ""]
    found = read(tmp_path, saved([HEAD, row]).encode())
    assert found.problems == ()
    assert " ".join(sorted(t.iso for t in found.episodes[0].teeth)) == teeth


def test_a_numbering_can_be_given_for_the_whole_table(tmp_path: Path) -> None:
    row = ["P-1", "", "3", "", "Filling", "2026-03-04", "", ""]
    found = read(tmp_path, saved([HEAD, row]).encode(), numbering=Numbering.UNIVERSAL)
    assert [t.iso for t in found.episodes[0].teeth] == ["16"]


def test_columns_are_found_by_their_headings_in_any_order(tmp_path: Path) -> None:
    head = ["Date of treatment", "PROCEDURE", "note", "chart no.", "tooth_number", "Notation"]
    found = read(tmp_path, saved([head, ["2026-03-04", "Crown", "x", "7", "11", "FDI"]]).encode())
    assert (found.episodes[0].patient_id, found.episodes[0].treatment) == ("7", "Crown")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("Patient;Treatment\nP-1;Crown\n", "no column for start"),
        ("Patient;Patient ID;Treatment;Start\n", "a second column"),
        ("\0\1\2\3", "no text"),
    ],
)
def test_a_file_that_is_no_such_table_is_refused(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words):
        read(tmp_path, text.encode())


def test_a_line_that_names_the_separator_is_heeded(tmp_path: Path) -> None:
    found = read(tmp_path, ("sep=|\r\n" + saved([HEAD, *ROWS], "|")).encode())
    assert (found.separator, len(found.episodes)) == ("|", 2)


@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_a_table_or_refused(octets: bytes) -> None:
    try:
        table = read_table(octets)
    except ValueError:
        return
    assert all(any(cells) or cells for _, cells in table.rows)


def test_a_stray_quotation_mark_swallows_no_row_silently(tmp_path: Path) -> None:
    rows = [[f"P-{n}", *ROWS[0][1:]] for n in range(500)]
    lines = saved([HEAD, *rows]).split("\r\n")
    for stray in ([9], [9, 499], [9, 40]):
        spoilt = [f'"{line}' if n in stray else line for n, line in enumerate(lines)]
        with pytest.raises(InputError) as caught:
            read(tmp_path, "\r\n".join(spoilt).encode())
        assert "line 10" in str(caught.value)
    found = read(tmp_path, "\r\n".join(lines).encode())
    assert len(found.episodes) + len(found.problems) == 500


def test_words_of_rules_that_no_treatment_holds_are_told(tmp_path: Path) -> None:
    sets = tuple(read_rules(path) for path in shipped().values())
    found = read(tmp_path, saved([HEAD, ROWS[0]]).encode())
    told = unmatched_words(sets, found)
    words = [word for rules in sets for word in rules.applies.treatments]
    assert words and told
    silent = len(words) - len(told)
    assert silent == sum(word in ROWS[0][HEAD.index("Treatment")].casefold() for word in words)
    assert all("no treatment in the table mentions" in str(problem) for problem in told)


def coded(folder: Path, codes: str, treatment: str) -> Episodes:
    table = folder / "codes.csv"
    table.write_text(codes, "utf-8")
    row = ["P-0417", "", "25", "ISO 3950", treatment, "2026-03-04", "", ""]
    made = saved([HEAD, row]).encode()
    return read(folder, made, codes=read_treatment_codes(table))


@pytest.mark.parametrize("said", ["2740", " 2740 ", "2740.0", "B 27-a", "b27-A"])
def test_codes_of_a_practice_stand_for_its_treatments(said: str, tmp_path: Path) -> None:
    table = "Code;Treatment\n2740;ceramic crown\nB27-a;ceramic crown\n"
    (one,) = coded(tmp_path, table, said).episodes
    assert one.treatment == "ceramic crown"


def test_a_code_that_the_table_lacks_is_told_and_words_stay_words(tmp_path: Path) -> None:
    told = coded(tmp_path, "code;treatment\n2740;ceramic crown\n", "2750")
    assert told.episodes == () and "2750" in str(told.problems[0])
    (one,) = coded(tmp_path, "code;treatment\n2740;ceramic crown\n", "ceramic onlay").episodes
    assert one.treatment == "ceramic onlay"


@pytest.mark.parametrize(
    "table", ["code\n2740\n", "code;treatment\n2740;\n", "code;treatment\n1;a\n1;b\n"]
)
def test_a_table_of_codes_that_leaves_one_open_is_refused(table: str, tmp_path: Path) -> None:
    with pytest.raises(InputError):
        coded(tmp_path, table, "2740")


def overlapping(folder: Path, *rows: tuple[str, str, str, str]) -> list[str]:
    """Patient, tooth, start and finish of each treatment; return what overlaps."""
    body = [
        [who, "", tooth, "ISO 3950", "onlay", start, "", end] for who, tooth, start, end in rows
    ]
    episodes = read(folder, saved([HEAD, *body]).encode()).episodes
    found = check_episodes((), Album(()), episodes)
    return [str(one.found) for one in found if one.kind == "episodes-overlap"]


def test_treatments_of_a_tooth_at_the_same_time_are_told(tmp_path: Path) -> None:
    first = ("P-0417", "25", "2026-03-04", "2026-03-18")
    (told,) = overlapping(tmp_path, first, ("P-0417", "25", "2026-03-10", "2026-03-20"))
    assert told == "onlay 25 (line 3) begins before onlay 25 (line 2) ends"
    within = ("P-0417", "25", "2026-03-12", "2026-03-13")
    assert len(overlapping(tmp_path, first, ("P-0417", "25", "2026-03-05", ""), within)) == 2
    for other in (
        ("P-0417", "26", "2026-03-10", "2026-03-20"),
        ("P-0418", "25", "2026-03-10", "2026-03-20"),
        ("P-0417", "25", "2026-03-18", "2026-03-20"),
        ("P-0417", "", "2026-03-10", "2026-03-20"),
    ):
        assert overlapping(tmp_path, first, other) == []

"""Reading a file of TOML: what can be wrong with it before anything of it is understood."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.errors import SheetError
from archiver.objects.sheet_text import load, shown


def refused(path: Path) -> list[str]:
    with pytest.raises(SheetError) as caught:
        load(path)
    return [str(problem) for problem in caught.value.problems]


def sheet(folder: Path, text: str | bytes) -> Path:
    path = folder / "sheet.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_file_that_cannot_be_read_is_told_with_the_reason_of_the_system(tmp_path: Path) -> None:
    (told,) = refused(tmp_path)
    assert told.startswith(str(tmp_path)) and "Is a directory" in told
    (told,) = refused(tmp_path / "a\0b")
    assert "null byte" in told
    (told,) = refused(tmp_path / "gone.toml")
    assert "gone.toml" in told


@pytest.mark.parametrize("number", [2**63 - 1, -(2**63), 0])
def test_a_number_of_64_bits_is_read(tmp_path: Path, number: int) -> None:
    values, lines = load(sheet(tmp_path, f"[a]\nb = [1, {{ c = {number} }}]\n"))
    assert values == {"a": {"b": [1, {"c": number}]}}
    assert lines[("a", "b")] == 2


@pytest.mark.parametrize("number", [2**63, -(2**63) - 1, 10**400])
def test_a_number_beyond_64_bits_is_told_with_its_line(tmp_path: Path, number: int) -> None:
    told = refused(sheet(tmp_path, f"x = {number}\n\n[a]\nb = [1, {{ c = {number} }}]\n"))
    assert len(told) == 2 and all("more than 19 digits" in one for one in told)
    assert sorted(one.partition(":")[0] for one in told) == [
        "sheet.toml, line 1",
        "sheet.toml, line 4",
    ]


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("a = 1\nb = \n", 2, ""),
        ("a = 1\n\nb = [1,\n", 3, ""),
        ('a = 1\nteeth = <which?>\n', 2, "<"),
        (b"a = 1\nb = '\xff'\n", 2, "UTF-8"),
    ],
)  # fmt: skip
def test_what_is_no_toml_is_told_with_its_line(
    tmp_path: Path, text: str | bytes, line: int, says: str
) -> None:
    (told,) = refused(sheet(tmp_path, text))
    assert told.startswith(f"sheet.toml, line {line}") and says in told
    assert "(at " not in told


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        (12, "12"),
        ("occlusal", '"occlusal"'),
        ("x" * 60, '"' + "x" * 60 + '"'),
        ("x" * 61, '"' + "x" * 57 + '..."'),
        ("a\x07b", '"a?b"'),
        ({"a": 1}, "{ a = 1 }"),
        ([1, 2], "[1, 2]"),
    ],
)
def test_a_value_is_shown_as_a_sheet_would_write_it(value: object, text: str) -> None:
    assert shown(value) == text


def test_the_ends_of_lines_may_be_those_of_any_system(tmp_path: Path) -> None:
    values, lines = load(sheet(tmp_path, b"\xef\xbb\xbfa = 1\r\nb = 2\rc = 3\n"))
    assert values == {"a": 1, "b": 2, "c": 3}
    assert [lines[(name,)] for name in "abc"] == [1, 2, 3]

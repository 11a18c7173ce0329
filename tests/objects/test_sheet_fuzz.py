"""Whatever stands in a sheet, it is read or refused in lines of its own; nothing else happens."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st
from sheet_samples import EXAMPLE, problems
from test_toml_lines import toml_texts

from archiver.objects.sheet_keys import PATIENT, PHOTO, TABLES, VISIT

_KEYS = [*TABLES, *PATIENT, *VISIT, *PHOTO, "file", "left", "width", "x"]
_VALUES = st.one_of(
    st.sampled_from(
        [
            "true",
            "25",
            "59",
            "1988-02-17",
            "0001-01-01",
            "9999-12-31",
            "14:20:00",
            "2026-03-04T14:20:00Z",
            "nan",
            "-inf",
            "9223372036854775807",
            "{}",
            "[]",
            "[[]]",
            '["14-16", 25]',
            '"occlusal"',
            '"frontal"',
            '"head"',
            '"IMG_0101.JPG"',
            '"IMG_0102.JPG"',
            '"-9999:59:59"',
            '"\\u0000"',
            '"\\U0010FFFF"',
            '""',
            "{left = 9223372036854775807, top = 0, width = 9223372036854775807, height = 1}",
            "[{a = 1}, 2]",
        ]
    ),
    st.integers(-(2**70), 2**70).map(str),
    st.floats().map(lambda f: repr(f)),
    st.lists(st.integers(0, 99)).map(str),
)


def _told(text: str | bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        problems(Path(folder), text)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
@example(b"\x00")
@example(b"\xff\xfe")
@example(b"a = \xc3")
def test_arbitrary_bytes_are_read_or_refused(octets: bytes) -> None:
    _told(octets)


@settings(max_examples=100, deadline=None)
@given(st.text(st.sampled_from("[]{}=.,#'\"\\ \n\tabx019-:TZ_é\u2028"), max_size=80))
def test_arbitrary_punctuation_is_read_or_refused(text: str) -> None:
    _told(text)


@settings(max_examples=60, deadline=None)
@given(toml_texts())
def test_any_toml_is_read_or_refused(text: str) -> None:
    _told(text)


@st.composite
def _tables(draw: st.DrawFn) -> str:
    def pairs() -> str:
        keys = draw(st.lists(st.sampled_from(_KEYS), unique=True, max_size=5))
        return "".join(f"{key} = {draw(_VALUES)}\n" for key in keys)

    parts = [pairs()]
    headers = ["[patient]", "[visit]", "[defaults]", "[[photo]]", "[[photo]]", "[photo.crop]"]
    for header in draw(st.lists(st.sampled_from(headers), max_size=6)):
        parts += [header + "\n", pairs()]
    return "".join(parts)


@settings(max_examples=200, deadline=None)
@given(_tables())
def test_known_keys_with_any_value_are_read_or_refused(text: str) -> None:
    _told(text)


@settings(max_examples=100, deadline=None)
@given(
    st.integers(0, len(EXAMPLE)),
    st.integers(0, 12),
    st.sampled_from(["", "\n", '"', "[", "=", "x"]),
)
def test_the_example_sheet_with_a_piece_torn_out_is_read_or_refused(
    start: int, length: int, put: str
) -> None:
    _told(EXAMPLE[:start] + put + EXAMPLE[start + length :])

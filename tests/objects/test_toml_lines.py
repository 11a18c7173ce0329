"""Places of keys, against what the standard library's parser says of the text's beginnings."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.objects.toml_lines import lines_of

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib


def paths_in(value: object, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    yield path
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from paths_in(inner, (*path, name))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from paths_in(inner, (*path, number))


def statement_lines(text: str) -> dict[tuple[str | int, ...], tuple[int, int]]:
    """First and last line of the statement that brings each path in.

    The second opinion: the beginnings of a TOML text that end between two statements are TOML
    themselves, and a path is brought in by what stands between the last of them without it and
    the first with it.
    """
    lines = text.split("\n")
    found: dict[tuple[str | int, ...], tuple[int, int]] = {}
    before = 0
    for number in range(len(lines) + 1):
        try:
            paths = set(paths_in(tomllib.loads("\n".join(lines[:number]))))
        except tomllib.TOMLDecodeError:
            continue
        for path in paths - found.keys():
            found[path] = (before + 1, max(number, 1))
        before = number
    return found


def check(text: str) -> None:
    lines = lines_of(text)
    for path, (first, last) in statement_lines(text).items():
        assert path in lines, path
        # Where the value of a key runs over several lines, the key is on the first of them.
        if len(path) <= 2 or first == last:
            assert first <= lines[path] <= last, (path, lines[path], first, last)
    assert set(lines) == set(paths_in(tomllib.loads(text)))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a = 1",
        "# only a comment [x]\n\n",
        'a = 1 # """ a comment\nb = 2\n',
        'a = """\n[no]\nb = 1\n"""\nc = 3\n',
        'a = """x\\"""\n[no]""y"""""\nc = 3\n',
        "a = '''\n# no ''''\nc = '#'\n",
        "a = ''\nb = \"\"\nc = ''''''\nd = \"\"\"\"\"\"\ne = 1\n",
        "teeth = [\n  [14, 15],\n  [16] # [photo]\n]\nb = 1\n",
        'a = [\n  "]",\n  # ]\n  \'[\',\n]\nb = { c = "}", d = [ { e = 1 } ] }\nf = 1\n',
        '[[photo]]\nfile = "a"\n[photo.crop]\nleft = 1\n[[photo]]\n[photo.crop]\nleft = 2\n',
        '[ "pa.tient" ]\n"i\\u0064" = 1\n\'na"me\'.first = 2\n',
        "a.b.c = 1\na.b.d = 2\n[x]\n[x.y.z]\nq = 1\n",
        "[[a]]\n[[a.b]]\nc = 1\n[[a.b]]\nc = 2\n[[a]]\n[[a.b]]\nc = 3\n",
        "a = 2026-03-04 # x\nb = 14:20:00\nc = 1979-05-27T07:32:00Z\nd = inf\n",
        'a = "\u0085"\nb = "\u2028"\nc = "\x1c" # \u2029\n'.replace("\x1c", "x"),
        "\ta\t=\t[\t]\t\n\tb\t=\t{\t}\t\n",
    ],
)
def test_keys_stand_where_the_parser_first_finds_them(text: str) -> None:
    check(text)


def test_the_line_of_each_key_is_exact() -> None:
    text = (
        "a = 1 # x\n"
        "\n"
        'b = """\n'
        "c = 2\n"
        '"""\n'
        "# d\n"
        "[[photo]]\n"
        "teeth = [\n"
        "  14,\n"
        "\n"
        "  15 ]\n"
        "[photo.crop]\n"
        "left.x = 1\n"
    )

    assert lines_of(text) == {
        (): 1,
        ("a",): 1,
        ("b",): 3,
        ("photo",): 7,
        ("photo", 0): 7,
        ("photo", 0, "teeth"): 8,
        ("photo", 0, "teeth", 0): 9,
        ("photo", 0, "teeth", 1): 11,
        ("photo", 0, "crop"): 12,
        ("photo", 0, "crop", "left"): 13,
        ("photo", 0, "crop", "left", "x"): 13,
    }


# --- arbitrary texts ----------------------------------------------------------------------------

_BLANK = st.sampled_from(["", "", "\n", "\n\n", "# [a]\n", '# """ x\n', "  # = '''\n", "\t\n"])
_WORDS = st.text(st.sampled_from("ab[]{}#='\",. \\\u0085\u2028é"), max_size=6)
_BASIC = _WORDS.map(lambda s: json.dumps(s, ensure_ascii=False))
_LITERAL = _WORDS.map(lambda s: "'" + s.replace("'", "") + "'")
_LONG = st.lists(_WORDS, min_size=1, max_size=4).map(
    lambda ws: '"""' + "\n".join(w.replace("\\", "").replace('"', "") for w in ws) + '"""'
)
_LONG_LITERAL = st.lists(_WORDS, min_size=1, max_size=4).map(
    lambda ws: "'''" + "\n".join(w.replace("'", "") for w in ws) + "'''"
)
_PLAIN = st.sampled_from(["1", "-0.5", "true", "2026-03-04", "14:20:00", "0x1f"])
_LEAF = st.one_of(_PLAIN, _BASIC, _LITERAL, _LONG, _LONG_LITERAL)


@st.composite
def _list_text(draw: st.DrawFn, inner: st.SearchStrategy[str]) -> str:
    gap = st.sampled_from(["", " ", "\n", "\n# ]\n", "\n\n"])
    parts = ["["]
    for value in draw(st.lists(inner, max_size=3)):
        parts += [draw(gap), value, draw(gap), ","]
    return "".join([*parts, draw(gap), "]"])


@st.composite
def _inline_text(draw: st.DrawFn, inner: st.SearchStrategy[str]) -> str:
    values = draw(st.lists(inner, max_size=3))
    return "{" + ", ".join(f"k{i} = {v}" for i, v in enumerate(values)) + "}"


_VALUE = st.recursive(
    _LEAF, lambda inner: st.one_of(_list_text(inner), _inline_text(inner)), max_leaves=6
)


@st.composite
def toml_texts(draw: st.DrawFn) -> str:
    """A valid TOML text of any layout."""
    number = 0
    parts = []

    def pairs() -> None:
        nonlocal number
        for value in draw(st.lists(_VALUE, max_size=3)):
            number += 1
            name = draw(st.sampled_from([f"k{number}", f'"k {number}"', f"'k.{number}'", "d.k%d"]))
            name = name.replace("%d", str(number))
            parts.append(f"{draw(_BLANK)}{name} = {value}{draw(st.sampled_from(['', ' # x']))}\n")

    pairs()
    for _ in range(draw(st.integers(0, 4))):
        number += 1
        header = draw(st.sampled_from(["[[photo]]", f"[t{number}]", f'[ "t {number}" . x ]']))
        parts.append(f"{draw(_BLANK)}{header}\n")
        pairs()
    return "".join(parts)


@given(toml_texts())
def test_any_layout_is_followed(text: str) -> None:
    check(text)

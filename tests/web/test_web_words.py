"""Words, markup and scripts of the pages: one catalogue, nothing inline, nothing from elsewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import archiver.web
from archiver.wording import Text, Words

HERE = Path(archiver.web.__file__).parent
TEMPLATES = sorted(HERE.rglob("*.html"))
MODULES = sorted(HERE.rglob("*.js"))
STYLES = sorted(HERE.rglob("*.css"))
SOURCES = sorted(HERE.rglob("*.py"))

_JINJA = re.compile(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", re.S)
#: The block that names the class of the page.
_KIND = re.compile(r"\{% block kind %\}.*?\{% endblock %\}")
_TOLD = re.compile(r"\b(?:aria-label|title|placeholder|alt|aria-description)=\"([^\"]*)\"")
_KEY = re.compile(r"\bt\(\s*\"([a-z_]+\.[A-Za-z_.]+)\"")
#: Keys made of a beginning and a value: every key of such a table counts as used.
_MADE = re.compile(r"\bt\(\s*(?:f\"|\"|`)([a-z_]+\.[a-z_]*)(?:\{|\$\{|\"\s*~|\"\s*\+)")


def _id(path: Path) -> str:
    return path.relative_to(HERE).as_posix()


@pytest.mark.parametrize("path", TEMPLATES, ids=_id)
def test_a_template_has_no_text_of_its_own(path: Path) -> None:
    text = _JINJA.sub("", _KIND.sub("", path.read_text("utf-8")))
    told = [value for value in _TOLD.findall(text) if re.search(r"[A-Za-z]{2}", value)]
    visible = re.sub(r"<!--.*?-->|<[^>]*>", " ", text, flags=re.S)
    # A macro may hold attributes alone.
    words = re.findall(r"[^\W\d_]{2,}", re.sub(r"\baria-[a-z]+=\"[^\"]*\"", "", visible))
    assert not told
    assert not words


@pytest.mark.parametrize("path", TEMPLATES, ids=_id)
def test_a_template_has_nothing_inline_and_nothing_from_elsewhere(path: Path) -> None:
    text = path.read_text("utf-8")
    assert not re.search(r"\son[a-z]+\s*=|\sstyle\s*=|<style|javascript:", _JINJA.sub("", text))
    assert not re.search(r"<script(?![^>]*\ssrc=)", text)
    assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text)
    assert "|safe" not in text.replace(" ", "")
    for form in re.findall(r"<form[^>]*method=\"post\".*?</form>", text, re.S):
        assert "csrf_field()" in form


@pytest.mark.parametrize("path", MODULES, ids=_id)
def test_a_module_makes_no_markup_from_text_and_says_nothing_of_its_own(path: Path) -> None:
    text = path.read_text("utf-8")
    assert not re.search(
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|\.cssText",
        text,
    )
    assert not re.search(r"setAttribute\(\s*[\"'](?:on|style)", text)
    assert not re.search(r"[\"'`]https?://(?!www\.w3\.org/2000/svg)", text)
    assert not re.search(
        r"(?:textContent|innerText|title|alt|placeholder)\s*=\s*[\"'][^\"']*[A-Za-z]{2}", text
    )
    assert not re.search(r"aria-label\"\s*,\s*[\"'`][^\"'`$]*[A-Za-z]{2}", text)
    assert not re.search(r"\b(?:alert|confirm|prompt)\(\s*[\"'`]", text)


@pytest.mark.parametrize("path", STYLES, ids=_id)
def test_a_style_fetches_nothing_from_elsewhere(path: Path) -> None:
    text = path.read_text("utf-8")
    assert not re.search(r"url\(\s*[\"']?(?:https?:)?//|@import", text)


#: A key of the catalogue, as against a text.
_CODE = re.compile(r"[a-z0-9_]+(?:\.[a-z0-9_]+)+")


@pytest.mark.parametrize("path", SOURCES, ids=_id)
def test_what_a_page_refuses_is_told_in_the_words_of_the_catalogue(path: Path) -> None:
    own = re.findall(r"Problem\(\s*f?[\"']([A-Za-z][^\"']*)", path.read_text("utf-8"))
    assert [text for text in own if not _CODE.fullmatch(text)] == []


def test_every_key_that_is_used_is_in_the_catalogue() -> None:
    words = Words(table="pages")
    used = {
        key
        for path in (*TEMPLATES, *MODULES, *SOURCES)
        for key in _KEY.findall(path.read_text("utf-8"))
        if not key.endswith("_")
    }
    assert len(used) > 50
    assert not sorted(key for key in used if not words.has(key))


def test_every_key_of_the_catalogue_is_used() -> None:
    text = "\n".join(p.read_text("utf-8") for p in (*TEMPLATES, *MODULES, *SOURCES))
    made = set(_MADE.findall(text))
    unused = [
        key
        for key in Words(table="pages").all()
        if f'"{key}"' not in text
        and f"'{key}'" not in text
        and not any(key.startswith(beginning) for beginning in made)
        # Start page and navigation go by one key.
        and key.replace("start.", "nav.", 1) not in Words(table="pages").all()
    ]
    assert not unused


def test_a_value_is_put_in_once_and_stays_what_it_is() -> None:
    words = Words(table="pages")
    assert words("start.hello", name="{n} <b>") == "Good day, {n} <b>"
    assert words("record.unconfirmed", n=1) == "1 not confirmed"
    assert words("record.unconfirmed", n=0) == "0 not confirmed"


def test_a_text_of_another_room_is_put_into_a_page() -> None:
    turned = Text("photo.doubt.turn.3")
    assert Words(table="pages")("picture.in_doubt", words=turned) == f"In doubt: {turned}."
    with pytest.raises(KeyError):
        Words(table="pages")("picture.no_such_key")

"""No English on a page that the catalogue did not give: pages in a language nobody speaks."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from itertools import chain
from pathlib import Path

import httpx
import pytest
from test_web_routes import Kept, token_of
from web_serving import PASSWORD, ROOT, copy_of

from archiver.access.users import users_of
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_tooth
from archiver.dentition.views import View
from archiver.web.pages.record.missing_views import rule_sets
from tests.pseudo_language import plain_words, pseudo_language

_SHOWN = ("aria-label", "title", "placeholder", "alt")
_SILENT = ("script", "style", "code", "kbd")


class _Shown(HTMLParser):
    """What a page says to whoever reads or hears it."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self._within: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _SILENT:
            self._within.append(tag)
        self.texts += [value for name, value in attrs if name in _SHOWN and value]

    def handle_endtag(self, tag: str) -> None:
        if self._within and self._within[-1] == tag:
            self._within.pop()

    def handle_data(self, data: str) -> None:
        if not self._within:
            self.texts.append(data)


def said(html: str) -> str:
    """Return all that a page says."""
    reader = _Shown()
    reader.feed(html)
    return "\n".join(reader.texts)


@pytest.fixture(scope="module")
def kept(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """A site in the language nobody speaks; its people log in."""
    folder = copy_of(demo, tmp_path_factory.mktemp("strange") / "archive")
    users_of(folder).add("berg", frozenset({"dentist"}), PASSWORD)
    with pseudo_language(), Archive.open(folder, actor="test") as archive:
        made = Kept(archive)
        yield made
        made.site.tasks.close()


def own_words(kept: Kept) -> set[str]:
    """Return what the archive's objects, the sets of rules, the user and a sheet say."""
    texts = ["berg", *(view.value for view in View)]
    for r in kept.site.archive.query(Query()):
        texts += [r.patient_name, r.patient_id, r.issuer, r.study_description]
        texts += [r.series_description, r.accession]
    for rules in rule_sets().values():
        rows = rules.requirements
        texts += [rules.name, *(row.name for row in rows), *(v for row in rows for v in row.views)]
    return {word for text in texts for word in plain_words(str(text))}


def own_english(kept: Kept, text: str) -> list[str]:
    """Return the words of a text that neither the catalogue nor a value of the input gave."""
    return sorted(set(plain_words(text)) - own_words(kept))


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/take-in",
        "/find",
        "/find?who=P-1180",
        "/find?who=nobody",
        "/find?tooth=99&since=x",
        "/compare",
        "/compare?uid={uid}",
        "/record",
        "/record/visit/{study}",
        "/record/side/{uid}",
        "/record/audit",
        "/find/picture/{uid}",
        "/nowhere",
        "/server",
    ],
)
def test_a_page_says_nothing_that_the_catalogue_did_not_give(kept: Kept, path: str) -> None:
    one = kept.site.archive.query(Query(teeth=(parse_tooth("iso:36"),)))[0]
    path = path.format(uid=one.sop_instance_uid, study=one.study_uid)
    shown = said(kept.client("berg").get(path).text)
    assert re.search("[áéíóú]{1}", shown)
    assert own_english(kept, shown) == []


def test_log_in_says_nothing_that_the_catalogue_did_not_give(kept: Kept) -> None:
    anybody = kept.client()
    page = anybody.get("/login")
    wrong = {"csrf": token_of(page.text), "name": "berg", "password": "y"}
    refused = anybody.post("/login", wrong)
    assert refused.status_code == 401
    for answer in (page, refused):
        assert own_english(kept, said(answer.text)) == []


class _Draft:
    """A draft of Take in."""

    def __init__(self, kept: Kept) -> None:
        self.client = kept.client("berg")
        self.csrf = token_of(self.client.get("/take-in").text)
        made = self.client.post("/take-in/new", {"csrf": self.csrf})
        self.path = made.headers["location"]

    def ask(
        self, method: str, path: str, body: object, headers: Mapping[str, str] | None = None
    ) -> httpx.Response:
        given = {"X-CSRF-Token": self.csrf, "Accept": "application/json", **(headers or {})}
        kind = "content" if isinstance(body, bytes) else "json"
        return self.client.request(method, self.path + path, headers=given, **{kind: body})


def test_take_in_says_nothing_that_the_catalogue_did_not_give(kept: Kept) -> None:
    draft = _Draft(kept)
    assert own_english(kept, said(draft.client.get(draft.path).text)) == []


def _problems(answer: httpx.Response) -> str:
    assert answer.status_code >= 400, answer.text
    told = answer.json()
    return "\n".join(chain(told["problems"], *told.get("pictures", {}).values()))


@pytest.mark.parametrize("octets", [b"x", b"\xff\xd8\xff\xe0", b"BM" + bytes(40)])
def test_what_take_in_says_of_a_file_comes_from_the_catalogue(kept: Kept, octets: bytes) -> None:
    told = _problems(_Draft(kept).ask("PUT", "/pictures", octets))
    assert own_english(kept, told) == []


def test_what_take_in_says_of_a_picture_comes_from_the_catalogue(kept: Kept) -> None:
    draft = _Draft(kept)
    octets = next((ROOT / "demo_studies").glob("*/*/*.JPG")).read_bytes()
    misnamed = draft.ask("PUT", "/pictures", octets, {"X-File-Name": "a.png"})
    assert own_english(kept, _problems(misnamed)) == ["png"]
    taken = draft.ask("PUT", "/pictures", octets).json()["picture"]
    assert own_english(kept, taken["name"]) == []
    pictures = {taken["digest"]: {"view": "palatal", "teeth": "36", "mirror": True}}
    change = {"revision": 0, "pictures": pictures, "numbering": "iso"}
    said_of_it = draft.ask("POST", "/changes", change).json()["pictures"][taken["digest"]]
    assert said_of_it["problems"] and own_english(kept, "".join(said_of_it["problems"])) == []


@pytest.mark.parametrize(
    "change",
    [
        {"patient": {"birth_date": "x"}},
        {"patient": {"sex": "x"}},
        {"visit": {"date": "x"}},
        {"visit": {"time": "x"}},
        {"consent": {"date": "x"}},
    ],
)
def test_what_take_in_says_of_a_value_comes_from_the_catalogue(
    kept: Kept, change: dict[str, dict[str, str]]
) -> None:
    told = _problems(_Draft(kept).ask("POST", "/changes", {"revision": 0, **change}))
    # The key itself is the input's, and so are the letters that a sex may be.
    keys = {word for fields in change.values() for key in fields for word in key.split("_")}
    assert set(own_english(kept, told)) <= keys


def test_what_take_in_says_of_a_draft_comes_from_the_catalogue(kept: Kept) -> None:
    draft = _Draft(kept)
    told = _problems(draft.ask("POST", "/archive", {"revision": 0}))
    # Keys of the sheet, and what stands for its tables.
    assert set(own_english(kept, told)) <= {"id", "date", "patient", "visit", "photo"}


def test_readings_of_teeth_say_nothing_that_the_catalogue_did_not_give(kept: Kept) -> None:
    client = kept.client("berg")
    answer = client.get("/take-in/readings?teeth=36,16")
    assert answer.status_code == 200
    problems = [one["problem"] for one in answer.json()["views"].values() if "problem" in one]
    assert problems and own_english(kept, " ".join(problems)) == []

"""Pages in German: all of their words, chosen by the browser and by each person."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, expect
from taking import Taking, card
from test_web_pseudo_language import said
from test_web_routes import Kept, token_of
from web_serving import PASSWORD, Served, Watch, copy_of, door_of, serious

from archiver.access.users import users_of
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.network.node.settings import NodeSettings
from archiver.web.app import Site
from archiver.web.language import LANGUAGES, asked_for, rule_name, speaking
from archiver.web.pages.record.missing_views import rule_sets
from archiver.wording.catalogue import PLURAL, chapter, named_values

#: Chapters of which the pages may show any text.
WHOLE = ("pages", "web", "problem", "place", "rule_names")
#: A telephone held upright.
TELEPHONE = {"width": 390, "height": 844}
#: A phrase of that many words is no coincidence of the two languages.
_PHRASE = 3


class German(Kept):
    """A site of people whose browsers ask for German."""

    def get(self, path: str, name: str = "", accept: str = "de-AT,de;q=0.9,en;q=0.5") -> str:
        client = self.client(name)
        answer = client.request("GET", path, headers={"Accept-Language": accept})
        return answer.text


@pytest.fixture(scope="module")
def kept(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[German]:
    folder = copy_of(demo, tmp_path_factory.mktemp("german") / "archive")
    for name in ("anna", "berg"):
        users_of(folder).add(name, frozenset({"dentist", "IT"}), PASSWORD)
    with Archive.open(folder, actor="test") as archive:
        made = German(archive)
        yield made
        made.site.tasks.close()


@pytest.mark.parametrize("name", WHOLE)
def test_every_text_of_the_pages_is_there_in_german_with_the_same_values(name: str) -> None:
    english, german = chapter("en", name), chapter("de", name)
    assert english.keys() == german.keys()
    for key, text in english.items():
        assert named_values(german[key]) == named_values(text), key
    assert set(LANGUAGES) == {"en", "de"}


def test_the_names_of_the_shipped_rules_are_in_the_catalogue_as_their_files_have_them() -> None:
    names = set()
    for rules in rule_sets().values():
        names |= {rules.name, *(row.name for row in rules.requirements)}
    assert len(names) > 50
    with speaking("en"):
        assert {rule_name(name) for name in names} == names
    with speaking("de"):
        same = {name for name in names if rule_name(name) == name}
    assert same == {"frontal", "lingual"}  # the same word in German
    assert rule_name("a practice's own view") == "a practice's own view"


@cache
def phrases() -> frozenset[str]:
    """What only English texts say: their runs of words between values."""
    found: dict[str, set[str]] = {}
    shelf = Path(__import__("archiver").__file__).parent / "wording" / "words"
    for language in LANGUAGES:
        texts = [
            t for f in (shelf / "en").glob("*.toml") for t in chapter(language, f.stem).values()
        ]
        runs = (
            run for text in texts for run in re.split(r"\{[^{}]*\}", PLURAL.sub(r" {x} ", text))
        )
        found[language] = {" ".join(run.split()).strip(" .:;,()") for run in runs}
    long = {run for run in found["en"] if len(re.findall(r"[a-z']{2,}", run)) >= _PHRASE}
    return frozenset(long - found["de"])


def english_in(text: str) -> list[str]:
    """Return the phrases of the English catalogue that a text has."""
    plain = " ".join(text.split())
    return sorted(one for one in phrases() if one in plain)


def test_an_english_phrase_would_be_found() -> None:
    assert len(phrases()) > 500
    assert "Nothing is in the archive yet" in english_in("x Nothing is in the archive yet. y")
    assert english_in("Im Archiv ist noch nichts. nothing of the kind") == []


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/login?ended",
        "/take-in",
        "/find?who=P-1180",
        "/find?tooth=99&since=x",
        "/compare",
        "/compare?uid={uid}",
        "/record",
        "/record/visit/{study}",
        "/record/consent/{study}",
        "/record/package/{study}",
        "/record/side/{uid}",
        "/record/amend/{uid}",
        "/record/rejection/{uid}",
        "/record/bring",
        "/record/audit",
        "/find/picture/{uid}",
        "/nowhere",
        "/help",
        "/server",
    ],
)
def test_a_page_in_german_says_nothing_in_english(kept: German, path: str) -> None:
    one = kept.site.archive.query(Query(confirmed=False, role="derived", limit=1))[0]
    path = path.format(uid=one.sop_instance_uid, study=one.study_uid)
    html = kept.get(path, "" if "login" in path else "berg")
    assert '<html lang="de" dir="ltr"' in html
    assert english_in(said(html)) == []


def test_a_draft_and_what_its_modules_say_are_in_german(kept: German) -> None:
    client, headers = kept.client("berg"), {"Accept-Language": "de"}
    token = token_of(client.get("/take-in").text)
    where = client.post("/take-in/new", {"csrf": token}).headers["location"]
    assert english_in(said(client.request("GET", where, headers=headers).text)) == []
    told = client.request("GET", "/words.js", headers=headers)
    assert json.loads(told.text.removeprefix("export default ").rstrip(";\n")) == {
        key.removeprefix("pages."): text for key, text in chapter("de", "pages").items()
    }
    assert "Accept-Language" in told.headers["vary"]
    asked = {**headers, "X-CSRF-Token": token, "Accept": "application/json"}
    refused = client.request(
        "POST", f"{where}/changes", json={"revision": 0, "visit": {"date": "x"}}, headers=asked
    )
    assert refused.json()["problems"] == ['date: "x"; erwartet: ein Datum wie 2026-03-04']


def test_what_is_said_of_teeth_and_views_is_in_german(kept: German) -> None:
    answer = kept.get("/take-in/readings?teeth=36,16", "berg")
    told = json.loads(answer)
    assert told["teeth"][0]["name"] == "erster Molar oben rechts"
    problem = told["views"]["buccal"]["problem"]
    assert problem == "eine bukkale Ansicht kann nicht die Seitenzähne beider Seiten zeigen"


@pytest.mark.parametrize(
    ("accepted", "language"),
    [
        ("", "en"),
        ("de", "de"),
        ("de-CH, en;q=0.8", "de"),
        ("en-GB,en;q=0.9,de;q=0.8", "en"),
        ("fr-FR, de;q=0.3, en;q=0.2", "de"),
        ("fr, it;q=0.5", "en"),
        ("de;q=0, en", "en"),
        ("de;q=x", "en"),
        ("*", "en"),
    ],
)
def test_the_browsers_wish_is_weighed(accepted: str, language: str) -> None:
    # RFC 9110, 12.5.4 and 12.4.2: weights; a weight of 0 means "not acceptable".
    assert asked_for(accepted) == language


def _language(client: object, wish: str) -> str:
    answer: httpx.Response = client.request("GET", "/", headers={"Accept-Language": wish})  # type: ignore[attr-defined]
    found = re.search(r'<html lang="(\w+)"', answer.text)
    assert found
    return found[1]


def test_a_person_chooses_for_all_browsers_and_for_nobody_else(kept: German) -> None:
    berg, anna = kept.client("berg"), kept.client("anna")
    token = token_of(berg.get("/").text)
    chosen = berg.post("/language", {"csrf": token, "language": "de", "to": "/find"})
    assert chosen.status_code == 303 and chosen.headers["location"] == "/find"
    assert _language(berg, "en") == _language(kept.client("berg"), "en") == "de"
    assert _language(anna, "en") == "en" and _language(anna, "de") == "de"
    archive = kept.site.archive
    again = Site(archive, NodeSettings(), kept.site.clock, "t", kept.told.append, door_of(archive))
    assert again.languages.of("berg") == "de"
    berg.post("/language", {"csrf": token, "language": "device", "to": "/"})
    assert _language(berg, "en") == "en"


def test_what_long_work_says_is_in_the_language_of_who_began_it(kept: German) -> None:
    client = kept.client("berg")
    token = token_of(client.get("/record/audit").text)
    begun = client.request(
        "POST",
        "/record/audit",
        data={"csrf": token, "rules": "five-intraoral"},
        headers={"Accept-Language": "de"},
    )
    task = kept.site.tasks._tasks[begun.headers["location"].rpartition("/")[2]]
    assert task.ended.wait(60)
    assert task.words == chapter("de", "pages")["pages.record.audit_judging"]


def test_long_german_words_stay_on_a_telephones_screen(
    browser: Browser, served: Served, watch: Watch, tmp_path: Path
) -> None:
    taking = Taking(served)
    digest, *_ = taking.take(card(tmp_path / "card", 3))
    taking.state()
    taking.say(digest, view="left buccal", mirror=True)
    context = browser.new_context(viewport=TELEPHONE, locale="de-DE", has_touch=True)
    watch.attach(context)
    page = context.new_page()
    for path in ("/", "/take-in", "/find", "/compare", "/record", f"/take-in/{taking.id}"):
        page.goto(served.url + path)
        page.wait_for_load_state()
        assert page.evaluate("document.documentElement.scrollWidth") <= TELEPHONE["width"], path
        ends = page.locator("button:visible, .button:visible, .site-head a").evaluate_all(
            # The bar below the picture scrolls by itself.
            "them => them.filter((one) => !one.closest('.crop-bar'))"
            ".map((one) => [one.getBoundingClientRect().right, one.innerText])"
        )
        assert not [words for end, words in ends if end > TELEPHONE["width"]], path
        cut = page.locator("button:visible, .button:visible").evaluate_all(
            "them => them.filter((one) => one.scrollWidth > one.clientWidth + 1)"
            ".map((one) => one.innerText)"
        )
        assert not cut, path
        assert not serious(page), path
    expect(page.locator("#side")).to_contain_text("Vergleichen Sie mit dem Patienten")
    expect(page.locator("#edge-left")).to_have_attribute("translate", "no")
    context.close()
    assert not watch.unexpected()

"""The report's page in a real browser: at a laptop and at a phone, on paper, without a network."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from fault_scene import FAULTS
from playwright.sync_api import Browser, Page
from pypdf import PdfReader
from scoring import audited, faulty

from archiver.records.audit import Audit
from archiver.records.disk_store import StoredConcerns
from archiver.records.kinds import kind_of
from archiver.records.model import Concern
from archiver.records.report.report_files import write_report
from archiver.records.report.report_page import page_of
from archiver.records.report.summary import summarise

AXE = Path(__file__).parents[1] / "peers/node_modules/axe-core/axe.min.js"
LAPTOP, PHONE = (1366, 768), (390, 844)
HOSTILE = "<img src=x onerror=alert(1)>=1+1"
KINDS = [
    "born-after-visit",
    "consent-absent",
    "look-alike-patients",
    "object-changed",
    "outbox-overdue",
    "picture-soft",
    "rejected-replaced",
    "retention-passed",
    "side-changed",
    "side-unconfirmed",
    "view-missing",
    "view-substituted",
]


@pytest.fixture(scope="module")
def audit(tmp_path_factory: pytest.TempPathFactory) -> Audit:
    """An audit with findings of every severity and group, and many of one kind."""
    folder = tmp_path_factory.mktemp("audit")
    scene, root, _ = faulty(11, folder, 0, [k for k in KINDS if k in FAULTS])
    found = audited(scene, root, folder)
    more = [
        Concern(
            "date-missing",
            f"{HOSTILE} {n}",
            patient=f"T-{n:05} (RIVERBEND)",
            date=f"2026-02-{1 + n % 28:02}",
            uids=(f"1.2.3.{n}",),
            source="PS3.3 C.7.6.1",
        )
        for n in range(80)
    ]
    return replace(found, concerns=stored([*found.concerns, *more]))


def stored(concerns: list[Concern]) -> StoredConcerns:
    kept = StoredConcerns()
    kept.take(concerns)
    return kept


@pytest.fixture(scope="module")
def report(audit: Audit, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    write_report(audit, folder)
    return folder


@dataclass
class Opened:
    """A page and what the browser said while it was open."""

    page: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


@pytest.fixture(params=[LAPTOP, PHONE], ids=["laptop", "phone"])
def opened(request: pytest.FixtureRequest, browser: Browser, report: Path) -> Iterator[Opened]:
    width, height = request.param
    context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
    one = Opened(context.new_page())
    one.page.on("console", lambda message: one.said.append(message.text))
    one.page.on("pageerror", lambda error: one.said.append(str(error)))
    one.page.on("request", lambda asked: one.asked.append(asked.url))
    one.page.goto((report / "audit.html").as_uri())
    yield one
    context.close()
    assert one.said == []
    assert len(one.asked) == 1  # the page itself


def test_the_page_keeps_to_its_width_and_asks_nothing(opened: Opened) -> None:
    page = opened.page
    for one in page.locator("details > summary").all():
        one.click()  # those that are open close, and all are tried
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0


def test_axe_finds_nothing_serious(browser: Browser, report: Path) -> None:
    for width, height in (LAPTOP, PHONE):
        # The page allows no script but its own; the examiner's is let in for the test.
        context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
        page = context.new_page()
        page.goto((report / "audit.html").as_uri())
        page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
        page.evaluate(AXE.read_text("utf-8"))
        found = page.evaluate("axe.run(document)")
        context.close()
        bad = [v for v in found["violations"] if v["impact"] in ("serious", "critical")]
        assert [(v["id"], v["nodes"][0]["html"]) for v in bad] == []
        assert len(found["passes"]) > 15


def _column(page: Page, place: int) -> list[str]:
    rows = page.locator("#t-date-missing tbody tr").all()
    return [row.locator("td").nth(place).text_content() or "" for row in rows]


def test_a_table_sorts_both_ways_by_keyboard_too(browser: Browser, report: Path) -> None:
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    page.goto((report / "audit.html").as_uri())
    page.locator("#k-date-missing > summary").click()
    heading = page.locator("#t-date-missing th", has_text="Visit")
    heading.locator("button").focus()
    page.keyboard.press("Enter")
    assert heading.get_attribute("aria-sort") == "ascending"
    days = _column(page, 1)
    assert days == sorted(days) and len(days) == 80
    page.keyboard.press("Enter")
    assert heading.get_attribute("aria-sort") == "descending"
    assert _column(page, 1) == sorted(days, reverse=True)
    found = page.locator("#steps th", has_text="Times")
    found.locator("button").click()
    counts = [int(c or 0) for c in page.locator("#steps tbody td.num").all_text_contents()]
    assert counts == sorted(counts) and counts[-1] == 80
    page.close()


def test_a_table_filters_and_shows_the_rest_when_asked(opened: Opened) -> None:
    page = opened.page
    page.locator("#k-date-missing > summary").click()
    rows = page.locator("#t-date-missing tbody tr:visible")
    assert rows.count() == 25
    box = page.locator("#t-date-missing-sift")
    box.fill("t-00077")
    assert rows.count() == 1
    assert page.locator("output[for='t-date-missing-sift']").text_content() == "1 of 80 rows"
    box.fill("nothing has this")
    assert rows.count() == 0
    box.fill("")
    assert rows.count() == 25
    page.get_by_role("button", name="Show all 80 rows").click()
    assert rows.count() == 80


def test_what_is_to_be_done_leads_to_its_findings(opened: Opened) -> None:
    page = opened.page
    block = page.locator("#k-consent-absent")
    assert block.get_attribute("open") is None
    page.get_by_role("link", name="No consent is recorded").click()
    page.wait_for_function("document.getElementById('k-consent-absent').open")
    assert block.locator("tbody tr").first.is_visible()


def test_on_paper_every_row_is_there(browser: Browser, report: Path, tmp_path: Path) -> None:
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    page.goto((report / "audit.html").as_uri())
    page.pdf(path=str(tmp_path / "report.pdf"), format="A4")
    page.close()
    pages = PdfReader(tmp_path / "report.pdf").pages
    texts = [one.extract_text() for one in pages]
    assert all(len(text.strip()) > 40 for text in texts), "an empty sheet"
    whole = re.sub(r"\s+", "", "".join(texts))
    missing = [n for n in range(80) if f"T-{n:05}" not in whole]
    assert not missing
    assert {round(float(one.mediabox.width)) for one in pages} <= {595, 596}  # A4


def test_the_page_begins_with_what_matters(audit: Audit) -> None:
    text = page_of(audit)
    order = ["verdict", "figures", 'id="danger"', 'id="next"', 'id="completeness"', 'id="trends"']
    places = [text.index(mark) for mark in order]
    assert places == sorted(places)
    assert audit.tally.percent in text[: text.index('id="danger"')]
    for told in (
        audit.survey.end.hash,
        audit.sets[0].label,
        audit.sets[0].digest,
        f"archiver {audit.version}",
        f"{audit.when:%Y-%m-%d %H:%M}",
        "By operator",
        "By month",
        "By view",
    ):
        assert told in text, told


def test_the_number_of_a_tooth_is_never_bare_and_one_danger_is_it(audit: Audit) -> None:
    text = page_of(audit)
    assert '<th scope="col" class="few">Teeth (ISO 3950)</th>' in text
    teeth = {d.target for d in audit.demands if d.counts and d.target[:1].isdigit()}
    assert teeth
    for tooth in teeth:
        assert f'data-label="Of">{tooth}<' not in text
    dangers = [c for c in audit.concerns if kind_of(c).severity == "danger"]
    rest = [c for c in audit.concerns if c not in dangers]
    alone = page_of(replace(audit, concerns=stored([dangers[0], *rest])))
    assert "1 dangerous finding: look at it before anything else" in alone
    assert f"{len(dangers)} dangerous findings: look at these before anything else" in text


def test_the_source_of_a_demand_stands_once_and_not_in_every_row(audit: Audit) -> None:
    missing = [c for c in audit.concerns if c.kind == "view-missing"]
    assert missing[0].source
    block = page_of(audit).split('id="k-view-missing"')[1].split("</details>")[0]
    assert missing[0].rule in block and missing[0].source not in block
    assert missing[0].source in page_of(audit)


def test_nothing_that_an_object_says_becomes_markup(audit: Audit, report: Path) -> None:
    text = page_of(audit)
    assert "<img src=x" not in text and "&lt;img src=x" in text
    assert re.findall(r"https?://[^\s\"'<]+", text) == []
    with (report / "findings.csv").open(encoding="utf-8-sig", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [c for c in cells if c[:1] in ("=", "+", "-", "@", "\t")]


def test_page_csv_and_json_tell_the_same_facts(audit: Audit, report: Path) -> None:
    told = json.loads((report / "audit.json").read_text("utf-8"))
    assert told == json.loads(json.dumps(summarise(audit).as_json()))
    with (report / "findings.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert Counter(row["kind"] for row in rows) == told["kinds"]
    assert [row["uids"] for row in rows] == [one["uids"] for one in told["concerns"]]
    page = (report / "audit.html").read_text("utf-8")
    for kind, count in told["kinds"].items():
        block = page[page.index(f'id="k-{kind}"') :]
        assert re.search(r'class="count">(\d+)', block).group(1) == str(count)  # type: ignore[union-attr]
    with (report / "required-views.csv").open(encoding="utf-8-sig", newline="") as file:
        views = list(csv.DictReader(file))
    states = Counter(v["status"] for v in views if v["optional"] == "no")
    counted = told["completeness"]["all"]
    assert states["missing"] == counted["missing"]
    assert states["present"] == counted["present"]
    assert counted["required"] == sum(states.values()) - states["not due"]

"""Two people under one identifier: told when it is entered, and never shown as one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect
from taking import Taking, card, let_in
from web_serving import PASSWORD, Served, serious, serve

from archiver import IngestSettings, Patient, Photograph, Session, View, Visit, parse_teeth, wrap
from archiver.archive.store.archive import Archive
from archiver.cli.context import now

LIV = "Vuorinen^Maia"
OTTO, ADA = Patient("T-1", "Marchbanks^Otto"), Patient("T-1", "Okoro-Blythe^Ada")


def _shot(file: Path) -> Photograph:
    return Photograph(file, View.OCCLUSAL, mirror=True, teeth=parse_teeth("iso:25"))


@pytest.fixture(scope="module")
def merged(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An archive into which two people came under one identifier before anybody asked."""
    folder = tmp_path_factory.mktemp("merged")
    files = card(folder, 3)
    with (
        pytest.MonkeyPatch.context() as before,
        Archive.open(folder / "archive", actor="test") as archive,
    ):
        before.setattr("archiver.archive.store.known_people.contradiction", lambda *_: None)
        before.setattr("archiver.archive.ingest.patient_check.contradiction", lambda *_: None)
        for day, patient, file in ((4, OTTO, files[0]), (4, ADA, files[1])):
            session = Session(patient, Visit(date(2026, 3, day)), (_shot(file),))
            made = wrap(archive, session, IngestSettings(now)).photographs[0]
            assert not made.problems
    served = serve(folder / "archive")
    let_in(served.archive, LIV, "assistant", "auditor")
    yield served
    served.kill()


@pytest.fixture
def inside(merged: Served, page: Page) -> Page:
    page.goto(merged.url + "/login")
    page.get_by_label("Name").fill(LIV)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(merged.url + "/")
    return page


def test_the_record_tells_whose_pictures_are_in_doubt(inside: Page, merged: Served) -> None:
    page = inside
    page.goto(merged.url + "/record")
    told = page.get_by_role("region", name="Whose pictures are these?")
    expect(told).to_contain_text("Marchbanks, Otto")
    expect(told).to_contain_text("Okoro-Blythe, Ada")
    assert not serious(page)
    names = set()
    for link in told.get_by_role("link").all():
        names.add(str(link.get_attribute("href")))
    assert names  # both came into one study, from which each is led to


def test_find_and_record_name_each_picture_by_its_own_study(inside: Page, merged: Served) -> None:
    page = inside
    page.goto(merged.url + "/find")
    found = page.locator("main").inner_text()
    assert "Marchbanks, Otto" in found and "Okoro-Blythe, Ada" in found
    page.goto(merged.url + "/record")
    rows = page.locator("tbody tr")
    assert sorted(rows.locator("bdi").all_inner_texts()) == [
        "Marchbanks, Otto",
        "Okoro-Blythe, Ada",
    ]
    assert rows.locator("td.number").all_inner_texts() == ["1", "1"]


def test_the_record_of_a_study_of_two_people_leads_to_each(inside: Page, merged: Served) -> None:
    page = inside
    named = set()
    for person in ("Marchbanks, Otto", "Okoro-Blythe, Ada"):
        page.goto(merged.url + "/record")
        page.locator("tbody tr", has_text=person).get_by_role("link").click()
        expect(page.locator("h1")).to_contain_text(person)
        expect(page.locator(".pictures li")).to_have_count(1)
        other = page.locator(".notice-bad").get_by_role("link")
        named.add(other.inner_text().split(" T-1")[0])
        assert not serious(page)
        # Whoever chooses rules stays with the person.
        page.get_by_label("Rules").select_option(index=1)
        with page.expect_navigation():
            page.locator("form[data-choose] button").click()
        expect(page.locator("h1")).to_contain_text(person)
        other.click()
        expect(page.locator("h1")).not_to_contain_text(person)
    assert named == {"Marchbanks, Otto", "Okoro-Blythe, Ada"}
    assert page.request.get(page.url.split("?")[0] + "?person=9").status == 404


def test_take_in_tells_it_when_it_is_entered_and_stops_at_archiving(
    merged: Served, tmp_path: Path
) -> None:
    taking = Taking(merged, LIV)
    (digest,) = taking.take(card(tmp_path, 4)[3:])
    answer = taking.change(
        patient={"id": "T-1", "name": "Marchbanks^Otto"}, visit={"date": "2026-03-05"}
    )
    whose = json.loads(answer.body)["whose"]
    assert "Okoro-Blythe, Ada" in whose["doubt"]
    taking.say(digest, view="occlusal", mirror=True, teeth="25")
    refused = taking.ask("/archive", "POST", {})
    assert refused.status == 422 and "Okoro-Blythe, Ada" in refused.text
    taking.change(same_person="both names are hers; seen at the chair")
    assert taking.state()["same_person"]["same_person_checked_by"] == LIV
    taking.change(patient={"id": "T-1", "name": "Qvist^Ulla"})
    assert taking.state()["same_person"] == {}
    taking.change(patient={"id": "t-1", "name": "Qvist^Ulla"})
    assert "case or spaces" in taking.state()["whose"]["notes"][0]


def test_the_dialog_asks_why_it_is_the_same_person(inside: Page, merged: Served) -> None:
    page = inside
    taking = Taking(merged, LIV)
    page.goto(f"{merged.url}/take-in/{taking.id}")
    page.locator("#whom-open").click()
    page.locator("#p-id").fill("T-1")
    page.locator("#p-family").fill("Marchbanks")
    page.get_by_role("button", name="Take these").or_(
        page.locator("#whom-form .button-main")
    ).first.click()
    expect(page.locator("#whom-problems")).to_contain_text("Okoro-Blythe, Ada")
    reason = page.get_by_label("It is the same person, because")
    expect(reason).to_be_visible()
    # Without a reason it stays open, also if one is typed while the server still thinks.
    held: list[Route] = []
    page.route("**/changes", lambda route: held.append(route))
    with page.expect_request("**/changes"):
        page.locator("#whom-form .button-main").click()
    reason.fill("seen at the chair")
    with page.expect_response("**/changes"):
        held[0].continue_()
    page.unroute_all()
    expect(reason).to_be_visible()
    page.locator("#whom-form .button-main").click()
    expect(page.locator("#whom")).to_be_hidden()
    assert taking.state()["same_person"]["same_person_reason"] == "seen at the chair"

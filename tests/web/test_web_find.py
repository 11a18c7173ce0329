"""Find in a real browser: by every criterion, by keys alone, on a tablet, with hostile words."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from web_pictures import clinic, journalled, rejected
from web_serving import PASSWORD, TABLET, Client, Served, copy_of, serious, serve

from archiver.access.users import users_of

PATIENT = "P-1042"
#: Tests share a machine.
PATIENCE = 60_000


@pytest.fixture(scope="module")
def served(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    running = serve(clinic(demo, tmp_path_factory.mktemp("clinic")))
    yield running
    assert running.stop() == 0, running.errors


def ask(page: Page, served: Served, teeth: str = "", **fields: str) -> None:
    """Ask by the form, as a person does."""
    page.set_default_timeout(PATIENCE)
    page.goto(served.url + "/find")
    for iso in teeth.split():
        if iso[0] in "5678":
            page.get_by_label("Deciduous", exact=True).check()
        page.locator(f'input[value="iso:{iso}"]').check()
    for name, value in fields.items():
        if name == "view":
            page.select_option("#view", value)
        else:
            page.fill(f"#{name}", value)
    with page.expect_navigation():
        page.get_by_role("button", name="Find", exact=True).click()


def shown(page: Page, where: str = ".visits") -> list[str]:
    """What is told of each picture."""
    return page.locator(f"{where} .picture img").evaluate_all("all => all.map(one => one.alt)")


def test_a_patient_is_found_by_identifier_visit_by_visit(page: Page, served: Served) -> None:
    ask(page, served, patient_id=PATIENT)
    assert page.locator(".patient").count() == 1
    days = page.locator(".visit h4 time").all_inner_texts()
    assert days == ["2026-02-24", "2025-01-14", "2024-03-19", "2024-02-13"]
    assert len(shown(page)) == 14
    assert page.locator("#answers-title").inner_text() == "14 photographs"
    assert page.locator("#patient_id").input_value() == PATIENT


def test_every_picture_has_letters_tooth_date_and_side(page: Page, served: Served) -> None:
    ask(page, served, patient_id=PATIENT)
    for figure in page.locator(".answers .picture").all():
        letters = [figure.locator(f".edge-{e}").inner_text() for e in ("left", "right", "top")]
        assert re.fullmatch(r"[LRAPHF]{3}", "".join(letters))
        words = [figure.locator(f".edge-{e}").get_attribute("data-word") for e in ("left", "right")]
        trade = {"mesial", "distal", "buccal", "labial", "palatal", "lingual", ""}
        assert {*words} <= trade or words == ["patient's right", "patient's left"]
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", figure.locator(".when").inner_text())
        assert figure.locator(".tooth").inner_text()
    words = page.locator(".visits .side").all_inner_texts()
    assert len(words) == 14
    assert {word.strip() for word in words} == {"Side confirmed", "Side not confirmed"}


@pytest.mark.parametrize("name", ["march*", "MARCHETTI, r", "M?rchetti*", "*Rowan", "march"])
def test_a_patient_is_found_by_name_with_wildcards(page: Page, served: Served, name: str) -> None:
    ask(page, served, name=name)
    assert page.locator(".patient h3").all_inner_texts() == ["Marchetti, Rowan"]
    assert page.locator("#name").input_value() == name


def test_several_patients_are_told_apart_and_one_can_be_picked(page: Page, served: Served) -> None:
    ask(page, served, name="*")
    assert page.locator(".patient").count() == 4
    with page.expect_navigation():
        page.locator(".patient", has_text=PATIENT).get_by_role("link", name="Only this").click()
    assert page.locator(".patient h3").all_inner_texts() == ["Marchetti, Rowan"]


def test_a_tooth_is_found_with_the_views_that_contain_it(page: Page, served: Served) -> None:
    ask(page, served, "16", patient_id=PATIENT)
    told = shown(page)
    assert told and all("ISO 16" in one or "arch" in one for one in told)
    assert any("upper occlusal arch" in one for one in told)
    assert page.locator('input[value="iso:16"]').is_checked()


def test_a_deciduous_tooth_is_asked_for_and_found(page: Page, served: Served) -> None:
    ask(page, served, "75")
    assert page.locator(".dentition-deciduous").is_visible()
    assert not page.locator(".dentition-permanent").is_visible()
    assert "tooth=iso%3A75" in page.url
    told = shown(page)
    assert all("ISO" in one or "arch" in one or "buccal" in one for one in told)


def test_a_view_is_found(page: Page, served: Served) -> None:
    ask(page, served, view="palatal")
    told = shown(page)
    assert len(told) > 2
    assert all(one.startswith("palatal") for one in told)


def test_dates_bound_what_is_found(page: Page, served: Served) -> None:
    ask(page, served, since="2024-03-01", until="2024-12-31")
    assert page.locator(".visit h4 time").all_inner_texts() == ["2024-03-19"]


def test_nothing_found_is_told(page: Page, served: Served) -> None:
    ask(page, served, name="zz")
    assert "No photograph answers this" in page.locator(".answers").inner_text()


def test_radiographs_of_the_patient_stand_beside(page: Page, served: Served) -> None:
    ask(page, served, "16", patient_id=PATIENT)
    beside = page.locator(".radiographs li").all_inner_texts()
    assert len(beside) == 2
    assert "2024-02-13" in beside[0] and "Shows a tooth that was asked for" in beside[0]
    assert "2026-02-24" in beside[1] and "Of other teeth" in beside[1]
    assert page.locator(".radiographs .choose").count() == 0
    letters = page.locator(".radiographs .edge-left").all_inner_texts()
    assert letters == ["A", "A"]


def test_a_photograph_is_shown_once_and_its_picture_as_shot_is_a_step_away(
    page: Page, served: Served
) -> None:
    ask(page, served, "16", patient_id=PATIENT, view="occlusal", since="2026-01-01")
    assert len(shown(page)) == 1
    with page.expect_navigation():
        page.locator(".visits .picture a").click()
    twin = page.locator(".viewing-aside .picture")
    assert "as shot" in twin.inner_text()
    assert page.locator(".side").first.inner_text().strip() == "Side confirmed"


def test_the_address_names_no_patient(page: Page, served: Served) -> None:
    ask(page, served, "16", patient_id=PATIENT, name="Marchetti", view="occlusal")
    assert "who=" in page.url and "view=occlusal" in page.url
    for secret in (PATIENT, "1042", "archetti"):
        assert secret not in page.url
    lines = journalled(served, "find by patient, tooth, view")
    assert not any(PATIENT in line or "archetti" in line for line in lines)


def test_teeth_with_pictures_are_marked_by_more_than_colour(page: Page, served: Served) -> None:
    ask(page, served, patient_id=PATIENT)
    marked = page.locator(".dentition-permanent .has-pictures")
    assert marked.locator("input").evaluate_all("all => all.map(one => one.value)") == [
        *("iso:16", "iso:11", "iso:21", "iso:24", "iso:25", "iso:46"),
    ]
    assert marked.locator(".pictures-mark").count() == 6
    name = page.locator('input[value="iso:46"]').get_attribute("aria-label")
    assert name == "ISO 46, Universal 30, lower right first molar, 1 picture"
    ask(page, served, name="*")
    assert page.locator(".has-pictures").count() == 0


def test_keys_alone_find_and_lead_to_a_comparison(page: Page, served: Served) -> None:
    page.set_default_timeout(PATIENCE)
    page.goto(served.url + "/find")
    page.focus("#patient_id")
    page.keyboard.type(PATIENT)
    for _ in range(3):
        page.keyboard.press("Tab")  # name, dentition, teeth: one stop each
    tooth = "document.activeElement.value"
    assert page.evaluate(tooth) == "iso:18"
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Space")
    assert page.locator("[data-chosen-teeth]").inner_text() == "16 · 3"
    page.keyboard.press("ArrowDown")
    assert page.evaluate(tooth) == "iso:46"
    page.keyboard.press("End")
    assert page.evaluate(tooth) == "iso:38"
    page.keyboard.press("ArrowUp")
    assert page.evaluate(tooth) == "iso:28"
    page.keyboard.press("Tab")
    page.keyboard.type("occl")
    with page.expect_navigation():
        page.locator("#since").press("Enter")
    assert page.evaluate("document.activeElement.id") == "answers-title"
    chosen = 0
    while chosen < 2:
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.name") == "of":
            page.keyboard.press("Space")
            chosen += 1
    assert page.locator("[data-count]").inner_text() == "2 pictures chosen"
    while page.evaluate("document.activeElement.dataset.go") is None:
        page.keyboard.press("Tab")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert page.url.count("of=") == 2
    assert page.locator("[data-stage]").is_visible()


def test_one_picture_is_too_few_to_compare(page: Page, served: Served) -> None:
    ask(page, served, patient_id=PATIENT)
    go = page.locator("[data-go]")
    assert go.is_disabled()
    page.locator('input[name="of"]').nth(0).check()
    assert go.is_disabled()
    page.locator('input[name="of"]').nth(1).check()
    assert go.is_enabled()


def test_on_a_tablet_nothing_is_cut_off_and_every_tooth_can_be_hit(
    page: Page, served: Served
) -> None:
    page.set_viewport_size(TABLET)
    ask(page, served, "16", patient_id=PATIENT)
    assert page.evaluate("document.documentElement.scrollWidth") <= TABLET["width"]
    for box in page.locator(".dentition-permanent foreignObject").all():
        size = box.bounding_box()
        assert size and min(size["width"], size["height"]) >= 24
    page.locator('input[value="iso:36"]').click()
    assert page.locator("[data-chosen-teeth]").inner_text() == "16 · 3, 36 · 19"


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_answers_and_in_a_picture(
    page: Page, served: Served, theme: str
) -> None:
    page.emulate_media(color_scheme=theme)
    ask(page, served, "16", patient_id=PATIENT)
    assert not serious(page)
    ask(page, served, "75", name="zz")
    assert not serious(page)
    ask(page, served, patient_id=PATIENT)
    with page.expect_navigation():
        page.locator(".visits .picture a").first.click()
    page.wait_for_selector("[data-drawn=whole]")
    assert not serious(page)


def test_a_single_picture_is_seen_in_full_and_moved(page: Page, served: Served) -> None:
    ask(page, served, "16", patient_id=PATIENT, view="occlusal")
    tiles: list[str] = []
    page.on("request", lambda r: tiles.append(r.url) if "/tile/" in r.url else None)
    with page.expect_navigation():
        page.locator(".visits .picture a").first.click()
    page.wait_for_selector("[data-drawn=whole]")
    assert tiles
    page.get_by_role("button", name="Full size").click()
    expect(page.locator("[data-zoom-now]")).to_have_text("100 %", timeout=PATIENCE)
    page.wait_for_selector("[data-drawn=whole]")
    assert all(re.search(r"/compare/tile/[0-9.]+/[12]/\d/\d$", url) for url in tiles)
    canvas = page.locator(".stage canvas")
    before = canvas.evaluate("one => one.toDataURL()")
    page.locator(".stage").press("ArrowRight")
    page.wait_for_timeout(100)
    moved = canvas.evaluate("one => one.toDataURL()")
    assert moved != before
    box = canvas.bounding_box()
    assert box
    page.mouse.move(box["x"] + 400, box["y"] + 200)
    page.mouse.down()
    page.mouse.move(box["x"] + 300, box["y"] + 150, steps=4)
    page.mouse.up()
    page.wait_for_timeout(100)
    assert canvas.evaluate("one => one.toDataURL()") != moved


def test_a_radiograph_is_seen_in_full(page: Page, served: Served) -> None:
    ask(page, served, patient_id=PATIENT)
    with page.expect_navigation():
        page.locator(".radiographs .picture a").first.click()
    page.wait_for_selector("[data-drawn=whole]")
    assert "480 by 360" in page.locator(".facts").inner_text()
    assert page.get_by_role("link", name="Compare with earlier").count() == 0


def test_markup_in_a_name_stays_text(page: Page, served: Served) -> None:
    ask(page, served, name="*alert*")
    assert page.locator(".patient h3").inner_text() == 'Ev<i>l">, <script>alert(1)</script>'
    assert page.locator(".patient-head i, .patient-head b, .patient script").count() == 0
    ask(page, served, name='"><script>alert(1)</script>*')
    assert page.locator("#name").input_value() == '"><script>alert(1)</script>*'
    assert page.locator("main script").count() == 0


@pytest.mark.parametrize(
    "query",
    [
        "tooth=16",
        "tooth=iso:99&view=sideways&since=yesterday&until=2024-13-40&page=-3",
        "page=" + "9" * 5000,
        "tooth=" + "x" * 5000,
        "who=" + "%00" * 20,
        "who=../../etc/passwd&view=%3Cscript%3E",
        "since=2025-01-01&until=2024-01-01",
        "page=٣",
        "fault=nonsense&fault=who",
    ],
)
def test_nonsense_in_an_address_is_told_and_left_out(served: Served, query: str) -> None:
    answer = Client(served).ask(f"/find?{query.replace('٣', '%D9%A3')}")
    assert answer.status == 200
    assert "<script>" not in answer.text.replace('<script type="module"', "")


@pytest.mark.parametrize(
    "uid", ["1.2.3", "..%2f..%2findex.sqlite", "0" * 200, "2.25.%00", "<b>", "%F0%9F%A6%B7"]
)
def test_a_guessed_picture_is_missing(served: Served, uid: str) -> None:
    assert Client(served).ask(f"/find/picture/{uid}").status == 404


def test_a_rejected_picture_is_not_found_and_told_where_its_address_is_known(
    start: Callable[..., Served], archive: Path, tmp_path: Path
) -> None:
    first = start(archive)
    listed = Client(first).ask("/find?view=occlusal&tooth=iso:16").text
    uids = list(dict.fromkeys(re.findall(r"/find/picture/([0-9.]+)", listed)))
    first.stop()
    rejected(archive, tmp_path, uids[0])
    client = Client(start(archive))
    assert uids[0] not in client.ask("/find?view=occlusal&tooth=iso:16").text
    alone = client.ask(f"/find/picture/{uids[0]}").text
    assert "This picture was rejected" in alone and "data-single" not in alone
    assert client.ask(f"/picture/{uids[0]}").status == 404
    assert client.ask(f"/compare/tile/{uids[0]}/1/0/0").status == 404
    assert client.ask(f"/picture/{uids[1]}").status == 200
    compared = client.ask(f"/compare?of={uids[0]}&of={uids[1]}")
    assert compared.status == 400 and "rejected" in compared.text


def test_only_those_who_may_look_do_and_a_word_for_a_patient_is_theirs_alone(
    start: Callable[..., Served], demo: Path, tmp_path: Path
) -> None:
    archive = copy_of(demo, tmp_path / "own")
    for name, role in (("anna", "assistant"), ("ben", "dentist"), ("ida", "IT")):
        users_of(archive).add(name, frozenset({role}), PASSWORD)
    served = start(archive)
    stranger = Client(served)
    assert stranger.ask("/find").status == 303
    assert stranger.ask("/compare/tile/1.2.3/1/0/0").status == 303
    anna, ben, ida = (Client(served) for _ in range(3))
    for client, name in ((anna, "anna"), (ben, "ben"), (ida, "ida")):
        client.log_in(name)
    assert ida.ask("/find").status == 403
    assert ida.ask("/compare").status == 403
    anna.ask("/find")
    asked = anna.post("/find", {"patient_id": PATIENT})
    where = asked.headers["location"]
    assert "Marchetti" in anna.ask(where).text
    others = ben.ask(where).text
    assert "Marchetti" not in others and "is not known any more" in others

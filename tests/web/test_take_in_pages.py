"""Taking a card in, in a real browser: by pointer, by keyboard alone, on a tablet."""

from __future__ import annotations

import base64
import re
import statistics
from collections.abc import Callable
from pathlib import Path

import piexif
import pytest
from playwright.sync_api import Page, Route, expect
from taking import STUDIES, Taking, card, let_in
from web_serving import PASSWORD, TABLET, Served, Watch, serious

from archiver.archive.query import Query, Record, RecordOrder
from archiver.archive.store.archive import Archive

RECALL = STUDIES / "P-1042" / "2026-02-24"
#: Milliseconds within which a turned or cropped picture has to be shown.
SHOWN_WITHIN = 100


def records(archive: Path, patient: str) -> list[Record]:
    """Return what the archive has of a patient, as it came in."""
    with Archive.open(archive, read_only=True) as opened:
        return opened.query(Query(patient_id=patient, order=RecordOrder.ADDED))


def new_draft(page: Page, served: Served) -> None:
    page.goto(f"{served.url}/take-in")
    page.get_by_role("button", name="New visit").click()
    page.wait_for_selector("[data-ready]", state="attached")


def add(page: Page, files: list[Path]) -> None:
    page.set_input_files("#files", [str(file) for file in files])
    expect(page.locator(".tile[data-digest]")).to_have_count(len(files))
    expect(page.locator(".tile-coming")).to_have_count(0)


def by_hand(page: Page, identity: str, day: str = "2026-03-04") -> None:
    page.locator("#whom-open").click()
    page.get_by_label("Patient identifier").fill(identity)
    page.get_by_label("Family name").fill("Okafor")
    page.get_by_label("Day of the visit").fill(day)
    page.get_by_role("button", name="Take these").click()
    expect(page.locator("#whom")).not_to_be_visible()


def kept(page: Page) -> None:
    expect(page.locator("#kept")).to_have_text("All of it is kept")


def test_a_visit_is_taken_in_by_pointer(
    page: Page, archive: Path, start: Callable[..., Served]
) -> None:
    served = start(archive)
    new_draft(page, served)
    add(page, sorted(RECALL.glob("C70*")))
    page.locator("#whom-open").click()
    page.get_by_label("Identifier or part of the name").type("march")
    page.get_by_role("button", name="Marchetti").click()
    expect(page.locator("#whom-visit")).to_contain_text("visit of 2026-02-24")

    # Three mirror pictures of one tooth, said together and then one by one.
    tiles = page.locator(".tile")
    tiles.nth(0).click()
    tiles.nth(2).click(modifiers=["Shift"])
    page.get_by_label("Teeth", exact=True).fill("16")
    page.get_by_label("Teeth", exact=True).press("Enter")
    page.get_by_role("button", name="Through a mirror").click()
    for n, view in enumerate(("occlusal", "buccal", "palatal")):
        tiles.nth(n).click()
        page.get_by_label("View", exact=True).select_option(view)
    expect(page.locator("#edge-right")).to_have_text("P")
    tiles.nth(3).click()
    page.get_by_role("button", name="Choose", exact=True).click()
    page.locator('[data-iso="46"]').click()
    page.get_by_label("View", exact=True).select_option("lingual")
    page.get_by_role("button", name="Through a mirror").click()
    tiles.nth(4).click()
    page.get_by_label("View", exact=True).select_option("buccal")
    page.get_by_label("Teeth", exact=True).fill("24-25")
    page.get_by_role("button", name="Direct", exact=True).click()
    for n in (0, 1, 3, 4):
        tiles.nth(n).click()
        page.get_by_role("button", name="Yes, I compared it").click()
    kept(page)
    expect(page.locator(".state-good")).to_have_count(5)  # four tiles and the stage

    page.locator("#archive").click()
    expect(page.locator("#ending")).to_contain_text("The side of 1 picture is not confirmed")
    page.get_by_role("button", name="Archive all the same").click()
    expect(page.locator("#ending-title")).to_have_text("Archived", timeout=60_000)
    page.get_by_role("button", name="Close the visit").last.click()
    expect(page.get_by_text("No draft is waiting.")).to_be_visible()
    page.goto("about:blank")
    assert served.stop() == 0
    found = [r for r in records(archive, "P-1042") if r.study_date == "2026-02-24"]
    # The demo has the same pictures in another study of that day.
    assert {r.role for r in found} == {"original", "derived"}


def test_teeth_are_said_of_the_picture_for_which_they_were_typed(
    page: Page, served: Served
) -> None:
    new_draft(page, served)
    add(page, sorted(RECALL.glob("C70*"))[:2])
    tiles = page.locator(".tile")
    for n in (0, 1):
        tiles.nth(n).click()
        page.get_by_label("View", exact=True).select_option("occlusal")
    held: list[Route] = []
    page.route("**/take-in/readings*", lambda route: held.append(route))
    with page.expect_request("**/take-in/readings*"):
        page.get_by_label("Teeth", exact=True).fill("24-25")
        page.get_by_label("Teeth", exact=True).press("Enter")
    tiles.nth(0).click()  # before the server has read them
    with page.expect_response("**/changes"):
        held[0].continue_()
    page.unroute_all()
    kept(page)
    expect(tiles.nth(1)).to_contain_text("24, 25")
    expect(tiles.nth(0)).not_to_contain_text("24")


def test_a_visit_of_twelve_needs_one_key_a_picture_and_no_pointer(
    page: Page, archive: Path, start: Callable[..., Served], tmp_path: Path
) -> None:
    served = start(archive)
    page.goto(f"{served.url}/take-in")
    press = page.keyboard.press
    page.get_by_role("button", name="New visit").focus()
    press("Enter")
    page.wait_for_selector("[data-ready]", state="attached")
    # The system's own window of files is no part of the page; its outcome is put in.
    pick = page.locator("#pick-files")
    expect(pick).to_be_enabled()
    with page.expect_file_chooser() as chooser:
        pick.press("Enter")
    files = card(tmp_path / "card", 12)
    chooser.value.set_files([str(file) for file in reversed(files)])
    expect(page.locator(".tile[data-digest]")).to_have_count(12)
    expect(page.locator(".tile-coming")).to_have_count(0)

    press("w")
    page.get_by_label("Patient identifier").focus()
    page.keyboard.type("P-5005")
    press("Tab")
    page.keyboard.type("Lindqvist")
    press("Enter")
    expect(page.locator("#whom")).not_to_be_visible()
    page.locator("#rules").focus()
    page.keyboard.type("Twelve")
    expect(page.locator("#wanted-sum")).to_contain_text("0 of 12")
    press("Escape")
    expect(page.locator("#tiles")).to_be_focused()
    titles = [page.locator(".tile").nth(n).get_attribute("title") or "" for n in range(12)]
    # What had better be taken again stands behind the name once a picture is judged.
    assert [title.split("\n")[0] for title in titles] == [file.name for file in files]

    for n in range(12):
        expect(page.locator("#stage-title")).to_contain_text(f"{n + 1} of 12")
        expect(page.locator("#offer [data-act=accept]")).to_be_enabled()
        press("Enter")
    kept(page)
    expect(page.locator("#wanted-sum")).to_have_text("All 12 required views are there")
    press("Control+Enter")
    expect(page.locator("#ending-title")).to_have_text("Archived", timeout=90_000)
    page.get_by_role("button", name="Close the visit").last.focus()
    press("Enter")
    expect(page.get_by_text("No draft is waiting.")).to_be_visible()
    page.goto("about:blank")
    assert served.stop() == 0
    found = records(archive, "P-5005")
    assert all(r.confirmed for r in found)
    views = [r.view for r in found if r.role == "original"]
    assert views == [
        *["smile"] * 4, *["frontal", "right buccal", "left buccal"] * 2,
        "upper occlusal arch", "lower occlusal arch",
    ]  # fmt: skip


def test_every_field_is_reached_by_keys(page: Page, served: Served, tmp_path: Path) -> None:
    new_draft(page, served)
    add(page, card(tmp_path / "card", 3))
    press = page.keyboard.press
    expect(page.locator("#tiles")).to_be_focused()
    press("v")
    page.keyboard.type("occ")
    press("Escape")
    press("t")
    page.keyboard.type("36")
    press("Enter")
    press("m")
    expect(page.locator("#stage-state")).to_have_text("Side not confirmed")
    expect(page.locator("#edge-top")).to_have_text("P")
    before = page.locator("#large").get_attribute("class")
    press("b")
    expect(page.locator("#large")).not_to_have_class(str(before))
    press("z")
    expect(page.locator("#large")).to_have_class(str(before))
    press("y")
    expect(page.locator("#operator")).to_have_value("behind")
    press("o")
    page.keyboard.type("ba")
    press("Escape")
    expect(page.locator("#operator")).to_be_disabled()

    press("c")
    press("Tab")
    expect(page.locator(".crop-nw")).not_to_be_focused()
    page.locator(".crop-se").focus()
    press("ArrowLeft")
    press("Shift+ArrowUp")
    expect(page.locator("#crop-words")).to_contain_text("Kept: ")
    width = int(page.locator("#crop-width").input_value())
    assert width < 640
    press("Escape")
    expect(page.locator(".crop")).not_to_be_visible()

    page.locator("#tiles").focus()
    press("g")
    press("ArrowDown")
    press("Enter")
    press("ArrowRight")
    page.locator("#tiles").focus()
    press("x")
    expect(page.locator(".tile-out")).to_have_count(1)
    press("x")
    press("ArrowRight")
    expect(page.locator("#stage-title")).to_contain_text("2 of 3")
    press("Shift+ArrowRight")
    expect(page.locator("#chosen-words")).to_contain_text("2 pictures chosen")
    press("m")
    press("Escape")
    press("a")
    expect(page.locator("#chosen-words")).to_contain_text("3 pictures chosen")
    press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.get_by_label("Single letters do something").uncheck()
    press("Escape")
    mirrored = page.locator("#mirror").get_attribute("aria-pressed")
    press("m")
    kept(page)
    assert page.locator("#mirror").get_attribute("aria-pressed") == mirrored


def test_a_visit_is_taken_in_on_a_tablet(
    page: Page, served: Served, tmp_path: Path, watch: Watch
) -> None:
    browser = page.context.browser
    assert browser
    context = browser.new_context(viewport=TABLET, has_touch=True)
    watch.attach(context)
    tablet = context.new_page()
    new_draft(tablet, served)
    add(tablet, card(tmp_path / "card", 5, columns=600))
    tablet.locator("#whom-open").tap()
    tablet.get_by_label("Patient identifier").fill("P-6006")
    tablet.get_by_label("Day of the visit").fill("2026-03-04")
    tablet.get_by_role("button", name="Take these").tap()
    tablet.get_by_label("Rules").select_option("five-intraoral")
    for n in range(5):
        expect(tablet.locator("#stage-title")).to_contain_text(f"{n + 1} of 5")
        tablet.get_by_role("button", name="Yes, I compared the side").tap()
    kept(tablet)
    tablet.locator("#crop-open").tap()
    assert tablet.evaluate("document.documentElement.scrollWidth") <= TABLET["width"]
    assert not serious(tablet)
    tablet.locator("#archive").tap()
    expect(tablet.locator("#ending-title")).to_have_text("Archived", timeout=60_000)
    context.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_any_state(
    page: Page, served: Served, tmp_path: Path, theme: str
) -> None:
    page.emulate_media(color_scheme=theme)
    new_draft(page, served)
    assert not serious(page)
    page.locator("#whom-open").click()
    assert not serious(page)
    page.keyboard.press("Escape")
    add(page, card(tmp_path / "card", 4))
    page.get_by_label("Rules").select_option("five-intraoral")
    expect(page.locator("#offer")).to_be_visible()
    assert not serious(page)
    page.locator("#offer [data-act=accept]").click()
    page.locator("#offer [data-act=accept-open]").click()
    page.locator(".tile").nth(1).click()
    page.locator("#crop-open").click()
    page.locator("#teeth-open").click()
    kept(page)
    assert not serious(page)
    page.locator("#keys-open").click()
    assert not serious(page)
    page.keyboard.press("Escape")
    page.locator("#archive").click()
    expect(page.locator("#ending")).to_be_visible()
    assert not serious(page)
    page.goto(f"{served.url}/take-in")
    assert not serious(page)


def test_turning_and_cropping_show_at_once(page: Page, served: Served, tmp_path: Path) -> None:
    """Measured from the press to the frame after the one that is drawn, with 40 pictures."""
    new_draft(page, served)
    add(page, card(tmp_path / "card", 40))
    page.get_by_label("View", exact=True).select_option("upper occlusal arch")
    page.locator("#crop-open").click()
    kept(page)
    measure = """async (press) => {
      const frame = () => new Promise((done) => requestAnimationFrame(done));
      const look = () => document.getElementById("large").className
        + document.querySelector(".crop").style.width;
      const times = [];
      for (let n = 0; n < 12; n += 1) {
        await frame();
        const before = look();
        const begun = performance.now();
        if (press === "crop") {
          const key = n % 2 ? "ArrowRight" : "ArrowLeft";
          const pressed = new KeyboardEvent("keydown", { key, bubbles: true });
          document.querySelector(".crop-se").dispatchEvent(pressed);
        } else document.getElementById(n % 2 ? "direct" : "mirror").click();
        await frame();
        await frame();
        times.push(performance.now() - begun);
        if (look() === before) throw new Error(`nothing was shown of ${press}`);
      }
      return times;
    }"""
    for what in ("turn", "crop"):
        times = page.evaluate(measure, what)
        print(f"\n{what}: median {statistics.median(times):.0f} ms, longest {max(times):.0f} ms")
        assert statistics.median(times) <= SHOWN_WITHIN
    kept(page)


def test_what_was_said_is_there_when_the_page_comes_back(
    page: Page, served: Served, tmp_path: Path
) -> None:
    new_draft(page, served)
    add(page, card(tmp_path / "card", 3))
    by_hand(page, "P-7007")
    page.get_by_label("View", exact=True).select_option("frontal")
    page.get_by_role("button", name="Direct", exact=True).click()
    page.get_by_role("button", name="Yes, I compared it").click()
    kept(page)
    where = page.url
    page.goto("about:blank")
    page.goto(f"{served.url}/take-in")
    page.get_by_role("link", name="Okafor").click()
    page.wait_for_selector("[data-ready]", state="attached")
    assert page.url == where
    expect(page.locator(".tile").nth(0)).to_contain_text("frontal")
    expect(page.locator(".tile").nth(0)).to_contain_text("Side confirmed")


def test_what_is_said_while_the_server_is_away_is_kept_when_it_comes_back(
    page: Page, archive: Path, start: Callable[..., Served], tmp_path: Path, watch: Watch
) -> None:
    watch.expected = ("ERR_CONNECTION_REFUSED", "Failed to load resource", "403")
    served = start(archive)
    new_draft(page, served)
    add(page, card(tmp_path / "card", 2))
    page.get_by_label("View", exact=True).select_option("frontal")
    kept(page)
    served.kill()
    page.get_by_role("button", name="Direct", exact=True).click()
    expect(page.locator("#edge-left")).to_have_text("R")
    expect(page.locator("#kept")).to_contain_text("The server does not answer")
    again = start(archive, port=served.address[1])
    kept(page)
    drafts = list((archive / "pages" / "drafts").iterdir())
    assert '"mirror":false' in (drafts[0] / "draft.json").read_text("utf-8")
    assert again.process.poll() is None


def test_what_was_not_kept_yet_outlasts_a_log_in(
    page: Page, tmp_path: Path, start: Callable[..., Served], watch: Watch
) -> None:
    watch.expected = ("ERR_CONNECTION_REFUSED", "Failed to load resource")
    served = start(tmp_path / "archive")
    let_in(served.archive, "Berg^Ida", "assistant")

    def log_in() -> None:
        page.get_by_label("Name").fill("Berg^Ida")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()

    page.goto(f"{served.url}/login")
    log_in()
    new_draft(page, served)
    add(page, card(tmp_path / "card", 1))
    served.kill()
    page.get_by_label("View", exact=True).select_option("frontal")
    page.get_by_role("button", name="Direct", exact=True).click()
    expect(page.locator("#kept")).to_contain_text("The server does not answer")
    start(tmp_path / "archive", port=served.address[1])
    page.wait_for_url("**/login?to=*")
    log_in()
    page.wait_for_selector("[data-ready]", state="attached")
    kept(page)
    expect(page.locator(".tile")).to_contain_text("frontal")
    page.get_by_role("button", name="Yes, I compared it").click()
    expect(page.locator("#side")).to_contain_text("Confirmed by Berg Ida")
    kept(page)


def test_names_with_markup_are_shown_as_they_are(
    page: Page, served: Served, tmp_path: Path, watch: Watch
) -> None:
    watch.expected = ("status of 422",)
    new_draft(page, served)
    (file,) = card(tmp_path / "card", 1)
    name = "<img src=x onerror=alert(1)>&amp;.JPG"
    page.set_input_files(
        "#files", {"name": name, "mimeType": "image/jpeg", "buffer": file.read_bytes()}
    )
    expect(page.locator("#stage-title")).to_contain_text(name)
    page.set_input_files(
        "#files", {"name": "<b>no.jpg", "mimeType": "image/jpeg", "buffer": b"<html>"}
    )
    expect(page.locator("#refused-list")).to_contain_text("<b>no.jpg: the file is of no known kind")
    page.locator("#refused-close").click()
    by_hand(page, "<i>P-1</i>")
    expect(page.locator("#whom-visit")).to_contain_text("<i>P-1</i>")
    assert page.locator("main i, main b, main img[src=x]").count() == 0


def test_a_finding_stands_beside_its_picture(page: Page, served: Served, tmp_path: Path) -> None:
    new_draft(page, served)
    add(page, card(tmp_path / "card", 2))
    by_hand(page, "P-8008", day="2026-05-20")
    for n in range(2):
        page.locator(".tile").nth(n).click()
        page.get_by_label("View", exact=True).select_option("frontal")
        page.get_by_role("button", name="Direct", exact=True).click()
        page.get_by_role("button", name="Yes, I compared it").click()
    page.locator("#archive").click()
    expect(page.locator("#ending-title")).to_have_text("Archived", timeout=60_000)
    page.get_by_role("button", name="Show the first").click()
    expect(page.locator("#result")).to_contain_text("77 days from the visit")

    # The same pictures under another patient are refused, each in words beside it.
    new_draft(page, served)
    add(page, card(tmp_path / "card", 2))
    by_hand(page, "P-9009")
    page.get_by_label("View", exact=True).select_option("frontal")
    page.get_by_role("button", name="Direct", exact=True).click()
    page.get_by_role("button", name="Yes, I compared it").click()
    page.locator(".tile").nth(1).click()
    page.get_by_role("button", name="Leave this picture out").click()
    kept(page)
    page.locator("#archive").click()
    expect(page.locator("#ending-title")).to_have_text("Some were refused", timeout=60_000)
    page.locator("#ending").get_by_role("button", name="Close").click()
    expect(page.locator("#result")).to_contain_text("archived already under another patient")
    expect(page.locator(".tile").nth(0)).to_contain_text("Refused")


def test_a_draft_in_two_windows_keeps_what_either_says(
    page: Page, served: Served, tmp_path: Path, watch: Watch
) -> None:
    watch.expected = ("status of 409",)
    new_draft(page, served)
    add(page, card(tmp_path / "card", 2))
    other = page.context.new_page()
    other.goto(page.url)
    other.wait_for_selector("[data-ready]", state="attached")
    page.get_by_label("View", exact=True).select_option("frontal")
    kept(page)
    other.locator(".tile").nth(1).click()
    other.get_by_label("View", exact=True).select_option("face")
    kept(other)
    expect(other.locator(".tile").nth(0)).to_contain_text("frontal")


def test_drafts_wait_in_the_list_and_can_be_thrown_away(
    page: Page, served: Served, tmp_path: Path
) -> None:
    taking = Taking(served)
    taking.take(card(tmp_path / "card", 2))
    taking.change(patient={"id": "P-4004", "name": "Sorrel^Ash"}, visit={"date": "2026-03-04"})
    page.goto(f"{served.url}/take-in")
    row = page.locator(".draft-row", has_text="Sorrel")
    expect(row).to_contain_text("2 pictures")
    page.once("dialog", lambda dialog: dialog.dismiss())
    row.get_by_role("button", name="Throw away").click()
    expect(row).to_be_visible()
    page.once("dialog", lambda dialog: dialog.accept())
    row.get_by_role("button", name="Throw away").click()
    expect(row).to_have_count(0)
    assert not (served.archive / "pages" / "drafts" / taking.id).exists()


def test_files_are_dropped_and_what_is_no_picture_of_the_card_is_passed_over(
    page: Page, served: Served, tmp_path: Path
) -> None:
    new_draft(page, served)
    files = card(tmp_path / "card", 2)
    page.evaluate(
        """(files) => {
          const transfer = new DataTransfer();
          for (const [name, octets] of files) {
            const bytes = Uint8Array.from(atob(octets), (c) => c.charCodeAt(0));
            transfer.items.add(new File([bytes], name));
          }
          const drop = document.getElementById("drop");
          drop.dispatchEvent(new DragEvent("drop", { dataTransfer: transfer, bubbles: true }));
        }""",
        [[f.name, base64.b64encode(f.read_bytes()).decode()] for f in files]
        + [["MOV_1.THM", "AAAA"], [".trash", "AAAA"]],
    )
    expect(page.locator(".tile[data-digest]")).to_have_count(2)
    expect(page.locator("#refused")).not_to_be_visible()
    page.locator("#files").set_input_files(
        [{"name": "MVI_2.MP4", "mimeType": "video/mp4", "buffer": b"film"}]
    )
    expect(page.locator("#refused-list")).to_have_text(re.compile("MVI_2.MP4: a film"))
    expect(page.locator(".tile[data-digest]")).to_have_count(2)


def test_a_picture_shows_the_camera_s_own_small_one_until_it_was_read(
    page: Page, served: Served, tmp_path: Path
) -> None:
    (small,) = card(tmp_path / "small", 1, columns=160, rows=120)
    (file,) = card(tmp_path / "card", 1)
    when = {piexif.ExifIFD.DateTimeOriginal: b"2026:03:04 14:20:00"}
    named = {"0th": {}, "Exif": when, "1st": {piexif.ImageIFD.Compression: 6}}
    exif = piexif.dump({**named, "thumbnail": small.read_bytes()})
    piexif.insert(exif, str(file))
    new_draft(page, served)
    page.route("**/pictures", lambda route: None)  # the file never arrives
    page.set_input_files("#files", str(file))
    image = page.locator(".tile-coming img")
    expect(image).to_be_visible()
    assert page.evaluate("(i) => i.naturalWidth", image.element_handle()) == 160
    page.unroute_all(behavior="ignoreErrors")


def test_a_visit_that_is_archived_says_so_when_it_is_opened_again(
    page: Page, archive: Path, start: Callable[..., Served], tmp_path: Path
) -> None:
    served = start(archive)
    taking = Taking(served)
    (digest,) = taking.take(card(tmp_path / "card", 1))
    taking.change(patient={"id": "P-31"}, visit={"date": "2026-03-04"})
    taking.say(digest, view="face", mirror=False)
    assert taking.archive()["state"] == "done"

    page.goto(f"{served.url}/take-in/{taking.id}")
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator("#ending-title")).to_have_text("Archived")
    expect(page.locator(".message-bad")).to_have_count(0)
    page.wait_for_load_state("networkidle")
    page.get_by_role("button", name="Close the visit").last.click()
    expect(page.get_by_text("No draft is waiting.")).to_be_visible()
    # What the list still fetches is not to be cut off by the end of the server.
    page.wait_for_load_state("networkidle")


def test_pictures_of_another_day_go_into_their_own_visit_by_one_press(
    page: Page, served: Served, tmp_path: Path
) -> None:
    # The last two of four were taken on another day.
    files = card(tmp_path / "card", 4)
    for file in files[2:]:
        exif = piexif.load(str(file))
        exif["Exif"][piexif.ExifIFD.DateTimeOriginal] = (
            b"2025:11:12 10:00:0" + file.stem[-1:].encode()
        )
        piexif.insert(piexif.dump(exif), str(file))
    new_draft(page, served)
    add(page, files)
    by_hand(page, "P-77", day="2026-03-04")
    expect(page.locator("#days")).to_contain_text("2 of these 4 were taken on November 12, 2025.")
    page.get_by_role("button", name="Take them into a visit of their own").click()
    expect(page.locator(".tile[data-digest]")).to_have_count(2)
    expect(page.locator("#archive-words")).to_have_text("Archive 2 pictures")
    page.get_by_role("link", name="Go there").click()
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator(".tile[data-digest]")).to_have_count(2)
    expect(page.locator("#whom-name")).to_contain_text("Okafor")
    expect(page.locator("#whom-visit")).to_contain_text("2025-11-12")
    expect(page.locator("#days")).to_be_hidden()

    # Days to come are asked about, and taken when the answer is the same press again.
    page.locator("#whom-open").click()
    page.get_by_label("Birth date").fill("2999-01-01")
    page.get_by_role("button", name="Take these").click()
    expect(page.locator("#whom-problems")).to_contain_text(
        "Birth date is in the future: 2999-01-01"
    )
    page.get_by_role("button", name="Take these").click()
    expect(page.locator("#whom")).not_to_be_visible()

    # On a narrow screen the arches stand in the window's own width, in one row each.
    page.set_viewport_size({"width": 1024, "height": 768})
    page.get_by_role("button", name="Choose", exact=True).click()
    boxes = (
        page.locator(".teeth-row")
        .first.locator(".tooth-key")
        .evaluate_all("keys => keys.map((key) => key.getBoundingClientRect().toJSON())")
    )
    assert len({box["top"] for box in boxes}) == 1
    assert min(min(box["width"], box["height"]) for box in boxes) >= 44
    assert boxes[-1]["right"] <= 1024

"""Compare in a real browser: every mode, every warning, what is kept, and what is refused."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Page, Route, expect
from web_pictures import clinic, journalled
from web_serving import TABLET, Client, Served, serious, serve

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.teeth import Tooth
from archiver.sheets import plates
from archiver.sheets.lettering import Face, write
from archiver.vision.opencv import cv2

#: Aligning takes seconds of processor, and tests share a machine.
PATIENCE = 120_000


@pytest.fixture(scope="module")
def served(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    running = serve(clinic(demo, tmp_path_factory.mktemp("clinic")))
    yield running
    assert running.stop() == 0, running.errors


@pytest.fixture(scope="module")
def uids(served: Served) -> dict[str, str]:
    """Occlusal pictures of tooth 16 by date, and others by what they are."""
    question = Query(patient_id="P-1042", teeth=(Tooth(1, 6),), view="occlusal", modality="XC")
    with Archive.open(served.archive, read_only=True) as archive:
        found = {
            r.study_date: r.sop_instance_uid
            for r in archive.query(question)
            if r.tooth_found == "named" and (r.role == "derived" or r.study_date == "2025-01-14")
        }
        arch = archive.query(Query(patient_id="P-1042", view="upper occlusal arch"))
        found["arch"] = next(r.sop_instance_uid for r in arch if r.role == "derived")
        other = archive.query(Query(patient_id="P-1107", role="derived", limit=1))
        found["other patient"] = other[0].sop_instance_uid
        found["radiograph"] = archive.query(Query(modality="IO", limit=1))[0].sop_instance_uid
    return found


NOW, THEN, FIRST, WRONG = "2026-02-24", "2024-03-19", "2024-02-13", "2025-01-14"


def path_of(uids: dict[str, str], *which: str) -> str:
    return "/compare?" + "&".join(f"of={uids[one]}" for one in which)


def compare(page: Page, served: Served, uids: dict[str, str], *which: str) -> None:
    """Open a comparison and wait until all that can be aligned is."""
    page.set_default_timeout(PATIENCE)
    page.goto(served.url + path_of(uids, *which))
    page.wait_for_selector("[data-stage][data-ready=yes]", timeout=PATIENCE)
    drawn(page)


def drawn(page: Page) -> None:
    page.evaluate("() => new Promise((r) => requestAnimationFrame(() => requestAnimationFrame(r)))")
    page.wait_for_selector("[data-stage][data-drawn=whole]", timeout=PATIENCE)


def mode(page: Page, name: str) -> None:
    page.get_by_label(name, exact=True).check()
    drawn(page)


def canvas(page: Page, n: int = 0) -> np.ndarray:
    """The pixels of a pane as they are on the screen."""
    data = page.locator("[data-stage] canvas").nth(n).evaluate("one => one.toDataURL()")
    import base64

    stream = base64.b64decode(data.partition(",")[2])
    return np.asarray(Image.open(io.BytesIO(stream)).convert("RGB")).astype(int)


def apart(one: np.ndarray, other: np.ndarray) -> float:
    return float(np.abs(one - other).mean())


def kept(page: Page, kind: str) -> tuple[str, Image.Image]:
    """Keep what is seen, or the sheet; return its name and the picture."""
    with page.expect_download(timeout=PATIENCE) as download:
        page.click(f"[data-keep={kind}]")
    path = download.value.path()
    with Image.open(path) as picture:
        return download.value.suggested_filename, picture.convert("RGB")


def says(picture: Image.Image, text: str, face: Face, ink: str, paper: str = "#FFFFFF") -> bool:
    """Whether a line stands somewhere in a picture, by looking for its pixels."""
    made = Image.new("RGB", (face.size * len(text), face.size * 2), paper)
    pen = ImageDraw.Draw(made)
    end = write(pen, (4, round(face.size * 1.3)), text, face, ink)
    line = np.asarray(made.crop((2, face.size // 3, end + 2, round(face.size * 1.55))))
    whole = np.asarray(picture)
    return float(cv2.matchTemplate(whole, line, cv2.TM_CCOEFF_NORMED).max()) > 0.97


# -- opening


def test_a_picture_leads_to_its_earlier_ones(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    page.set_default_timeout(PATIENCE)
    page.goto(f"{served.url}/find/picture/{uids[NOW]}")
    with page.expect_navigation():
        page.get_by_role("link", name="Compare with earlier pictures").click()
    found = re.findall(r"of=([0-9.]+)", page.url)
    assert found == [uids[NOW], uids[WRONG], uids[THEN], uids[FIRST]]
    days = page.locator(".date strong").all_inner_texts()
    assert days == [FIRST, THEN, WRONG, NOW]


def test_an_earlier_picture_is_laid_on_the_newest_and_the_figures_are_told(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    assert page.locator("[data-stage]").get_attribute("data-aligned") == "yes"
    told = page.locator("[data-figures]").inner_text()
    residual = re.search(r"Aligned to (\d+\.\d) pixels", told)
    assert residual and float(residual[1]) < 3
    assert re.search("Colours are not compared, because .*their cameras differ", told)
    words = page.locator(".comparing-words").inner_text()
    assert "can hide a change or feign one" in words
    assert "never decides the side or the tooth" in words
    assert "1 year 11 months before" in page.locator(".dates").inner_text()
    heads = page.locator(".pane-head").all_inner_texts()
    assert all("ISO 16 · Univ. 3, occlusal" in head for head in heads)
    assert all("Side confirmed" in head for head in heads)
    letters = [page.locator(f".pane .edge-{e}").inner_text() for e in ("left", "right", "top")]
    assert letters == ["R", "L", "A"]


def test_aligning_is_stopped_by_the_person_and_goes_on(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    # The server is too quick to be stopped in a test; what it tells of the task is put in.
    cancels: list[str] = []

    def told(route: Route) -> None:
        state = "cancelled" if cancels else "running"
        snapshot = {"state": state, "done": 0, "total": 2, "words": "", "problems": []}
        body = f"retry: 50\ndata: {json.dumps(snapshot)}\n\n"
        route.fulfill(headers={"content-type": "text/event-stream"}, body=body)

    page.route("**/tasks/*/events", told)
    page.on("request", lambda r: cancels.append(r.url) if r.url.endswith("/cancel") else None)
    page.goto(served.url + path_of(uids, THEN, FIRST, NOW))
    expect(page.get_by_text("Aligning the pictures: 0 of 2")).to_be_visible()
    page.get_by_role("button", name="Stop aligning").click()
    expect(page.get_by_text("Stopped: 0 of 2 aligned")).to_be_visible()
    assert len(cancels) == 1
    go = page.get_by_role("button", name="Go on aligning")
    expect(go).to_be_focused()
    page.unroute("**/tasks/*/events")
    go.press("Enter")
    page.wait_for_selector("[data-stage][data-ready=yes]", timeout=PATIENCE)
    expect(go).not_to_be_visible()
    assert page.locator("[data-stage]").get_attribute("data-aligned") == "yes"


def test_the_seam_moves_by_pointer_and_keys_and_parts_the_two_dates(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    seam = page.get_by_role("slider", name="Seam between the two dates")
    seam.focus()
    page.keyboard.press("Home")
    drawn(page)
    newest = canvas(page)
    page.keyboard.press("End")
    drawn(page)
    earlier = canvas(page)
    assert apart(newest, earlier) > 2
    assert seam.get_attribute("aria-valuetext") == "100 percent from the left"
    box = page.locator("[data-stage] canvas").bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] - 3, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60, steps=5)
    page.mouse.up()
    drawn(page)
    parted = canvas(page)
    middle = round(float(seam.get_attribute("aria-valuenow") or 0) / 100 * parted.shape[1])
    assert 0.4 * parted.shape[1] < middle < 0.6 * parted.shape[1]
    assert apart(parted[:, : middle - 12], earlier[:, : middle - 12]) < 0.5
    assert apart(parted[:, middle + 12 :], newest[:, middle + 12 :]) < 0.5


def test_aligned_pictures_agree_where_unaligned_ones_do_not(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    mode(page, "Side by side")
    high, wide = canvas(page).shape[:2]
    tooth = (slice(high // 3, 2 * high // 3), slice(wide // 3, 2 * wide // 3))
    aligned = apart(canvas(page, 0)[tooth], canvas(page, 1)[tooth])
    assert aligned < 12
    assert page.locator(".pane").count() == 2


def test_side_by_side_both_move_and_grow_together(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    mode(page, "Side by side")
    stage = page.locator("[data-stage]")
    before = canvas(page, 0), canvas(page, 1)
    for key in ("+", "+", "+", "ArrowRight", "ArrowDown"):
        stage.press(key)
    drawn(page)
    box = page.locator("[data-stage] canvas").nth(1).bounding_box()
    assert box
    page.mouse.move(box["x"] + 200, box["y"] + 200)
    page.mouse.wheel(0, -300)
    page.mouse.down()
    page.mouse.move(box["x"] + 240, box["y"] + 170, steps=3)
    page.mouse.up()
    drawn(page)
    after = canvas(page, 0), canvas(page, 1)
    assert apart(before[0], after[0]) > 3 and apart(before[1], after[1]) > 3
    high, wide = after[0].shape[:2]
    inner = (slice(high // 4, 3 * high // 4), slice(wide // 4, 3 * wide // 4))
    # The same place of the same tooth is in the middle of both.
    assert apart(after[0][inner], after[1][inner]) < 14


def test_several_earlier_dates_stand_beside_the_newest(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, FIRST, THEN, WRONG, NOW)
    mode(page, "Side by side")
    page.get_by_label("Several earlier dates beside the newest").check()
    drawn(page)
    assert page.locator(".pane .when").all_inner_texts() == [FIRST, THEN, WRONG, NOW]
    assert f"{WRONG}: Mirror-reversed" in page.locator("[data-notices]").inner_text()
    told = page.locator("[data-figures]").inner_text()
    assert f"{FIRST}: Aligned to" in told and f"{THEN}: Aligned to" in told
    named, picture = kept(page, "seen")
    assert named == f"comparison-{FIRST}-{THEN}-{WRONG}-{NOW}.png"
    for day in (FIRST, THEN, WRONG, NOW):
        assert says(picture, day, Face(36, bold=True), plates.INK)
    assert picture.width > 3000


@pytest.mark.parametrize(
    "matrix",
    [
        [0.3, -0.05, 200, 0.05, 0.3, 90, 0, 0, 1],
        [0.11, -0.03, 300, 0.03, 0.11, 190, 0, 0, 1],
        [0.3, 0.06, 130, -0.04, 0.3, 160, 2e-5, -1e-5, 1],
        [1.1, 0.2, -600, -0.1, 1.05, -300, 1e-5, 1e-5, 1],
    ],
)
def test_no_gap_shows_between_the_parts_of_a_picture(
    page: Page, served: Served, matrix: list[float]
) -> None:
    page.goto(served.url + "/compare")
    found = page.evaluate(
        """async (matrix) => {
          const { TiledPicture, inverse, place } = await import("/static/compare/tiles.js");
          const [columns, rows, tile, overlap] = [3000, 2000, 512, 2];
          const make = (url) => {
            const [column, row] = url.split("/").slice(-2).map(Number);
            const one = document.createElement("canvas");
            one.width = Math.min(tile + overlap, columns - column * tile);
            one.height = Math.min(tile + overlap, rows - row * tile);
            const pen = one.getContext("2d");
            pen.fillStyle = "#808080";
            pen.fillRect(0, 0, one.width, one.height);
            return one;
          };
          const level = { reduction: 1, columns, rows, left: 0, top: 0 };
          const shown = { columns, rows, tile, overlap, tiles: "", levels: [level] };
          const picture = new TiledPicture(shown);
          const canvas = document.createElement("canvas");
          [canvas.width, canvas.height] = [1200, 800];
          const pen = canvas.getContext("2d", { alpha: false });
          picture.draw(pen, matrix, [0, 0, 1200, 800], { get: make }, []);
          const back = inverse(matrix);
          const pixels = pen.getImageData(0, 0, 1200, 800).data;
          let [inside, gaps] = [0, 0];
          for (let y = 0; y < 800; y++)
            for (let x = 0; x < 1200; x++) {
              const [u, v] = place(back, x + 0.5, y + 0.5);
              if (u < 20 || v < 20 || u > columns - 20 || v > rows - 20) continue;
              inside++;
              if (Math.abs(pixels[4 * (1200 * y + x)] - 128) > 2) gaps++;
            }
          return [inside, gaps];
        }""",
        matrix,
    )
    assert found[0] > 50_000
    assert found[1] == 0


def test_two_fingers_change_the_size(page: Page, served: Served, uids: dict[str, str]) -> None:
    compare(page, served, uids, THEN, NOW)
    before = page.locator("[data-zoom-now]").inner_text()
    page.evaluate("""() => {
      const stage = document.querySelector("[data-stage]");
      stage.setPointerCapture = () => {};
      const canvas = stage.querySelector("canvas");
      const box = canvas.getBoundingClientRect();
      const send = (type, pointerId, x) => canvas.dispatchEvent(new PointerEvent(type, {
        bubbles: true, pointerId, pointerType: "touch", button: type === "pointermove" ? -1 : 0,
        clientX: box.left + x, clientY: box.top + 150 }));
      send("pointerdown", 11, 300); send("pointerdown", 12, 400);
      for (let n = 0; n <= 10; n++) {
        send("pointermove", 11, 300 - 8 * n);
        send("pointermove", 12, 400 + 8 * n);
      }
      send("pointerup", 11, 220); send("pointerup", 12, 480);
    }""")
    drawn(page)
    grown = int(page.locator("[data-zoom-now]").inner_text().split()[0])
    assert 2.2 < grown / int(before.split()[0]) < 3.0


def test_blinking_is_by_press_until_it_is_asked_for_and_never_faster_than_twice_a_second(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    mode(page, "Blink")
    stage = page.locator("[data-stage]")
    newest = canvas(page)
    page.wait_for_timeout(1200)
    assert stage.get_attribute("data-showing") == "newest"
    stage.press("Space")
    drawn(page)
    assert stage.get_attribute("data-showing") == "earlier"
    assert apart(canvas(page), newest) > 2
    assert THEN in page.locator(".pane-head.is-here").inner_text()
    page.get_by_role("button", name="Show the other date").click()
    assert stage.get_attribute("data-showing") == "newest"
    page.evaluate("""() => {
      window.changes = [];
      new MutationObserver(() => window.changes.push(performance.now())).observe(
        document.querySelector("[data-stage]"), { attributeFilter: ["data-showing"] });
    }""")
    page.select_option("[data-rate]", "500")
    page.get_by_label("Change by itself").check()
    for _ in range(100):
        page.wait_for_timeout(300)
        times = page.evaluate("window.changes")
        if len(times) >= 4:
            break
    assert len(times) >= 4
    assert times[-1] - times[0] > 450 * (len(times) - 1)
    mode(page, "Seam")
    page.wait_for_timeout(100)
    count = page.evaluate("window.changes.length")
    page.wait_for_timeout(1200)
    assert page.evaluate("window.changes.length") == count


def test_where_little_motion_is_wanted_nothing_changes_by_itself(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    page.emulate_media(reduced_motion="reduce")
    compare(page, served, uids, THEN, NOW)
    mode(page, "Blink")
    assert not page.get_by_label("Change by itself").is_visible()
    assert "asks for little motion" in page.locator("[data-under=blink]").inner_text()
    page.locator("[data-stage]").press("Space")
    assert page.locator("[data-stage]").get_attribute("data-showing") == "earlier"


def test_the_difference_has_a_legend_and_can_be_faded(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    seam = page.get_by_role("slider", name="Seam between the two dates")
    seam.focus()
    page.keyboard.press("Home")
    drawn(page)
    newest = canvas(page)
    mode(page, "Difference")
    assert apart(canvas(page), newest) > 20
    expect(page.locator(".legend")).to_be_visible()
    legend = page.locator(".legend").inner_text()
    assert "CIEDE2000" in legend and "20+" in legend and "0.8 and 1.8" in legend
    assert page.locator(".legend-mark").count() == 2
    page.locator("[data-strength]").fill("0")
    drawn(page)
    assert apart(canvas(page), newest) < 0.5


def test_keys_choose_modes_dates_and_the_seam(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, FIRST, THEN, NOW)
    stage = page.locator("[data-stage]")
    for key, name in (("b", "blink"), ("t", "side"), ("d", "difference"), ("s", "seam")):
        stage.press(key)
        assert stage.get_attribute("data-mode") == name
        assert page.locator(f'input[name=mode][value="{name}"]').is_checked()
    stage.press("]")
    seam = page.get_by_role("slider", name="Seam between the two dates")
    assert seam.get_attribute("aria-valuenow") == "52"
    earlier = page.locator("input[name=earlier]:checked")
    assert earlier.get_attribute("value") == uids[THEN]
    stage.press(",")
    assert earlier.get_attribute("value") == uids[FIRST]
    stage.press(".")
    assert earlier.get_attribute("value") == uids[THEN]
    stage.press("1")
    assert page.locator("[data-zoom-now]").inner_text() == "100 %" or drawn(page) is None


# -- warnings


def test_a_mirror_reversed_picture_is_an_alarm_and_kept_for_the_audit(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, WRONG, NOW)
    alarm = page.locator("[data-notices] .notice-bad")
    assert "Mirror-reversed" in alarm.inner_text() and "patient or the chart" in alarm.inner_text()
    assert "of the picture of 2025-01-14" in page.locator("main").inner_text()
    stage = page.locator("[data-stage]")
    assert stage.get_attribute("data-aligned") == "no"
    assert stage.get_attribute("data-mode") == "side"
    assert "Side not confirmed" in page.locator(".pane-head").first.inner_text()
    lines = (served.archive / "findings" / "wrong-way.jsonl").read_text("utf-8").splitlines()
    told = [json.loads(line) for line in lines]
    assert {one["outcome"] for one in told if one["sop"] == uids[WRONG]} == {"failed"}
    mode(page, "Difference")
    assert "no difference to show" in page.locator("[data-notices]").inner_text()
    assert not serious(page)


def test_what_cannot_be_aligned_says_why_and_is_shown_as_it_is(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, "arch", NOW)
    told = page.locator("[data-notices]").inner_text()
    assert re.search(r"Not aligned, shown as they are: \S+", told)
    assert "do not name the same tooth and view" in told
    assert page.locator("[data-stage]").get_attribute("data-mode") == "side"
    assert "upper occlusal arch" in page.locator(".dates").inner_text()
    # Nothing is aligned, so that there is no difference which a legend could explain.
    mode(page, "Difference")
    assert "There is no difference to show" in page.locator("[data-notices]").inner_text()
    expect(page.locator(".legend")).not_to_be_visible()


# -- what is kept


@pytest.mark.parametrize("name", ["Seam", "Side by side", "Difference", "Blink"])
def test_what_is_kept_is_what_is_seen_with_its_labels(
    page: Page, served: Served, uids: dict[str, str], name: str
) -> None:
    compare(page, served, uids, THEN, NOW)
    mode(page, name)
    stage = page.locator("[data-stage]")
    for key in ("+", "+", "ArrowLeft"):
        stage.press(key)
    drawn(page)
    screen = canvas(page)
    named, picture = kept(page, "seen")
    assert named == f"comparison-{THEN}-{NOW}.png"
    assert says(picture, "Marchetti, Rowan", Face(42, bold=True), plates.INK)
    assert says(picture, "ISO 16 · Univ. 3", Face(38, bold=True), plates.INK)
    assert says(picture, NOW, Face(36, bold=True), plates.INK)
    assert says(picture, "Side confirmed", Face(32, bold=True), plates.ACCENT)
    if name != "Blink":
        assert says(picture, THEN, Face(36, bold=True), plates.INK)
    assert says(picture, "R right · L left · A front", Face(23), plates.SOFT)
    if name == "Difference":
        assert says(picture, "Difference of colour, CIEDE2000", Face(26, bold=True), plates.INK)
    # The pixels are those of the screen, made anew: the place is found at the scale of the view.
    pixels = np.asarray(picture).astype(np.uint8)
    ratio = max(1.0, min(3.0, 1400 / screen.shape[1]))
    small = cv2.resize(pixels, None, fx=1 / ratio, fy=1 / ratio, interpolation=cv2.INTER_AREA)
    high, wide = screen.shape[:2]
    # The hands of the seam are no part of the picture.
    part = screen[high // 4 : 3 * high // 4, wide // 8 : wide // 3].astype(np.uint8)
    assert float(cv2.matchTemplate(small, part, cv2.TM_CCOEFF_NORMED).max()) > 0.98


def test_the_alarm_of_a_reversed_picture_is_on_what_is_kept(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, WRONG, NOW)
    _, picture = kept(page, "seen")
    words = "Mirror-reversed: only the reflection of the earlier picture fits."
    assert says(picture, words, Face(26, bold=True), plates.ALARM, plates.ALARM_PAPER)
    assert says(
        picture,
        "Side not confirmed",
        Face(32, bold=True),
        plates.PAPER,
        plates.ALARM,
    )


def test_the_sheet_is_that_of_the_command_line(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    _, picture = kept(page, "sheet")
    assert picture.width == 2400
    assert says(picture, "Split: before left, now right", Face(34, bold=True), plates.INK)


def test_looking_and_keeping_are_journalled_without_the_patient(
    page: Page, served: Served, uids: dict[str, str]
) -> None:
    compare(page, served, uids, THEN, NOW)
    kept(page, "seen")
    lines = journalled(served, "comparison, seam, as seen")
    assert any("pages: comparison" in line and "as seen" not in line for line in lines)
    assert not any("P-1042" in line or "Marchetti" in line for line in lines)


# -- every screen


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_any_mode(
    page: Page, served: Served, uids: dict[str, str], theme: str
) -> None:
    page.emulate_media(color_scheme=theme)
    compare(page, served, uids, "arch", THEN, NOW)
    for name in ("Seam", "Blink", "Side by side", "Difference"):
        mode(page, name)
        assert not serious(page), name


def test_on_a_tablet_nothing_is_cut_off(page: Page, served: Served, uids: dict[str, str]) -> None:
    page.set_viewport_size(TABLET)
    compare(page, served, uids, FIRST, THEN, NOW)
    for name in ("Seam", "Side by side", "Difference"):
        mode(page, name)
        assert page.evaluate("document.documentElement.scrollWidth") <= TABLET["width"]
        box = page.locator("[data-stage]").bounding_box()
        assert box and box["height"] > 400 and box["y"] < 560


# -- what is refused


@pytest.mark.parametrize(
    ("which", "words"),
    [
        ([NOW], "two pictures at least"),
        ([NOW, NOW], "two pictures at least"),
        ([NOW, "other patient"], "different patients"),
        ([NOW, "radiograph"], "Photographs are compared"),
    ],
)
def test_what_cannot_be_compared_is_told(
    served: Served, uids: dict[str, str], which: list[str], words: str
) -> None:
    answer = Client(served).ask(path_of(uids, *which))
    assert answer.status == 400
    assert words in answer.text


def test_a_picture_without_an_earlier_one_is_told(served: Served, uids: dict[str, str]) -> None:
    answer = Client(served).ask(f"/compare/earlier?of={uids[FIRST]}")
    assert answer.status == 404
    assert "no earlier picture" in answer.text


@pytest.mark.parametrize(
    "path",
    [
        "/compare?of=1.2.3&of=1.2.4",
        "/compare?of=..%2F..%2Fetc&of=x",
        "/compare/earlier",
        "/compare/earlier?of=%00",
        "/compare/outcome/1.2/1.3",
        "/compare/difference/1.2/..%2f..",
        "/compare/tile/1.2.3/1/0/0",
        "/compare/tile/..%2f..%2findex.sqlite/1/0/0",
    ],
)
def test_guessed_pictures_are_missing(served: Served, path: str) -> None:
    assert Client(served).ask(path).status in (400, 404)


@pytest.mark.parametrize(
    "tile",
    [
        "1/9999/0",
        "1/0/9999",
        "1/-1/0",
        "1/0/1e3",
        "1/0/%D9%A3",
        "3/0/0",
        "0/0/0",
        "16/0/0",
        "1/99999999999999999999999/0",
        "1/0/0%2f..%2f..",
        "1/0x1/0",
        "1/0/ 0",
    ],
)
def test_absurd_tiles_are_missing(served: Served, uids: dict[str, str], tile: str) -> None:
    answer = Client(served).ask(f"/compare/tile/{uids[NOW]}/{tile.replace(' ', '%20')}")
    assert answer.status == 404


def test_tiles_are_not_kept_by_the_browser(served: Served, uids: dict[str, str]) -> None:
    answer = Client(served).ask(f"/compare/tile/{uids[NOW]}/2/0/0")
    assert answer.status == 200 and answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["cache-control"] == "no-store"


SEEN = {"x": 600, "y": 400, "scale": 0.5, "wide": 600, "high": 400, "seam": 0.5, "strength": 1}


@pytest.mark.parametrize(
    "change",
    [
        {"mode": "other"},
        {"scale": 0},
        {"scale": 1e9},
        {"scale": "NaN"},
        {"wide": 1e6},
        {"high": -4},
        {"seam": 2},
        {"x": None},
        {"of": []},
        {"of": "all"},
        {"of": [1, 2]},
        {"earlier": "1.2.3"},
        {"strength": True},
    ],
)
def test_a_view_that_cannot_be_is_refused(
    served: Served, uids: dict[str, str], change: dict[str, object]
) -> None:
    client = Client(served)
    client.ask("/compare")
    both = [uids[NOW], uids[THEN]]
    body = {"of": both, "earlier": both[1], "mode": "seam", **SEEN, **change}
    headers = {"X-CSRF-Token": client.csrf, "Content-Type": "application/json"}
    for path in ("/compare/seen", "/compare/sheet"):
        answer = client.ask(path, "POST", json.dumps(body).encode(), headers)
        assert answer.status == 400
    without = {"Content-Type": "application/json"}
    assert client.ask("/compare/seen", "POST", json.dumps(body).encode(), without).status == 403


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b'{"of": 3}', b'{"of": ["1.2.3", 4]}', b"null"])
def test_a_wish_to_align_that_is_none_is_refused(served: Served, body: bytes) -> None:
    client = Client(served)
    client.ask("/compare")
    headers = {"X-CSRF-Token": client.csrf, "Content-Type": "application/json"}
    assert client.ask("/compare/align", "POST", body, headers).status == 400

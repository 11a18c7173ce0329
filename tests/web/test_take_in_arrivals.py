"""Pictures that come by themselves, are judged at once, and are never lost or archived unasked."""

from __future__ import annotations

import io
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import httpx
import numpy as np
import piexif
import pytest
from PIL import Image, ImageFilter, ImageOps
from playwright.sync_api import Page, expect
from taking import STUDIES, Taking, card
from web_serving import Served, serious, serve

from archiver.vision import QualityLimits
from archiver.web.pages.take_in.card_gaps import after_pauses
from archiver.web.pages.take_in.draft_retakes import TeethMeasured
from archiver.web.pages.take_in.drafts import Photo

RECALL = STUDIES / "P-1042" / "2026-02-24"
FIRST, SECOND = sorted(RECALL.glob("C70*"))[:2]
#: A sharp photograph of real teeth.
SHARP = Path(__file__).parents[1] / "vision" / "photographs" / "patient_0.left_buccal.jpeg"
#: Seconds that a busy machine may take.
PATIENCE = 60


def test_a_view_that_it_does_not_look_like_is_asked_about_where_the_picture_is_upright() -> None:
    arch = TeethMeasured({}, kind="arch")

    def told(exif: int = 1, **said: object) -> list[str]:
        return arch.findings(said, exif, QualityLimits())

    assert told() == told(view="upper occlusal arch") == told(view="occlusal", teeth="16") == []
    assert told(view="frontal") == told(2, view="right buccal") == ["view"]
    assert told(6, view="frontal") == told(view="face") == told(view="frontal", left_out=True) == []


def settings(tmp_path: Path) -> Path:
    file = tmp_path / "archiver.toml"
    file.write_text('[pages.folders]\n"Chair 1" = "chair"\n"Chair 2" = "away"\n')
    return file


@pytest.fixture(scope="module")
def chair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server whose settings name the folder `chair` beside its archive."""
    folder = tmp_path_factory.mktemp("chair")
    (folder / "chair").mkdir()
    running = serve(folder / "archive", settings=settings(folder))
    yield running
    assert running.stop() == 0, running.errors


def receive(taking: Taking, folder: str = "Chair 1", **more: object) -> dict[str, object]:
    answer = taking.ask("/arrivals", "POST", {"folder": folder, "on": True, **more})
    assert answer.status == 200, answer.text
    told: dict[str, object] = json.loads(answer.body)["folders"][0]
    return told


def until(taking: Taking, fits: Callable[[dict[str, dict[str, object]]], bool]) -> None:
    end = time.monotonic() + PATIENCE
    while not fits(taking.state()["pictures"]):
        assert time.monotonic() < end, taking.state()
        time.sleep(0.05)


def receiving(page: Page, served: Served) -> None:
    """Begin a visit, and ask from where its pictures come."""
    page.goto(f"{served.url}/take-in")
    page.get_by_role("button", name="New visit").click()
    page.wait_for_selector("[data-ready]", state="attached")
    page.locator("#receive-open").click()


def softened(file: Path) -> bytes:
    buffer = io.BytesIO()
    with Image.open(file) as picture:
        picture.filter(ImageFilter.GaussianBlur(4)).save(buffer, "JPEG", quality=92)
    return buffer.getvalue()


def read_code(screenshot: bytes) -> str:
    """Read a QR code as a telephone does."""
    pixels = cv2.imdecode(np.frombuffer(screenshot, np.uint8), cv2.IMREAD_GRAYSCALE)
    return str(cv2.QRCodeDetector().detectAndDecode(pixels)[0])


def test_a_folder_brings_pictures_into_the_visit_that_receives_and_no_kill_loses_one(
    start: Callable[..., Served], tmp_path: Path
) -> None:
    chair = tmp_path / "chair"
    (chair / "DCIM").mkdir(parents=True)
    (chair / "before.JPG").write_bytes(SECOND.read_bytes())
    served = start(tmp_path / "archive", settings=settings(tmp_path))
    taking = Taking(served)
    assert json.loads(taking.ask("/arrivals").body)["folders"][0]["there"] == 1
    assert taking.ask("/arrivals", "POST", {"folder": "Chair 9", "on": True}).status == 422
    assert receive(taking)["on"] is True

    # Half of a file waits; the whole of it comes, once, under whichever names.
    whole = SHARP.read_bytes()
    growing = chair / "DCIM" / "IMG_1.JPG"
    growing.write_bytes(whole[: len(whole) // 2])
    (chair / "notes.txt").write_text("no picture")
    end = time.monotonic() + PATIENCE
    while json.loads(taking.ask("/arrivals").body)["folders"][0]["waiting"] != ["DCIM/IMG_1.JPG"]:
        assert time.monotonic() < end
        time.sleep(0.05)
    assert taking.state()["pictures"] == {}
    with growing.open("ab") as file:
        file.write(whole[len(whole) // 2 :])
    (chair / "copy.jpg").write_bytes(whole)
    until(taking, lambda pictures: len(pictures) == 1)

    # A killed server goes on receiving, and what came meanwhile comes in.
    served.kill()
    (chair / "IMG_2.JPG").write_bytes(softened(SHARP))
    served = start(tmp_path / "archive", settings=settings(tmp_path))
    after = Taking(served, identity=taking.id)
    until(after, lambda pictures: len(pictures) == 2)
    while None in json.loads(after.ask("/doubts").body)["again"].values():
        pass  # asked again, as the page does
    again = {one["name"]: one["again"] for one in after.state()["pictures"].values()}
    assert again["IMG_2.JPG"] == ["Soft: focus on the teeth, then again"]
    assert next(told for name, told in again.items() if name != "IMG_2.JPG") == []
    assert after.state()["state"] == "open"  # nothing is archived unasked

    # What comes for nobody waits for who takes it; another visit that receives ends this.
    assert after.ask("/arrivals", "POST", {"on": False}).status == 200
    (chair / "late.JPG").write_bytes(SECOND.read_bytes())
    assert receive(after)["on"] is True
    other = Taking(served)
    (chair / "later.JPG").write_bytes(softened(SECOND))
    until(after, lambda pictures: len(pictures) == 3)
    assert "late.JPG" not in {one["name"] for one in after.state()["pictures"].values()}
    assert receive(other, with_those_there=True)["on"] is True
    assert json.loads(after.ask("/arrivals").body)["folders"][0]["elsewhere"] is True
    assert other.ask("/discard", "POST", {}).status == 200
    assert served.stop() == 0


def test_the_page_shows_what_comes_with_what_to_do_about_it_in_every_window(
    page: Page, chair: Served
) -> None:
    served = chair
    receiving(page, served)
    page.get_by_role("button", name="Receive from Chair 1").click()
    expect(page.locator("#receiving")).to_contain_text("Pictures from Chair 1")
    second = page.context.new_page()
    second.goto(page.url)
    second.wait_for_selector("[data-ready]", state="attached")

    (served.archive.parent / "chair" / "IMG_1.JPG").write_bytes(softened(FIRST))
    for window in (page, second):
        tile = window.locator(".tile[data-digest]")
        expect(tile).to_contain_text("Soft: focus on the teeth, then again")
        expect(window.locator("#strip-again")).to_have_text(
            "1 picture to look at, or to take again"
        )
    page.reload()
    expect(page.locator(".tile[data-digest]")).to_contain_text("Soft")
    page.locator("#receiving-stop").click()
    for window in (page, second):
        expect(window.locator("#receiving")).to_be_hidden()
    second.close()
    page.goto("about:blank")


def test_a_telephone_is_let_in_once_by_a_code_and_can_bring_pictures_alone(
    page: Page, chair: Served
) -> None:
    served = chair
    receiving(page, served)
    with page.expect_response("**/telephone") as answered:
        page.locator("#receive-code").click()
    link = answered.value.json()["url"]
    drawn = page.locator(".qr-code")
    drawn.scroll_into_view_if_needed()
    assert read_code(drawn.screenshot()) == link
    page.keyboard.press("Escape")

    browser = page.context.browser
    assert browser
    telephone = browser.new_context(viewport={"width": 390, "height": 844})
    hand = telephone.new_page()
    hand.goto(link)
    hand.set_input_files("#shoot", str(FIRST))
    expect(hand.locator("#brought")).to_contain_text("there")
    expect(page.locator(".tile[data-digest]")).to_have_count(1)
    expect(page.locator("#receiving")).to_contain_text("A telephone brings pictures")
    assert serious(hand) == []
    hand.reload()  # who was let in stays so
    expect(hand.locator("#shoot")).to_be_enabled()

    # Somebody else is not let in by the same code, and a telephone sees nothing.
    taking = Taking(served)
    assert taking.client.ask(link[len(served.url) :]).status == 410
    key = {one["name"]: one["value"] for one in telephone.cookies()}
    (cookie,) = [f"{name}={value}" for name, value in key.items() if name.endswith("telephone")]
    token = hand.locator('meta[name="csrf"]').get_attribute("content") or ""
    headers = {"Cookie": cookie, "X-CSRF-Token": token, "Accept": "application/json"}
    asked = taking.client.ask
    assert asked("/telephone", "PUT", b"x", headers).status == 422
    page.locator("#receiving-stop").click()
    expect(page.locator("#receiving")).to_be_hidden()
    assert asked("/telephone", "PUT", b"x", headers).status == 403
    telephone.close()
    page.goto("about:blank")


def test_a_telephone_brings_into_the_visit_whose_code_it_was_shown_last(chair: Served) -> None:
    visits = [Taking(chair), Taking(chair)]
    links = [json.loads(one.ask("/telephone", "POST", {}).body)["url"] for one in visits]
    with httpx.Client(timeout=PATIENCE) as phone:
        for mine, link in zip(visits, links, strict=True):
            opened = phone.get(link)
            assert opened.status_code == 200
            token = opened.text.partition('<meta name="csrf" content="')[2].partition('"')[0]
            sent = {"X-CSRF-Token": token, "Accept": "application/json"}
            bring = f"{chair.url}/telephone"
            assert phone.put(bring, content=FIRST.read_bytes(), headers=sent).status_code == 201
            assert len(mine.state()["pictures"]) == 1
            assert phone.get(link).status_code == 200, "the page was loaded again"
        # A code that is used up does not lead into the visit of another.
        assert phone.get(links[0]).status_code == 410
    assert [len(one.state()["pictures"]) for one in visits] == [1, 1]


def _photo(n: int, time: str) -> Photo:
    captured = f"2026-03-04T{time}" if time else ""
    return Photo(f"{n:064x}", f"IMG_{n}.JPG", "jpg", "JPEG", 1, 6, 4, 1, captured, (8, 8), ())


def _entry(patient: str, time: str) -> dict[str, dict[str, str]]:
    return {"patient": {"id": patient}, "visit": {"date": "2026-03-04", "time": time}, "study": {}}


@pytest.mark.parametrize(
    ("times", "visits", "told"),
    [
        (("09:00:00", "09:29:59"), (), []),
        (("09:00:00", "09:30:00", "09:31:00"), (), [(2, 30, None)]),
        (("09:00:00", "09:40:00", "11:00:00"), (), [(1, 40, None), (1, 80, None)]),
        (("09:00:00", "09:40:00"), (("A", "08:55:00"),), []),  # a long visit
        (("09:00:00", "09:40:00"), (("A", "08:55:00"), ("B", "09:45:00")), [(1, 40, "B")]),
        (("09:00:00", ""), (), []),
    ],
)
def test_pictures_after_a_pause_are_told_with_whom_the_worklist_has_then(
    times: tuple[str, ...],
    visits: tuple[tuple[str, str], ...],
    told: list[tuple[int, int, str | None]],
) -> None:
    entries = [_entry(*one) for one in visits]
    photos = [_photo(n, time) for n, time in enumerate(times)]
    found = after_pauses(photos, lambda when: entries)
    assert [
        (len(o.digests), o.pause.seconds // 60, o.visit["patient"]["id"] if o.visit else None)
        for o in found
    ] == told


def test_pictures_after_a_pause_go_into_a_visit_of_nobody_yet(
    chair: Served, tmp_path: Path
) -> None:
    files = card(tmp_path / "card", 3)
    exif = piexif.load(str(files[2]))
    exif["Exif"][piexif.ExifIFD.DateTimeOriginal] = b"2026:03:04 15:30:00"
    piexif.insert(piexif.dump(exif), str(files[2]))
    one = Taking(chair)
    assert one.change(patient={"id": "P-1", "name": "Okafor^Nadia"}).status == 200
    digests = one.take(files)
    [found] = json.loads(one.ask("/arrivals").body)["pauses"]
    assert (found["pause"], found["n"], found["whose"]) == (digests[2], 1, "")
    where = json.loads(one.ask("/split", "POST", {"pause": digests[2]}).body)["where"]
    new = Taking(chair, identity=where.rpartition("/")[2]).state()
    assert [*new["pictures"]] == [digests[2]] and new["patient"] == {}
    assert new["visit"] == {"date": "2026-03-04"}
    assert sorted(one.state()["pictures"]) == sorted(digests[:2])
    assert one.ask("/split", "POST", {"pause": digests[0]}).status == 422


def test_a_picture_of_a_visits_code_separates_the_patients_of_a_card(
    chair: Served,
) -> None:
    one, other = Taking(chair), Taking(chair)
    assert other.change(patient={"id": "P-2", "name": "Okafor^Nadia"}).status == 200
    rows = json.loads(other.ask("/separator").body)["code"]
    assert "OKAFOR" not in json.dumps(rows)
    code = Image.new("L", (len(rows) + 8, len(rows) + 8), 255)
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            code.putpixel((x + 4, y + 4), 255 * (dark == "0"))
    shot = Image.new("RGB", (1200, 800), (120, 130, 120))
    through_mirror = ImageOps.mirror(code.resize((400, 400), 0)).rotate(20, fillcolor=255)
    shot.paste(through_mirror, (400, 200))
    buffer = io.BytesIO()
    shot.save(buffer, "JPEG", quality=90)

    # None of them says when it was taken: they come in the order of their names.
    for name, octets in (
        ("IMG_1.JPG", FIRST.read_bytes()),
        ("IMG_2.JPG", buffer.getvalue()),
        ("IMG_3.JPG", SECOND.read_bytes()),
    ):
        bare = Image.open(io.BytesIO(octets))
        again = io.BytesIO()
        bare.save(again, "JPEG", quality=92)
        assert one.upload(again.getvalue(), name).status == 201
    told = json.loads(one.ask("/doubts").body)
    while None in told["again"].values():
        told = json.loads(one.ask("/doubts").body)
    [found] = told["separators"]
    assert (found["n"], found["whose"], found["mine"]) == (1, "Okafor, Nadia", False)
    assert one.ask("/split", "POST", {"separator": found["separator"]}).status == 200
    state = one.state()
    names = {photo["name"]: photo["said"] for photo in state["pictures"].values()}
    assert names == {"IMG_1.JPG": {}, "IMG_2.JPG": {"left_out": True}}
    assert [photo["name"] for photo in other.state()["pictures"].values()] == ["IMG_3.JPG"]
    assert one.ask("/split", "POST", {"separator": found["separator"]}).status == 422

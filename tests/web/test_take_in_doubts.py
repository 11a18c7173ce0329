"""What speaks against a picture is told in Take in before anybody is asked about its side."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from time import sleep
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect
from taking import Taking
from web_serving import Served, Watch, copy_of, serve

from archiver import Archive, cli
from tests.photo.camera_files import camera_exif, camera_jpeg, thumbnail
from tests.vision.second_visits import second_visit

Pixels = NDArray[np.uint8]
PHOTOGRAPHS = Path(__file__).parents[1] / "vision" / "photographs"
PATIENT = {"id": "P-0417", "name": "Okafor^Nadia"}
#: Windows, the last two a telephone and 1280 x 800 at 200 %.
WINDOWS = {"desk": (1440, 900), "small": (1024, 768), "telephone": (390, 844), "200": (640, 400)}
WHOLE = """(all) => all.filter((which) => {
  const box = document.querySelector(which).getBoundingClientRect();
  return box.top < 0 || box.left < 0 || box.bottom > innerHeight || box.right > innerWidth;
})"""


@cache
def photograph(name: str) -> Pixels:
    return np.asarray(Image.open(PHOTOGRAPHS / f"patient_{name}.jpeg").convert("RGB"))


@cache
def second(name: str) -> Pixels:
    """The same teeth at another visit: held, lit and framed otherwise."""
    return second_visit(photograph(name), 7).pixels


def file_of(pixels: Pixels, made_from: Pixels | None = None, orientation: int = 1) -> bytes:
    """A camera's file; its thumbnail is of other pixels where a program changed these."""
    picture = Image.fromarray(np.ascontiguousarray(pixels))
    before = picture if made_from is None else Image.fromarray(np.ascontiguousarray(made_from))
    exif = camera_exif(picture, thumbnail(before), orientation=orientation)
    return camera_jpeg(picture, exif)


def draft(
    served: Served, octets: bytes, day: str = "2026-03-04", **said: object
) -> tuple[Taking, str]:
    """A draft of one picture of the patient, of which something is said."""
    taking = Taking(served)
    digest = json.loads(taking.upload(octets, "IMG_0417.JPG").body)["picture"]["digest"]
    assert taking.change(patient=PATIENT, visit={"date": day}).status == 200
    taking.say(digest, mirror=False, **said)
    return taking, digest


def weighed(taking: Taking, digest: str) -> list[dict[str, Any]]:
    """Wait until the picture is weighed; return its doubts."""
    while True:
        found = taking.state()["pictures"][digest]["doubts"]
        if found is not None:
            return list(found)
        sleep(0.1)


@pytest.fixture(scope="module")
def visited(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive that has an earlier visit: both sides, and the upper arch."""
    served = serve(tmp_path_factory.mktemp("earlier") / "archive")
    for view, name in (
        ("left buccal", "0.left_buccal"),
        ("right buccal", "0.right_buccal"),
        ("upper occlusal arch", "0.upper_occlusal"),
    ):
        taking, digest = draft(served, file_of(photograph(name)), "2025-03-04", view=view)
        taking.confirm(digest)
        assert taking.archive()["state"] == "done"
    assert served.stop() == 0, served.errors
    return served.archive


@pytest.fixture
def served(visited: Path, tmp_path: Path) -> Iterator[Served]:
    running = serve(copy_of(visited, tmp_path / "archive"))
    yield running
    if running.process.poll() is None:
        running.kill()


def opened(page: Page, served: Served, taking: Taking) -> Locator:
    """Open the draft and wait until its picture may be answered; return the question."""
    page.goto(f"{served.url}/take-in/{taking.id}")
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator("#side [data-act=confirm]")).to_be_enabled()
    return page.locator("#side")


def study_of(served: Served, uid: str) -> str:
    """The study of an instance."""
    with Archive.open(served.archive, read_only=True) as archive:
        return archive.held([uid])[uid].study_uid


WRONG = {
    "reflected": (lambda: second("0.left_buccal")[:, ::-1], "reflected", "it is mirror-reversed"),
    "half-turned": (lambda: second("0.left_buccal")[::-1, ::-1], "turned", "it is turned"),
    "another patient's": (lambda: photograph("1.left_buccal"), "other mouth", "another mouth"),
}


@pytest.mark.parametrize(("change", "kind", "words"), WRONG.values(), ids=WRONG)
def test_what_an_earlier_picture_contradicts_is_told_before_the_side_is_asked(
    served: Served, page: Page, change: Callable[[], Pixels], kind: str, words: str
) -> None:
    taking, digest = draft(served, file_of(change()), view="left buccal")
    against = "patient" if kind == "other mouth" else None
    assert [(d["kind"], d["against"]) for d in weighed(taking, digest)] == [(kind, against)]
    question = opened(page, served, taking)
    # It is there when the Yes may be given, above the question, and on the tile.
    assert words in question.locator(".doubts").inner_text()
    assert "2025-03-04" in question.locator(".doubts").inner_text()
    assert question.evaluate(
        "(box) => box.querySelector('.doubts').compareDocumentPosition("
        "box.querySelector('.ask-words')) & Node.DOCUMENT_POSITION_FOLLOWING"
    )
    expect(page.locator(".tile-doubt")).to_contain_text(words)
    expect(question.locator(".earlier")).to_contain_text("2025-03-04")
    if kind == "other mouth":
        question.get_by_role("button", name="I checked the patient").click()
        expect(question.locator(".doubt-answered")).to_contain_text(words)
        assert taking.state()["pictures"][digest]["said"]["checked"] == ["patient"]
        # Of another patient it would have to be checked anew.
        assert taking.change(patient={**PATIENT, "id": "P-0502"}).status == 200
        assert "checked" not in taking.state()["pictures"][digest]["said"]


def test_an_unanswered_doubt_is_told_at_archiving_which_it_does_not_stop_and_in_record(
    served: Served, page: Page, watch: Watch
) -> None:
    taking, digest = draft(served, file_of(second("0.left_buccal")[:, ::-1]), view="left buccal")
    weighed(taking, digest)
    opened(page, served, taking).locator("[data-act=confirm]").click()
    expect(page.locator(".side-done")).to_be_visible()
    expect(page.locator("#side .doubts")).to_contain_text("mirror-reversed")
    page.locator("#archive").click()
    expect(page.locator("#ending")).to_contain_text("IMG_0417.JPG: In doubt: beside the earlier")
    page.get_by_role("button", name="Archive all the same").click()
    expect(page.locator("#ending")).to_contain_text("1 of them")
    page.get_by_role("button", name="Show the first").click()
    expect(page.locator("#result")).to_contain_text("mirror-reversed")
    result = taking.state()["pictures"][digest]["result"]
    page.goto(f"{served.url}/find/picture/{result['instances'][-1]['uid']}")
    expect(page.locator("main")).to_contain_text("found it the wrong way round")
    page.goto(f"{served.url}/record/visit/{study_of(served, result['instances'][-1]['uid'])}")
    expect(page.locator("main")).to_contain_text("found it the wrong way round")
    expect(page.locator(".picture-doubt")).to_contain_text("In doubt: beside the earlier picture")


@pytest.mark.parametrize("which", ["half-turned", "another patient's"])
def test_record_tells_of_what_was_archived_in_doubt(served: Served, page: Page, which: str) -> None:
    change, _, words = WRONG[which]
    taking, digest = draft(served, file_of(change()), view="left buccal")
    weighed(taking, digest)
    assert taking.archive()["state"] == "done"
    uid = taking.state()["pictures"][digest]["result"]["instances"][-1]["uid"]
    page.goto(f"{served.url}/record/visit/{study_of(served, uid)}")
    expect(page.locator(".picture-doubt")).to_contain_text(words)


def test_a_doubt_is_answered_in_the_page_as_by_the_sheet(
    served: Served, page: Page, tmp_path: Path
) -> None:
    before = copy_of(served.archive, tmp_path / "before")
    flipped = second("0.left_buccal")[:, ::-1]
    octets = file_of(flipped, made_from=second("0.left_buccal"))
    taking, digest = draft(served, octets, view="left buccal")
    kinds = [one["kind"] for one in weighed(taking, digest)]
    assert kinds == ["embedded picture", "reflected"]
    question = opened(page, served, taking)
    question.get_by_role("button", name="It was not flipped on a computer").click()
    expect(question.locator(".doubt-answered")).to_have_count(2)
    expect(question.locator(".doubt-open")).to_have_count(0)
    assert taking.state()["pictures"][digest]["said"]["flipped"] == "no"
    as_the_page = [(d["kind"], d["answered"]) for d in weighed(taking, digest)]
    assert as_the_page == [(kind, True) for kind in kinds]
    assert taking.archive()["state"] == "done"
    result = taking.state()["pictures"][digest]["result"]
    assert result["doubts"] == []
    page.goto(f"{served.url}/record/side/{result['instances'][-1]['uid']}")
    expect(page.locator("#doubts")).to_contain_text(
        "Answered when it was archived: the camera's own"
    )
    sheet = served.archive / "pages" / "drafts" / taking.id / "sheet.toml"
    assert as_the_page == [(d["kind"], d["answered"]) for d in wrapped(sheet, before)]


def wrapped(sheet: Path, archive: Path) -> list[dict[str, Any]]:
    """The doubts that `archiver wrap` tells of a sheet with one photograph."""
    report = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdout", report)
        assert cli.main(["wrap", str(sheet), "--archive", str(archive), "--json"]) == 0
    doubts: list[dict[str, Any]] = json.loads(report.getvalue())["photographs"][0]["doubts"]
    return doubts


def test_said_to_be_flipped_as_it_was_it_is_in_doubt_no_more(served: Served, page: Page) -> None:
    flipped = second("0.left_buccal")[:, ::-1]
    octets = file_of(flipped, made_from=second("0.left_buccal"))
    taking, digest = draft(served, octets, view="left buccal")
    weighed(taking, digest)
    question = opened(page, served, taking)
    question.get_by_role("button", name="It was flipped on a computer before").click()
    question.get_by_role("button", name="left to right").click()
    expect(question.locator(".doubt-open")).to_have_count(0)
    found = [(one["kind"], one["answered"]) for one in weighed(taking, digest)]
    assert found == [("embedded picture", True)]


def test_a_turn_by_a_camera_that_looked_up_is_answered_in_the_page(
    served: Served, page: Page
) -> None:
    octets = file_of(photograph("0.upper_occlusal"), orientation=3)
    taking, digest = draft(served, octets, view="upper occlusal arch")
    assert "orientation" in [one["kind"] for one in weighed(taking, digest)]
    question = opened(page, served, taking)
    before = page.locator("#large").get_attribute("class")
    question.get_by_role("button", name="The camera's own turn was wrong").click()
    expect(page.locator("#large")).not_to_have_class(str(before))
    expect(question.locator(".doubt-answered")).to_contain_text("EXIF orientation 3")
    assert taking.state()["pictures"][digest]["said"]["exif_orientation"] == "ignore"
    assert all(one["answered"] for one in weighed(taking, digest))


def test_no_press_waits_for_what_is_weighed_and_it_is_kept_with_the_draft(served: Served) -> None:
    taking, digest = draft(served, file_of(second("0.left_buccal")[:, ::-1]))
    answer = taking.change(pictures={digest: {"view": "left buccal"}})
    assert answer.status == 200
    assert json.loads(answer.body)["pictures"][digest]["doubts"] is None
    found = weighed(taking, digest)
    assert [one["kind"] for one in found] == ["reflected"]
    assert served.stop() == 0, served.errors
    again = serve(served.archive)
    assert Taking(again, identity=taking.id).state()["pictures"][digest]["doubts"] == found
    again.kill()


@pytest.mark.parametrize("size", WINDOWS.values(), ids=WINDOWS)
def test_picture_doubts_question_and_earlier_picture_are_in_view_together(
    served: Served, browser: Browser, watch: Watch, size: tuple[int, int]
) -> None:
    octets = file_of(second("0.left_buccal")[:, ::-1], made_from=second("0.left_buccal"))
    taking, digest = draft(served, octets, view="left buccal")
    assert len(weighed(taking, digest)) == 2
    context = browser.new_context(viewport={"width": size[0], "height": size[1]})
    watch.attach(context)
    page = context.new_page()
    question = opened(page, served, taking)
    expect(question.locator(".earlier")).to_contain_text("Earlier: 2025-03-04")
    expect(question.locator(".earlier .edge-left")).to_have_text("A")
    page.wait_for_function("() => document.querySelector('.earlier img').naturalWidth > 0")
    seen = ["#frame", "#side .doubts", "#side .ask-words", ".earlier"]
    page.wait_for_function(f"() => ({WHOLE})({seen}).length === 0")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    context.close()
    assert not watch.unexpected()


def test_where_no_picture_shows_the_tooth_alone_the_arch_stands_beside_the_question(
    served: Served, page: Page
) -> None:
    octets = file_of(photograph("1.upper_occlusal"))
    taking, _ = draft(served, octets, view="occlusal", teeth="26")
    question = opened(page, served, taking)
    expect(question.locator(".earlier")).to_contain_text("upper occlusal arch")

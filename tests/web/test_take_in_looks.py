"""Small pictures that the browser makes before the files were sent: the same as the server's."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import piexif
import pytest
from PIL import Image, ImageCms
from playwright.sync_api import Page, Route, expect
from taking import card
from test_take_in_pages import kept, new_draft
from web_serving import Served, Watch

COLUMNS, ROWS = 2960, 1968
#: Pixels of a canvas or an image, drawn as stored: rows of [red, green, blue].
PIXELS = """(drawn) => {
  const canvas = document.createElement("canvas");
  canvas.width = drawn.naturalWidth ?? drawn.width;
  canvas.height = drawn.naturalHeight ?? drawn.height;
  const context = canvas.getContext("2d");
  context.drawImage(drawn, 0, 0);
  const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
  return [canvas.width, canvas.height, [...data]];
}"""


def wide_profile() -> bytes:
    """Return a profile in which the three primaries are exchanged, so that nobody misses it."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    table = {bytes(profile[132 + 12 * n : 136 + 12 * n]): 136 + 12 * n for n in range(profile[131])}
    red, blue = (profile[table[tag] : table[tag] + 8] for tag in (b"rXYZ", b"bXYZ"))
    profile[table[b"rXYZ"] : table[b"rXYZ"] + 8] = blue
    profile[table[b"bXYZ"] : table[b"bXYZ"] + 8] = red
    return bytes(profile)


def picture(folder: Path, orientation: int, profile: bytes | None = None) -> Path:
    """Write a picture whose four corners and edges differ."""
    across = np.linspace(0, 1, COLUMNS)[None, :]
    down = np.linspace(0, 1, ROWS)[:, None]
    pixels = np.empty((ROWS, COLUMNS, 3), np.uint8)
    pixels[..., 0] = 30 + 200 * across
    pixels[..., 1] = 40 + 170 * down
    pixels[..., 2] = 60 + 60 * across * down
    pixels[: ROWS // 4, : COLUMNS // 3] = (240, 230, 60)
    exif = piexif.dump({"0th": {piexif.ImageIFD.Orientation: orientation}})
    more = {} if profile is None else {"icc_profile": profile}
    file = folder / f"turned-{orientation}.jpg"
    Image.fromarray(pixels).save(file, "JPEG", quality=92, exif=exif, **more)
    return file


def drawn(page: Page, selector: str) -> np.ndarray:
    columns, rows, values = page.locator(selector).evaluate(PIXELS)
    return np.array(values, np.uint8).reshape(rows, columns, 4)[..., :3]


@pytest.mark.parametrize(
    ("orientation", "profile"), [(1, None), (6, None), (7, None), (1, wide_profile())]
)
def test_the_browser_s_small_picture_is_the_server_s(
    page: Page, served: Served, tmp_path: Path, orientation: int, profile: bytes | None
) -> None:
    new_draft(page, served)
    page.set_input_files("#files", str(picture(tmp_path, orientation, profile)))
    expect(page.locator(".tile[data-digest] canvas")).to_have_class(f"turn-{orientation}")
    own = drawn(page, ".tile canvas")
    style = page.locator(".tile canvas").get_attribute("style")
    page.reload()
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator(".tile canvas")).to_have_count(0)
    image = page.locator(".tile[data-digest] img")
    expect(image).to_have_class(f"turn-{orientation}")
    assert image.get_attribute("style") == style
    expect(image).to_have_js_property("naturalWidth", 360)
    theirs = drawn(page, ".tile img")
    assert own.shape == theirs.shape == (239, 360, 3)
    difference = np.abs(own.astype(int) - theirs)
    assert difference.mean() < 2
    # The blot in the corner of the stored picture tells every turn from every other.
    assert np.abs(own[5:40, 5:80].astype(int) - own[-1, -1]).mean() > 20
    if profile is not None:
        assert own[5:40, 5:80, 2].mean() > own[5:40, 5:80, 0].mean() + 60


def test_pictures_are_seen_before_they_are_sent_and_told_apart_until_they_are_kept(
    page: Page, served: Served, tmp_path: Path
) -> None:
    held: list[Route] = []
    new_draft(page, served)
    page.route("**/pictures", lambda route: held.append(route))
    files = []
    for n in range(5):
        folder = tmp_path / str(n)
        folder.mkdir()
        file = picture(folder, n + 1)
        files.append(file)
    page.set_input_files("#files", [str(file) for file in files])
    expect(page.locator(".tile-coming canvas")).to_have_count(5)
    expect(page.locator(".tile-coming .tile-state")).to_have_text(["Not kept yet"] * 5)
    expect(page.locator("#strip-count")).to_have_text("0 of 5 kept")
    expect(page.locator("#kept")).to_have_text("Being kept")
    expect(page.locator("#archive")).to_be_disabled()
    page.unroute("**/pictures")
    for route in held:
        route.fallback()
    expect(page.locator(".tile[data-digest] canvas")).to_have_count(5)
    expect(page.locator(".tile-coming")).to_have_count(0)
    kept(page)


def test_files_are_sent_again_to_a_server_that_comes_back_if_they_are_still_there(
    page: Page, served: Served, tmp_path: Path, watch: Watch
) -> None:
    watch.expected = ("Failed to load resource",)
    new_draft(page, served)
    page.route("**/pictures", lambda route: route.abort("connectionrefused"))
    files = card(tmp_path / "card", 3)
    page.set_input_files("#files", [str(file) for file in files])
    expect(page.locator(".tile-coming canvas")).to_have_count(3)
    expect(page.locator("#kept")).to_contain_text("The server does not answer")
    expect(page.locator("#refused")).to_be_hidden()
    files[0].unlink()
    expect(page.locator("#refused-list")).to_contain_text("cannot be read any more where it was")
    page.unroute("**/pictures")
    expect(page.locator(".tile[data-digest]")).to_have_count(2)
    expect(page.locator(".tile-coming")).to_have_count(0)
    kept(page)


@pytest.mark.parametrize("lacks", ["ImageDecoder", "decoding"])
def test_where_the_browser_cannot_the_server_s_small_pictures_are_shown(
    page: Page, served: Served, tmp_path: Path, lacks: str
) -> None:
    if lacks == "ImageDecoder":
        page.add_init_script("delete window.ImageDecoder")
    files = [picture(tmp_path, 1)]
    if lacks == "decoding":
        files = [tmp_path / "a.png"]
        out = io.BytesIO()
        Image.new("RGB", (900, 600), (200, 120, 90)).save(out, "PNG")
        files[0].write_bytes(out.getvalue())
    new_draft(page, served)
    page.set_input_files("#files", [str(file) for file in files])
    expect(page.locator(".tile[data-digest] img")).to_have_js_property("naturalWidth", 360)
    expect(page.locator(".tile canvas")).to_have_count(0)
    kept(page)

"""How soon a picture that has come into a watched folder is judged on its tile, against decoding.

One command: ``python tests/benchmarks/bench_live.py [--photos 12] [--brief] [--check]``

A real Chromium shows a visit that receives from a folder; photographs of real teeth, made 6000 x
4000 and somewhat soft, so that the tile has something to say, are put there one after the other,
as a card's writer does: under another name first, and renamed once they are whole. Printed: the
seconds from then until the words are drawn on the tile, which the server pushes (the longest, and
the one in the middle), and their ratio to decoding the same file at full size by libjpeg-turbo on
one core, timed between the pictures, and the server's processor time for each.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import piexif
import psutil
from PIL import Image, ImageFilter
from playwright.sync_api import Page, sync_playwright

from archiver.photo.turbo import load_turbo
from tests.benchmarks import as_installed
from tests.benchmarks.real_photographs import TEN, pictures
from tests.new_archive import new_archive

#: Seconds within which a picture is judged, a limit of the project.
AT_MOST = 1.5
_SIZE, _QUALITY = (6000, 4000), 92
_PHOTOS, _BRIEF = 12, 4
_SCREEN = {"width": 1366, "height": 860}
#: When so many tiles say something, in seconds since 1970.
_JUDGED = """(count) => new Promise((done) => {
  const look = () => {
    const said = document.querySelectorAll(".tile .tile-again:not([hidden])");
    if (said.length >= count) requestAnimationFrame(() => done(Date.now() / 1000));
    else requestAnimationFrame(look);
  };
  look();
})"""


def shots(count: int) -> list[bytes]:
    """Return photographs of 24 megapixels, ten seconds apart."""
    real, random = pictures(TEN), np.random.default_rng(1)
    made = []
    for n in range(count):
        first = Image.fromarray(real[n % len(real)].pixels)
        buffer = io.BytesIO()
        when = f"2026:03:04 08:{n // 6:02}:{n % 6 * 10:02}".encode()
        exif = piexif.dump({"Exif": {piexif.ExifIFD.DateTimeOriginal: when}})
        large = first.filter(ImageFilter.GaussianBlur(4)).resize(_SIZE, Image.Resampling.BICUBIC)
        noise = random.normal(0, 3, (_SIZE[1], _SIZE[0], 1)).astype(np.int16)
        large = Image.fromarray((np.asarray(large, np.int16) + noise).clip(0, 255).astype(np.uint8))
        large.save(buffer, "JPEG", quality=_QUALITY, exif=exif)
        made.append(buffer.getvalue())
    return made


def decoding(shot: bytes) -> float:
    """Return in which seconds one core decodes a picture in full."""
    turbo = load_turbo()
    assert turbo is not None, "libjpeg-turbo 3 is missing"
    begun = time.perf_counter()
    assert turbo.decode(shot, 1).shape == (_SIZE[1], _SIZE[0], 3)
    return time.perf_counter() - begun


def received(
    page: Page, url: str, folder: Path, made: list[bytes], server: int
) -> tuple[list[float], ...]:
    """Put pictures into a folder.

    Returns
    -------
    tuple of list
        Seconds until each is judged, of decoding it, and of the server's processor time for it.
    """
    page.goto(f"{url}take-in")
    page.get_by_role("button", name="New visit").click()
    page.wait_for_selector("[data-ready]", state="attached")
    page.locator("#receive-open").click()
    page.get_by_role("button", name="Receive from Chair").click()
    page.wait_for_selector("#receiving:not([hidden])")
    page.keyboard.press("Escape")
    judged, decoded, worked = [], [], []
    for n, shot in enumerate(made):
        coming = folder.with_name("coming.part")
        coming.write_bytes(shot)
        begun, before = time.time(), work(server)
        coming.rename(folder / f"IMG_{n:04}.JPG")
        judged.append(page.evaluate(_JUDGED, n + 1) - begun)
        worked.append(work(server) - before)
        decoded.append(decoding(shot))
    return judged[1:], decoded[1:], worked[1:]  # the first one loads what judges


def work(server: int) -> float:
    """Return the seconds of processor time of a server and what it has started."""
    process = psutil.Process(server)
    total = 0.0
    for one in (process, *process.children(recursive=True)):
        with contextlib.suppress(psutil.NoSuchProcess):
            times = one.cpu_times()
            total += times.user + times.system
    return total


def main() -> int:
    """Measure and print; with --check, fail where the limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=_PHOTOS)
    parser.add_argument("--brief", action="store_true", help=f"{_BRIEF} photographs")
    parser.add_argument("--check", action="store_true", help="exit 1 where the limit is passed")
    options = parser.parse_args()
    as_installed()
    made = shots(_BRIEF if options.brief else options.photos)
    with tempfile.TemporaryDirectory(prefix="bench-live-") as name:
        chair = Path(name) / "chair"
        chair.mkdir()
        settings = Path(name) / "archiver.toml"
        settings.write_text('[pages.folders]\nChair = "chair"\n')
        archive = new_archive(Path(name) / "archive")
        command = [sys.executable, "-m", "archiver", "serve", "--archive", str(archive)]
        process = subprocess.Popen(
            [*command, "--dimse-port", "0", "--web-port", "0"],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "ARCHIVER_SETTINGS": str(settings)},
        )
        try:
            assert process.stdout
            url = process.stdout.readline().split()[1]
            with sync_playwright() as playwright:
                program = shutil.which("chromium")
                browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
                page = browser.new_page(viewport=_SCREEN)
                page.set_default_timeout(60_000)
                judged, decoded, worked = received(page, url, chair, made, process.pid)
                browser.close()
        finally:
            process.terminate()
            process.wait(60)
    middle, decode = statistics.median(judged), statistics.median(decoded)
    megabytes = sum(map(len, made)) / len(made) / 1e6
    print(f"{len(judged)} photographs of 24 megapixels, {megabytes:.1f} MB each")
    print(f"decoded by libjpeg-turbo on one core {decode:6.2f} s")
    print(
        f"judged on the tile, in the middle    {middle:6.2f} s  (at most {AT_MOST}) = "
        f"{middle / decode:.1f} x decoding; longest {max(judged):.2f} s, "
        f"shortest {min(judged):.2f} s = {min(judged) / min(decoded):.1f} x"
    )
    busy = statistics.median(worked)
    print(f"processor time of the server, each   {busy:6.2f} s = {busy / decode:.1f} x decoding")
    return 0 if middle <= AT_MOST or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())

"""How fast a card of 24-megapixel pictures shows in the browser, against libjpeg-turbo alone.

One command: ``python tests/benchmarks/bench_pages.py [--photos 200] [--check]``

A real Chromium is given the folder of a card. Prints, from one run on this machine: the seconds
until the first small pictures and until all of them are shown, and the ratio of the latter to
plain decoding of the same files by libjpeg-turbo at an eighth of their size, one after the other
and with nothing else done. The pages use all cores; what they do besides decoding (sending 8 MB
a picture from browser to server, keeping it on the disk, digest, drawing) is in the ratio. That to
decoding on all cores is printed too, without a limit: it tells what the sending costs.
The files are made here, 6000 x 4000, quality 92, with noise as a sensor has it; a few pictures
are made and the others differ from them in their time of capture.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import piexif
from bench_wrap import photograph
from playwright.sync_api import Page, sync_playwright

from archiver.photo.turbo import load_turbo

#: Limits of the project: seconds to the first and to all of 200 pictures, and the ratio.
AT_MOST_FIRST, AT_MOST_ALL, AT_MOST_RATIO = 1.0, 20.0, 1.3
_DIFFERENT = 6
#: Pictures of which plain decoding is timed, before and after.
_SOME = 60
_SHOWN = """(count) => new Promise((done) => {
  const begun = performance.now();
  let first = 0;
  const look = () => {
    const images = [...document.querySelectorAll(".tile[data-digest] img")];
    const shown = images.filter((image) => image.complete && image.naturalWidth > 0).length;
    if (shown && !first) first = performance.now() - begun;
    if (shown >= count) requestAnimationFrame(() => done([first, performance.now() - begun]));
    else setTimeout(look, 20);
  };
  look();
})"""


def card(folder: Path, count: int) -> list[Path]:
    """Write a card whose pictures are ten seconds apart."""
    kinds = [folder / f"kind-{n}.jpg" for n in range(min(_DIFFERENT, count))]
    for n, kind in enumerate(kinds):
        photograph(kind, n)
    files = []
    for n in range(count):
        when = f"2026:03:04 {8 + n // 360:02}:{n // 6 % 60:02}:{n % 6 * 10:02}".encode()
        exif = piexif.dump({"Exif": {piexif.ExifIFD.DateTimeOriginal: when}})
        file = folder / "card" / f"IMG_{n:04}.JPG"
        file.parent.mkdir(exist_ok=True)
        piexif.insert(exif, kinds[n % len(kinds)].read_bytes(), str(file))
        files.append(file)
    return files


def decoding(files: list[Path], threads: int) -> float:
    """Return the seconds in which libjpeg-turbo alone decodes all files at an eighth."""
    turbo = load_turbo()
    assert turbo is not None, "libjpeg-turbo 3 is missing"
    begun = time.perf_counter()
    with ThreadPoolExecutor(threads) as pool:
        for pixels in pool.map(lambda file: turbo.decode(file.read_bytes(), 8), files):
            assert pixels.shape == (500, 750, 3)
    return time.perf_counter() - begun


def showing(page: Page, url: str, folder: Path, count: int) -> tuple[float, float]:
    """Return the seconds to the first and to all small pictures, from the choice of the folder."""
    page.goto(f"{url}take-in")
    page.get_by_role("button", name="New visit").click()
    page.wait_for_selector("[data-ready]", state="attached")
    page.evaluate(f"() => {{ window.shown = ({_SHOWN})({count}); }}")
    page.set_input_files("#folder", str(folder))
    first, every = page.evaluate("async () => [await window.shown, performance.now()]")[0]
    return first / 1000, every / 1000


def served(archive: Path) -> tuple[subprocess.Popen[str], str]:
    """Start a server; return it and where its pages are."""
    command = [sys.executable, "-m", "archiver", "serve", "--archive", str(archive)]
    ports = ["--dimse-port", "0", "--web-port", "0"]
    process = subprocess.Popen([*command, *ports], stdout=subprocess.PIPE, text=True)
    assert process.stdout
    line = process.stdout.readline()
    return process, line.split()[1]


def measured(folder: Path, files: list[Path]) -> tuple[float, float, float, float]:
    """Return the seconds of (decoding on one core and on all, first picture, all pictures)."""
    some = files[: min(len(files), _SOME)]
    times = len(files) / len(some)
    process, url = served(folder / "archive")
    try:
        with sync_playwright() as playwright:
            program = shutil.which("chromium")
            browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1366, "height": 860})
            page.set_default_timeout(600_000)
            decoding(files, 2)  # the first run warms the disk's cache
            before = decoding(some, 1)
            first, every = showing(page, url, files[0].parent, len(files))
            one = (before + decoding(some, 1)) / 2 * times
            cores = decoding(some, os.cpu_count() or 1) * times
            browser.close()
    finally:
        process.terminate()
        process.wait(60)
    return one, cores, first, every


def main() -> int:
    """Measure and print; with --check, fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=200)
    parser.add_argument("--brief", action="store_true", help="60 photographs")
    parser.add_argument("--check", action="store_true", help="exit 1 where a limit is passed")
    options = parser.parse_args()
    if options.brief:
        options.photos = 60
    with tempfile.TemporaryDirectory(prefix="bench-pages-") as name:
        folder = Path(name)
        files = card(folder, options.photos)
        megabytes = sum(file.stat().st_size for file in files) / 1e6
        one, cores, first, every = measured(folder, files)
    ratio, most = every / one, AT_MOST_ALL * options.photos / 200
    print(f"{options.photos} photographs of 24 megapixels, {megabytes:.0f} MB")
    print(f"libjpeg-turbo at an eighth, one core {one:6.2f} s, all cores {cores:.2f} s")
    print(f"first small picture in the browser   {first:6.2f} s  (at most {AT_MOST_FIRST})")
    print(
        f"all small pictures in the browser    {every:6.2f} s  (at most {most:.1f}) = "
        f"{ratio:.2f} x decoding on one core (at most {AT_MOST_RATIO}), "
        f"{every / cores:.2f} x on all cores"
    )
    well = first <= AT_MOST_FIRST and every <= most and ratio <= AT_MOST_RATIO
    return 0 if well or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())

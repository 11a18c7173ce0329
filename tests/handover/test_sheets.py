"""The sheet: what stands on it, on both papers, in grey, and in a browser."""

from __future__ import annotations

import io
import json
import re
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from handover_samples import NOW as TODAY
from handover_samples import agreed, camera_file, opened, order, photo, scene, take
from PIL import Image
from playwright.sync_api import Browser
from pypdf import PdfReader

from archiver.archive.store.archive import Archive
from archiver.colour import ColourBasis
from archiver.handover.colour_table import ColourFrame, after_drying, table_of
from archiver.handover.facts import ColourFacts, drying, sheet_text
from archiver.handover.package import Package, hand_over
from archiver.handover.sheet import cautions
from archiver.objects.purposes import Purpose
from tests.pseudo_language import accented, plain_words, pseudo_language


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Two visits with colour frames, one of them taken after isolation."""
    folder = tmp_path_factory.mktemp("sheets")
    archive = opened(folder)
    for number in range(1, 8):
        camera_file(folder / f"{number}.JPG", number, columns=300, rows=200)
    light = 'light = "ring flash"'
    take(
        archive,
        folder,
        [
            photo("1.JPG", light, 'colour_frame = "neutral reference"', tooth=11, view="labial",
                  mirror=False),
            photo("2.JPG", light, 'colour_frame = "shade tab"', tooth=11, view="labial",
                  mirror=False),
            photo("3.JPG", light, 'retraction = "rubber dam"', tooth=11, view="incisal"),
            photo("4.JPG", light, 'polariser = "crossed"', 'colour_frame = "cross-polarised"',
                  tooth=11, view="labial", mirror=False),
        ],
    )  # fmt: skip
    take(archive, folder, [photo("5.JPG", tooth=16, confirmed=False)], day="2026-04-08")
    take(archive, folder, [photo("6.JPG", tooth=46, view="lingual"), photo("7.JPG")], "2026-06-01")
    agreed(archive)
    return archive


def made(archive: Archive, folder: Path, **words: object) -> Package:
    return hand_over(archive, order(folder, insisted_by="Haugen^Liv", **words), TODAY)


def texts(path: Path) -> list[str]:
    """The text of each page, its lines joined."""
    return [re.sub(r"\s+", " ", page.extract_text()) for page in PdfReader(path).pages]


def test_each_picture_is_told_with_tooth_view_side_and_day(
    archive: Archive, tmp_path: Path
) -> None:
    told = " ".join(texts(made(archive, tmp_path).target / "1187.pdf"))
    for words in (
        "Case 1187", "For the laboratory", "North laboratory",
        "Tooth 11 (Universal 8): labial", "Tooth 11 (Universal 8): incisal",
        "Tooth 16 (Universal 3): occlusal", "Tooth 46 (Universal 30): lingual",
        "Direct; labial surface. Patient's right at the left edge.",
        "Upper right central incisor. Direct; labial surface.",
        "Lower right first molar. Through a mirror, corrected; lingual surface.",
        "Through a mirror, corrected; lingual surface. Entirely the patient's right side.",
        "Picture 1, first visit (day 0). File 1187-01.jpg",
        "day 35 after the first visit. File 1187-05.png",
        "day 89 after the first visit.", "SIDE NOT CONFIRMED", "side confirmed",
        "ICC: sRGB; light: ring flash; polariser: crossed; white balance: set by hand",
        sheet_text("legend"), *cautions(),
    ):  # fmt: skip
        assert words in told, words


def test_the_edges_are_told_in_the_words_of_the_trade(archive: Archive, tmp_path: Path) -> None:
    package = made(archive, tmp_path)
    told = " ".join(texts(package.target / "1187.pdf"))
    page = (package.target / "1187.html").read_text("utf-8")
    rows = json.loads((package.target / "1187-manifest.json").read_text("utf-8"))["pictures"]
    molar = next(row for row in rows if row["teeth_iso_3950"] == ["16"])
    wanted = {"top": "mesial", "right": "palatal", "bottom": "distal", "left": "buccal"}
    assert molar["edges"] == wanted
    for word in (*wanted.values(), "labial", "gingival", "incisal"):
        assert re.search(rf"\b{word}\b", told), word
        assert re.search(rf"</b> {word}</span>", page), word
    assert '<b class="right">R</b> buccal' in page


def test_the_colour_frames_are_told_in_order_with_what_is_to_be_heeded(
    archive: Archive, tmp_path: Path
) -> None:
    told = " ".join(texts(made(archive, tmp_path).target / "1187.pdf"))
    table = told[told.index("Colour, in order of capture") :]
    places = [table.index(w) for w in ("1 neutral reference", "2 shade tab", "4 cross-polarised")]
    assert places == sorted(places)
    assert "Picture 4, cross-polarised, was taken after drying, isolation or preparation" in table
    assert "Picture 1, neutral" not in table and "There is no" not in table


def test_a_sheet_has_no_english(archive: Archive, tmp_path: Path) -> None:
    with pseudo_language():
        package = made(archive, tmp_path, marks={1: [(0, 0, 40, 40)], 2: [(0, 0, 40, 40)]})
    page = (package.target / "1187.html").read_text("utf-8")
    shown = " ".join([*texts(package.target / "1187.pdf"), *re.findall(r'alt="([^"]*)"', page)])
    shown += unescape(re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.S))
    given = "For the laboratory North laboratory labial incisal occlusal lingual buccal vestibular "
    given += "neutral reference shade tab cross polarised ring flash crossed jpg png"
    left = [word for word in plain_words(shown) if word not in given.split() and word.islower()]
    assert not left and accented("Colour, in order") in shown


def test_no_shade_is_ever_named(archive: Archive, tmp_path: Path) -> None:
    package = made(archive, tmp_path, marks={1: [(0, 0, 40, 40)], 2: [(0, 0, 40, 40)]})
    told = " ".join(texts(package.target / "1187.pdf"))
    assert "CIEDE2000" in told
    assert not re.search(r"\b[ABCD][1-4](\.5)?\b|\b[0-5][LMR][1-3](\.5)?\b", told)


def test_marked_regions_are_compared_only_between_frames_taken_alike(
    archive: Archive, tmp_path: Path
) -> None:
    boxes = {number: [(10, 10, 40, 40)] for number in (1, 2, 4)}
    told = " ".join(texts(made(archive, tmp_path, marks=boxes).target / "1187.pdf"))
    assert re.search(r"Pictures 1 and 2, taken alike, marked regions: L\* \d+\.\d a\* ", told)
    why = "because they were polarised differently"
    assert f"Pictures 1 and 4: colours are not compared, {why}." in told
    only = " ".join(
        texts(
            made(archive, tmp_path, target=tmp_path / "b", marks={1: boxes[1]}).target / "1187.pdf"
        )
    )
    assert "L* " not in only


def test_frames_whose_white_balance_the_camera_chose_are_not_compared(tmp_path: Path) -> None:
    archive = opened(tmp_path)
    for number in (1, 2):
        camera_file(tmp_path / f"{number}.JPG", number, columns=300, rows=200, white_balance=0)
    said = ('light = "ring flash"',)
    front = {"tooth": 11, "view": "labial", "mirror": False}
    take(archive, tmp_path, [photo(f"{n}.JPG", *said, **front) for n in (1, 2)])  # type: ignore[arg-type]
    agreed(archive)
    boxes = {number: [(10, 10, 40, 40)] for number in (1, 2)}
    told = " ".join(texts(made(archive, tmp_path, marks=boxes).target / "1187.pdf"))
    assert "because the camera chose the white balance of picture 1 and the camera chose" in told
    assert "taken alike" not in told and "CIEDE2000" not in told


def test_two_regions_of_one_picture_are_compared(archive: Archive, tmp_path: Path) -> None:
    boxes = [(10, 10, 40, 40), (120, 60, 40, 40)]
    told = " ".join(texts(made(archive, tmp_path, marks={1: boxes}).target / "1187.pdf"))
    assert re.search(r"Picture 1, marked regions 1 and 2: L\* \d+\.\d a\* .* CIEDE2000 \d", told)
    both = {1: boxes, 2: boxes[:1]}
    package = made(archive, tmp_path, target=tmp_path / "both", marks=both)
    told = " ".join(texts(package.target / "1187.pdf"))
    for pair in ("1 and 1", "2 and 1"):
        assert f"Pictures 1 and 2, taken alike, marked regions {pair}: L* " in told


def test_other_purposes_have_no_colour_table(archive: Archive, tmp_path: Path) -> None:
    package = made(archive, tmp_path, purpose=Purpose.REFERRAL)
    assert "Colour, in order" not in " ".join(texts(package.target / "1187.pdf"))


def test_without_an_option_for_dates_only_the_order_of_visits_is_told(
    archive: Archive, tmp_path: Path
) -> None:
    package = made(archive, tmp_path, purpose=Purpose.TEACHING)
    told = " ".join(texts(package.target / "1187.pdf"))
    assert "visit 1. File" in told and "visit 3. File" in told and "day 35" not in told


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.28, 841.89)), ("letter", (612, 792))])
def test_each_paper_has_its_size_and_nothing_runs_over_its_edge(
    archive: Archive, tmp_path: Path, paper: str, size: tuple[float, float]
) -> None:
    path = made(archive, tmp_path, paper=paper).target / "1187.pdf"
    for page in PdfReader(path).pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size)
    for image in rendered(path, tmp_path):
        ink = np.asarray(image.convert("L")) < 200
        edge = round(0.3 * 100)  # inches that printers leave
        frame = np.ones_like(ink)
        frame[edge:-edge, edge:-edge] = False
        assert not (ink & frame).any()


def rendered(path: Path, folder: Path, *words: str) -> Sequence[Image.Image]:
    for old in folder.glob("page*"):
        old.unlink()
    command = ["pdftoppm", "-r", "100", "-png", *words, str(path), str(folder / "page")]
    subprocess.run(command, check=True)
    return [Image.open(p) for p in sorted(folder.glob("page*.png"))]


def test_in_grey_every_letter_is_black_on_white_or_white_on_black(
    archive: Archive, tmp_path: Path
) -> None:
    path = made(archive, tmp_path).target / "1187.pdf"
    fills = set()
    for page in PdfReader(path).pages:
        content = page.get_contents()
        assert content is not None
        # Colour operators of PDF 1.7, table 74: only grey ones, and of these black and white.
        text = content.get_data()
        assert not re.search(rb"\s(?:rg|RG|k|K|sc|scn)\s", text.replace(b"0 0 0 RG", b"").replace(
            b"0 0 0 rg", b"").replace(b"1 1 1 rg", b""))  # fmt: skip
        fills |= {m[1] for m in re.finditer(rb"([\d.]+) g\s", text)}
    assert fills <= {b"0", b"1"}
    for image in rendered(path, tmp_path, "-gray"):
        grey = np.asarray(image.convert("L"))
        assert (grey < 40).any() and (grey > 250).mean() > 0.4


def test_the_page_in_the_browser_has_no_fault_and_asks_for_nothing(
    archive: Archive, tmp_path: Path, browser: Browser
) -> None:
    path = made(archive, tmp_path).target / "1187.html"
    axe = Path(__file__).parents[1] / "peers/node_modules/axe-core/axe.min.js"
    page = browser.new_page(bypass_csp=True, viewport={"width": 390, "height": 800})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.evaluate("[...document.images].every(i => i.naturalWidth > 0)")
    page.add_script_tag(path=axe)
    found = page.evaluate("axe.run().then(r => r.violations.map(v => v.id))")
    page.close()
    assert found == []


def test_what_a_person_wrote_cannot_become_markup(archive: Archive, tmp_path: Path) -> None:
    package = made(archive, tmp_path, to='<script>alert("x")</script> & sons')
    told = (package.target / "1187.html").read_text("utf-8")
    assert "<script" not in told and "&lt;script&gt;" in told


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 7, 13])
def test_any_number_of_pictures_has_its_pages(tmp_path: Path, count: int) -> None:
    from archiver.handover.sheet import ColourTable, Sheet, SheetPicture
    from archiver.handover.sheet_pdf import pdf_of

    archive = opened(tmp_path)
    camera_file(tmp_path / "1.JPG", 1)
    take(archive, tmp_path, [photo("1.JPG")])
    out = io.BytesIO()
    scene(1, 300, 200).save(out, "JPEG")
    from pydicom import dcmread

    from archiver.archive.query import Query
    from archiver.handover.facts import facts_of

    ds = dcmread(archive.query(Query(role="derived"))[0].path)
    facts = facts_of(ds, ds)
    pictures = tuple(
        SheetPicture(n, f"{n}.jpg", facts, f"day {n // 3}", (), False, out.getvalue(), (300, 200))
        for n in range(1, count + 1)
    )
    table = ColourTable((), ("There is no frame with a shade tab.",), ())
    for paper in ("a4", "letter"):
        data = pdf_of(Sheet("1187", "For", "To", pictures, table), paper)  # type: ignore[arg-type]
        told = [page.extract_text() for page in PdfReader(io.BytesIO(data)).pages]
        assert sum(len(re.findall(r"File \d+\.jpg", page)) for page in told) == count
        assert sum("Colour, in order of capture" in page for page in told) == 1
        assert max(len(re.findall(r"File \d+\.jpg", page)) for page in told) <= 6


# --- colour -------------------------------------------------------------------------------------


def facts(
    frame: str = "", light: str = "ring flash", characterised: bool = True, balance: str = "by hand"
) -> ColourFacts:
    white = {"by hand": "1", "automatic": "0"}.get(balance, "")
    basis = ColourBasis(characterised, light, white, "", {"light": light})
    return ColourFacts("sRGB", light, "", balance, frame, basis)


def test_a_later_frame_of_a_visit_with_a_dried_tooth_is_warned_of_and_of_no_other_visit() -> None:
    visits, dried = ("a", "a", "a", "b"), (False, True, False, False)
    assert after_drying(visits, dried) == [False, True, True, False]


@pytest.mark.parametrize(
    ("colour", "why"),
    [
        (facts(light=""), "the light of picture 2 is not stated"),
        (facts(characterised=False), "the colours of picture 2 are not characterised"),
        (facts(balance="automatic"), "the camera chose the white balance of picture 2"),
        (facts(balance=""), "the white balance of picture 2 is not stated"),
        (facts(light="lamp"), "their light differs"),
    ],
)
def test_frames_that_may_not_be_compared_are_not_and_the_sheet_says_why(
    colour: ColourFacts, why: str
) -> None:
    means = (np.array([70.0, 2.0, 20.0]),)
    frames = [ColourFrame(1, "a", facts(), False, means), ColourFrame(2, "a", colour, False, means)]
    (told,) = table_of(frames).comparisons
    assert told == f"Pictures 1 and 2: colours are not compared, because {why}."


def test_regions_of_a_picture_that_is_not_characterised_are_not_compared() -> None:
    means = (np.array([70.0, 2.0, 20.0]), np.array([72.0, 2.0, 20.0]))
    for known in (True, False):
        frame = ColourFrame(1, "a", facts(characterised=known, balance="automatic"), False, means)
        assert bool(table_of([frame]).comparisons) is known


def test_a_difference_is_that_of_ciede2000() -> None:
    # (70, 2, 20) and (72, 2, 20): 1.529, calculated in the room of comparisons.
    means = (np.array([70.0, 2.0, 20.0]), np.array([72.0, 2.0, 20.0]))
    frames = [ColourFrame(n, "a", facts(), False, (mean,)) for n, mean in enumerate(means, 1)]
    (told,) = table_of(frames).comparisons
    assert "L* 70.0 a* 2.0 b* 20.0 and L* 72.0 a* 2.0 b* 20.0, CIEDE2000 1.5 ± 1.1" in told


def test_several_pictures_without_a_profile_are_told_by_their_numbers() -> None:
    frames = [ColourFrame(n, "a", facts(characterised=False), False) for n in (1, 3)]
    assert "Colour not characterised (no ICC profile): picture 1, 3." in table_of(frames).warnings


def test_under_the_profile_of_a_chart_a_difference_is_less_uncertain() -> None:
    means = (np.array([70.0, 2.0, 20.0]), np.array([72.0, 2.0, 20.0]))
    by_chart = replace(facts(), basis=replace(facts().basis, by="24-patch colour chart"))
    frame = ColourFrame(1, "a", by_chart, False, means)
    (told,) = table_of([frame]).comparisons
    assert "CIEDE2000 1.5 ± 0.6" in told


def test_a_chart_is_a_neutral_reference() -> None:
    told = table_of([ColourFrame(1, "a", facts("colour chart"), False)]).warnings
    assert "There is no frame with a neutral reference." not in told


def test_missing_frames_are_told() -> None:
    told = table_of([ColourFrame(1, "a", facts("shade tab"), False)]).warnings
    assert told == (
        "There is no frame with a neutral reference.",
        "There is no cross-polarised frame.",
    )


@pytest.mark.parametrize(
    ("stage", "retraction", "dried"),
    [
        ("after drying for 30 min", "", True),
        ("prepared", "", True),
        ("", "rubber dam", True),
        ("under isolation of Nadia", "", True),
        ("before preparation", "cheek retractor", False),
        ("unprepared", "", False),
        ("not dried", "", False),
        ("start", "", False),
    ],
)
def test_drying_is_read_from_stage_and_retraction(stage: str, retraction: str, dried: bool) -> None:
    from pydicom import Dataset

    from archiver.objects import concepts
    from archiver.objects.modules import code_sequence

    ds = Dataset()
    item = Dataset()
    item.ValueType = "TEXT"
    item.ConceptNameCodeSequence = code_sequence(concepts.COMMENT)
    item.TextValue = f"{concepts.STAGE}: {stage}"
    ds.AcquisitionContextSequence = [item]
    device = Dataset()
    device.DeviceDescription = retraction
    ds.DeviceSequence = [device]
    assert drying(ds) is dried

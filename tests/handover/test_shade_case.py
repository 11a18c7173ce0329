"""A shade case: nothing typed for the laboratory is lost; a tab is told beside a tooth."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from handover_samples import NOW as TODAY
from handover_samples import agreed, camera_file, opened, order, photo, take
from PIL import Image
from pydicom import dcmread
from pypdf import PdfReader

from archiver.archive.store import Archive
from archiver.colour.colours import difference, lab, space_of
from archiver.dentition import Numbering, View
from archiver.handover.context import harmless
from archiver.handover.frames import OutgoingFrame
from archiver.handover.package import Package, hand_over
from archiver.handover.tab_comparison import directions
from archiver.objects import comments, concepts, describe, scale_of
from archiver.objects.purposes import Purpose
from archiver.objects.sheet_keys import COLOUR_FRAMES

#: Levels of the tab and of the tooth's thirds, from the gum down.
TAB, CERVICAL, MIDDLE, INCISAL = (190, 165, 130), (180, 150, 110), (190, 165, 130), (205, 195, 175)
TYPED = {
    "restoration": "crown 11, full contour",
    "state": "before",
    "material": "glass ceramic, pressed",
    "tab_system": "sixteen tabs in four groups",
    "tab_name": "the third of the second group",
    "tab_place": "beside 11, edge to edge",
    "tab_number": "hidden",
    "stump_shade": "discoloured at the neck",
    "surface_texture": "growth lines, marked",
    "translucency": "bluish edge",
    "gloss": "medium",
    "instructions": "Copy the mesial fissure; call before you glaze.",
}


def shot(folder: Path, name: str, number: int) -> None:
    """A picture with a tab on the left and a tooth on the right, of which the gum is above."""
    path = camera_file(folder / name, number, columns=300, rows=200)
    pixels = np.full((200, 300, 3), (120, 60, 55), np.uint8)
    pixels[40:160, 40:120] = TAB
    for third, levels in enumerate((CERVICAL, MIDDLE, INCISAL)):
        pixels[40 + 40 * third : 80 + 40 * third, 170:250] = levels
    with Image.open(path) as plain:
        exif = plain.info["exif"]
    Image.fromarray(pixels).save(path, exif=exif, quality=95, subsampling=0)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    folder = tmp_path_factory.mktemp("shade")
    archive = opened(folder)
    for number in (1, 2):
        shot(folder, f"{number}.JPG", number)
    typed = [f'{key} = "{words}"' for key, words in TYPED.items()]
    marked = ["tab_region = { left = 40, top = 40, width = 80, height = 120 }"]
    marked += ["tooth_region = { left = 170, top = 40, width = 80, height = 120 }"]
    front = {"tooth": 11, "view": "labial", "mirror": False}
    light = 'light = "ring flash"'
    crop = "crop = { left = 32, top = 16, width = 240, height = 160 }"
    take(
        archive,
        folder,
        [
            photo("1.JPG", light, 'colour_frame = "shade tab"', *typed, *marked, **front),  # type: ignore[arg-type]
            photo("2.JPG", light, crop, 'instructions = "as for Nadia Okafor"', *marked, **front),  # type: ignore[arg-type]
        ],
    )
    agreed(archive, *Purpose)
    return archive


@pytest.fixture(scope="module")
def package(archive: Archive, tmp_path_factory: pytest.TempPathFactory) -> Package:
    folder = tmp_path_factory.mktemp("case")
    return hand_over(archive, order(folder, insisted_by="Haugen^Liv"), TODAY)


def printed(package: Package) -> str:
    pages = PdfReader(package.target / "1187.pdf").pages
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages))


@pytest.mark.parametrize("key", concepts.SHADE)
def test_what_is_typed_for_the_laboratory_reaches_everything_in_the_package(
    key: str, package: Package
) -> None:
    words = TYPED[key]
    assert words in printed(package)
    assert words in (package.target / "1187.html").read_text("utf-8")
    rows = json.loads((package.target / "1187-manifest.json").read_text("utf-8"))["pictures"]
    assert rows[0]["shade"][key] == words
    twin = dcmread(package.target / "1187-01.dcm")
    assert comments(twin)[concepts.SHADE[key]] == words


def test_what_names_the_patient_stays_and_is_told(package: Package) -> None:
    for file in package.target.iterdir():
        assert b"Okafor" not in file.read_bytes() and b"Nadia" not in file.read_bytes()
    (told,) = package.left_out
    assert "Instructions: it names the patient" in str(told) and "picture 2" in str(told)


def test_for_other_purposes_only_harmless_words_go_out(archive: Archive, tmp_path: Path) -> None:
    wish = order(tmp_path, insisted_by="Haugen^Liv", purpose=Purpose.REFERRAL)
    package = hand_over(archive, wish, TODAY)
    rows = json.loads((package.target / "1187-manifest.json").read_text("utf-8"))["pictures"]
    assert set(rows[0]["shade"]) == {"state"}


def test_the_tab_is_told_beside_the_thirds_of_the_tooth(package: Package) -> None:
    told = printed(package)
    space = space_of(None)
    tab, *thirds = (
        lab(np.array([levels], np.uint8), space)[0] for levels in (TAB, CERVICAL, MIDDLE, INCISAL)
    )
    names = {"cervical": "darker, redder, yellower", "middle": "no other"}
    names["incisal"] = "lighter, greener, bluer"
    # The second picture is cropped, and its regions are those of the whole picture.
    for picture in (1, 2):
        part = told[told.index(f"Picture {picture}, tab (its middle third)") :]
        for third, (name, words) in zip(thirds, names.items(), strict=True):
            found = re.search(
                rf"Tooth, {name} third: L\* (\S+) a\* (\S+) b\* (\S+) \(± .*?\), ([\w, ]+) than "
                r"the tab; CIEDE2000 (\S+) ± 1\.1",
                part,
            )
            assert found is not None, name
            assert [float(v) for v in found.groups()[:3]] == pytest.approx(list(third), abs=1.0)
            assert found[4] == words
            assert float(found[5]) == pytest.approx(float(difference(third, tab)), abs=0.6)


def test_a_direction_that_is_not_there_is_not_told() -> None:
    assert [text.code.rpartition(".")[2] for text in directions([0.6, -0.6, 0.2])] == [
        "lighter",
        "greener",
    ]
    assert [text.code.rpartition(".")[2] for text in directions([0.4, 0.1, -0.4])] == ["same"]


def test_a_page_of_the_case_comes_first_with_its_pictures_in_the_order_of_building(
    package: Package,
) -> None:
    first = re.sub(r"\s+", " ", PdfReader(package.target / "1187.pdf").pages[0].extract_text())
    assert "Universal 8" in first and "upper right central incisor" in first
    for words in TYPED.values():
        assert words in first
    assert "Colour: sRGB, as the camera says; neither chart nor card corrects it" in first
    assert "Side confirmed by 1 person in the clinic, " in first
    assert first.index("Shade (picture 1)") < first.index("Buccal, labial (picture 2)")
    page = (package.target / "1187.html").read_text("utf-8")
    assert page.count('fill="#000"') == 1, "one tooth of the arch is black"


def test_the_sheet_is_had_in_german(archive: Archive, tmp_path: Path) -> None:
    wish = order(tmp_path, insisted_by="Haugen^Liv", language="de")
    package = hand_over(archive, wish, TODAY)
    told = printed(package)
    german = (
        "Fall 1187",
        "Für das Labor",
        "Farbring: sixteen tabs",
        "Seite von 1 Person",
        "verdeckt",
        "inzisal",
    )
    for words in german:
        assert words in told
    page = (package.target / "1187.html").read_text("utf-8")
    assert '<html lang="de">' in page and "inzisal" in page
    for english in ("Picture", "confirmed", "than the tab", "Teeth by", "upper right"):
        assert english not in told, english
    rows = json.loads((package.target / "1187-manifest.json").read_text("utf-8"))["pictures"]
    assert rows[0]["shade"] == TYPED


def test_a_place_without_a_tooth_and_the_numbering_of_the_clinic_are_on_the_sheet(
    tmp_path: Path,
) -> None:
    archive = opened(tmp_path)
    camera_file(tmp_path / "1.JPG", 1)
    one = photo("1.JPG", 'implant = ["46"]', tooth=46, view="lingual", confirmed=False)
    take(archive, tmp_path, [one])
    agreed(archive, *Purpose)
    wish = order(
        tmp_path, insisted_by="Haugen^Liv", language="de", numbering=Numbering.PALMER, png=True
    )
    package = hand_over(archive, wish, TODAY)
    page = (package.target / "1187.html").read_text("utf-8")
    for told in (printed(package), page):
        assert "Zahn LR6 (ISO 3950 46): lingual" in told
        assert "Implantat bei LR6" in told
        assert "Zähne nach Palmer, in Klammern nach ISO 3950." in told
        assert "Fläche" not in told
    rows = json.loads((package.target / "1187-manifest.json").read_text("utf-8"))["pictures"]
    assert rows[0]["places"] == {"46": "implant"}
    twin = describe(dcmread(package.target / "1187-01.dcm"))
    assert [(tooth.iso, kind) for tooth, kind in twin.places] == [("46", "implant")]
    assert twin.view is View.LINGUAL and twin.surface is None


def test_a_scale_is_told_and_drawn_on_the_sheet(tmp_path: Path) -> None:
    archive = opened(tmp_path)
    for number in (1, 2):
        camera_file(tmp_path / f"{number}.JPG", number)
    drawn = "scale_region = { left = 40, top = 40, width = 80, height = 60 }"
    front = {"tooth": 11, "view": "labial", "mirror": False}
    scaled = photo("1.JPG", drawn, 'scale_length = "10 mm"', **front)  # type: ignore[arg-type]
    take(archive, tmp_path, [scaled, photo("2.JPG", tooth=26)])
    agreed(archive, *Purpose)
    package = hand_over(archive, order(tmp_path), TODAY)
    page = (package.target / "1187.html").read_text("utf-8")
    # 240 pixels of 0.1 mm: a bar of 5 mm is not longer than a third.
    assert page.count('class="bar"') == 1 and f'width="{100 * 5 / 24:.2f}%"' in page
    sheet = printed(package)
    for told in (sheet, page):
        assert "1 mm is 10.0 pixels ± 2.6 % in the plane of the tooth" in told
        assert "A scale holds for its picture alone" in told
        assert "No picture here has a scale" not in told
    assert re.search(r"5 mm × \d\.\d", sheet)
    twin = dcmread(package.target / "1187-01.dcm")
    assert [float(v) for v in twin.PixelSpacing] == [0.1, 0.1]
    assert float(twin.DeviceSequence[0].InterMarkerDistance) == 10
    assert scale_of(twin) is not None


def test_a_stamp_within_a_picture_is_in_the_language_of_the_sheet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = opened(tmp_path)
    camera_file(tmp_path / "1.JPG", 1)
    take(archive, tmp_path, [photo("1.JPG", confirmed=False)])
    agreed(archive, *Purpose)
    stamps: list[str] = []

    def told(frame: OutgoingFrame, _: object, words: list[str]) -> OutgoingFrame:
        stamps.extend(words)
        return frame

    monkeypatch.setattr("archiver.handover.package.altered", told)
    hand_over(archive, order(tmp_path, insisted_by="Haugen^Liv", language="de"), TODAY)
    assert stamps == ["SEITE NICHT BESTÄTIGT"]


@pytest.mark.parametrize("frame", COLOUR_FRAMES)
def test_every_kind_of_colour_frame_goes_out(frame: str) -> None:
    assert harmless(frame)

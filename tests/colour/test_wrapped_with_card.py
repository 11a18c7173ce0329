"""A session with a grey card that a person marked: by it colours come right, or it says why not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pydicom import Dataset
from simulated_camera import PLAIN, developed, grey_scene, pixels_of, tooth_scene
from test_wrapped_with_chart import NOW, objects, shot, stream, wrapped

from archiver.archive.ingest.colour_frames import after_drying
from archiver.archive.store import Archive
from archiver.colour.colours import BY_CARD, White, lab, space_of
from archiver.dentition import Tooth, View
from archiver.objects import (
    CARD,
    Circumstances,
    Patient,
    Photograph,
    Session,
    Visit,
    calibration_of,
    comments,
    concepts,
)
from archiver.standard import validate_file

CAMERA = PLAIN[1]
SHEET = """
numbering = "ISO 3950"
[patient]
id = "P-1042"
[visit]
date = 2026-03-04
[defaults]
light = "ring flash"
mirror = false
[[photo]]
file = "card.JPG"
view = "labial"
teeth = [11]
colour_frame = "neutral reference"
grey_card = { left = 90, top = 70, width = 140, height = 100 }
[[photo]]
file = "alike.JPG"
view = "labial"
teeth = [11]
[[photo]]
file = "automatic.JPG"
view = "labial"
teeth = [21]
"""


def session(folder: Path, card: bytes, *, sheet: str = SHEET, balance: int = 1) -> Path:
    shot(folder / "card.JPG", card, 1, white_balance=balance)
    teeth = tooth_scene(CAMERA)
    shot(folder / "alike.JPG", developed(CAMERA, teeth, seed=2), 2)
    shot(folder / "automatic.JPG", developed(CAMERA, teeth, seed=3), 3, white_balance=0)
    (folder / "sheet.toml").write_text(sheet, "utf-8")
    return folder / "sheet.toml"


def card_lab(ds: Dataset) -> np.ndarray:
    pixels = pixels_of(stream(ds))[90:150, 110:210]
    return np.asarray(lab(pixels, space_of(ds.ICCProfile), White.D50).mean(axis=(0, 1)))


def test_pictures_taken_like_the_card_and_the_card_itself_get_its_profile(tmp_path: Path) -> None:
    card = developed(CAMERA, grey_scene(CAMERA))
    with Archive.open(tmp_path / "archive", clock=lambda: NOW, actor="test") as archive:
        done = wrapped(archive, session(tmp_path, card))
        again = wrapped(archive, tmp_path / "sheet.toml")
    frame, alike = objects(done["card"]), objects(done["alike"])
    assert set(frame) == set(alike) == {"original", "derived"}
    assert set(objects(done["automatic"])) == {"original"}
    assert {n: one.instances for n, one in again.items()} == {
        n: one.instances for n, one in done.items()
    }
    light, a, b = card_lab(frame["derived"])
    # 18 % reflect as L* 49.5, by definition of L*.
    assert (light, a, b) == pytest.approx((49.5, 0, 0), abs=0.7)
    assert np.abs(card_lab(frame["original"])[1:]).max() > 3
    for ds in (frame["derived"], alike["derived"]):
        read = calibration_of(ds)
        assert read is not None and read.kind == CARD and (read.median, read.upper) == BY_CARD
        assert read.instance == frame["original"].SOPInstanceUID
        assert read.series == frame["original"].SeriesInstanceUID
        (reference,) = ds.ReferencedImageSequence
        assert reference.PurposeOfReferenceCodeSequence[0].CodeValue == "130750"
        assert "grey card" in ds.DerivationDescription
    assert stream(alike["original"]) == stream(alike["derived"])
    assert frame["original"].QualityControlImage == "BOTH"
    assert comments(frame["original"])[concepts.GREY_CARD] == "140x100+90+70"
    for one in (*done["card"].instances, *done["alike"].instances):
        assert not validate_file(Path(one.path))


def test_teeth_beside_a_card_come_right_whatever_the_white_balance(tmp_path: Path) -> None:
    card = developed(CAMERA, grey_scene(CAMERA))
    with Archive.open(tmp_path / "archive", clock=lambda: NOW, actor="test") as archive:
        done = wrapped(archive, session(tmp_path, card, balance=0))
    assert set(objects(done["card"])) == {"original", "derived"}
    assert set(objects(done["alike"])) == {"original"}


def test_the_marked_part_is_where_the_picture_shows_it_turned(tmp_path: Path) -> None:
    scene = grey_scene(CAMERA)[:, :, :]
    scene = np.concatenate([scene, np.full_like(scene, 0.02)], axis=1)
    seen = scene[:, ::-1]  # through a mirror; the sheet's pixels are those of the turned picture
    told = SHEET.replace("mirror = false", "mirror = true").replace('"labial"', '"palatal"')
    with Archive.open(tmp_path / "archive", clock=lambda: NOW, actor="test") as archive:
        frame = developed(CAMERA, np.ascontiguousarray(seen))
        done = wrapped(archive, session(tmp_path, frame, sheet=told))
    assert not [p for p in done["card"].warnings if p.code.startswith("colour.card")]
    assert calibration_of(objects(done["card"])["derived"]) is not None


@pytest.mark.parametrize(
    ("gain", "why"),
    [
        (np.array([20.0, 20.0, 20.0]), "clipped"),
        (np.linspace(0.6, 1.4, 320)[None, :, None], "uneven"),
        (np.linspace([0.8, 1, 1.2], [1.2, 1, 0.8], 320)[None], "mixed"),
    ],
)
def test_a_card_of_no_use_says_why_and_corrects_nothing(
    gain: np.ndarray, why: str, tmp_path: Path
) -> None:
    scene = grey_scene(CAMERA)
    card = developed(CAMERA, scene * gain[:, : scene.shape[1]] if gain.ndim > 1 else scene * gain)
    with Archive.open(tmp_path / "archive", clock=lambda: NOW, actor="test") as archive:
        done = wrapped(archive, session(tmp_path, card))
    (told,) = [p for p in done["card"].warnings if p.code.startswith("colour.card")]
    assert told.code == f"colour.card.{why}"
    assert str(told.hint)
    assert set(objects(done["alike"])) == set(objects(done["card"])) == {"original"}


def test_a_region_outside_the_picture_is_told_with_its_line(tmp_path: Path) -> None:
    from archiver.errors import SheetError
    from archiver.objects import read_sheet

    wide = SHEET.replace("width = 140", "width = 14000")
    session(tmp_path, developed(CAMERA, grey_scene(CAMERA)), sheet=wide)
    with pytest.raises(SheetError, match=r"line 15.*14000x100\+90\+70 leaves"):
        read_sheet(tmp_path / "sheet.toml", size_of=lambda _: (320, 240, 1))


def test_a_frame_of_colour_after_a_dried_tooth_is_warned_of_as_it_is_taken_in() -> None:
    said = [
        Circumstances(colour_frame="shade tab", stage="before preparation"),
        Circumstances(retraction="rubber dam"),
        Circumstances(colour_frame="cross-polarised"),
        Circumstances(),
    ]
    shots = tuple(
        Photograph(Path(str(n)), View.LABIAL, mirror=False, teeth=(Tooth(1, 1),), circumstances=how)
        for n, how in enumerate(said)
    )
    session = Session(Patient("P-1"), Visit(NOW.date()), shots)
    assert after_drying(session) == {id(shots[2])}
    assert after_drying(replace(session, photographs=shots[:1])) == frozenset()

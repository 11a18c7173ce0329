from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from archive_samples import NOON, tooth
from PIL import Image

from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.ingest.wrapped_photograph import WrappedPhotograph
from archiver.archive.query import Query
from archiver.archive.store import Outcome
from archiver.archive.store.archive import Archive
from archiver.dentition import Numbering
from archiver.errors import ArchiveError
from archiver.objects.session import Session
from archiver.objects.sheet import read_sheet
from archiver.sheets import session_picture
from archiver.sheets.contact_sheet import PAGE_WIDTH, SheetCell, SheetHead
from archiver.sheets.session_picture import write_contact_sheet, write_record_sheet
from tests.confirming import looked
from tests.pseudo_language import drawn_words, plain_words, pseudo_language

SHEET = """
numbering = "ISO 3950"
[patient]
id = "P-0417"
name = "Ødegård^Åse"
[visit]
date = 2026-03-04
[[photo]]
file = "mirror.jpg"
teeth = [46]
view = "occlusal"
mirror = true
confirmed_by = "Haugen^Liv"
[[photo]]
file = "direct.jpg"
teeth = [11, 21]
view = "labial"
mirror = false
[[photo]]
file = "broken.jpg"
view = "frontal"
mirror = false
"""
RED, BLUE = (220, 30, 30), (30, 30, 220)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("session")
    halves = Image.new("RGB", (640, 480), RED)
    halves.paste(BLUE, (0, 240, 640, 480))
    halves.save(folder / "mirror.jpg", quality=95, subsampling=0)
    halves.save(folder / "direct.jpg", quality=95, subsampling=0)
    whole = (folder / "direct.jpg").read_bytes()
    (folder / "broken.jpg").write_bytes(whole[:300])
    (folder / "sheet.toml").write_text(SHEET, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def session(folder: Path) -> Session:
    return looked(read_sheet(folder / "sheet.toml", size_of=lambda path: (640, 480)))


@pytest.fixture(scope="module")
def archive(folder: Path) -> Iterator[Archive]:
    with Archive.open(folder / "archive", actor="test") as opened:
        yield opened


@pytest.fixture(scope="module")
def taken(session: Session, archive: Archive) -> list[WrappedPhotograph]:
    return list(take_in(session, archive, IngestSettings(lambda: NOON)))


def drawn(monkeypatch: pytest.MonkeyPatch) -> list[tuple[SheetHead, list[SheetCell]]]:
    """Listen to what is handed to the layout."""
    heard: list[tuple[SheetHead, list[SheetCell]]] = []
    lay_out = session_picture.contact_sheet

    def listening(head: SheetHead, cells: list[SheetCell]) -> list[Image.Image]:
        heard.append((head, list(cells)))
        return lay_out(head, cells)

    monkeypatch.setattr(session_picture, "contact_sheet", listening)
    return heard


def colour_at(picture: Image.Image, x: float, y: float) -> str:
    red, _, blue = picture.convert("RGB").getpixel(
        (int(x * picture.width), int(y * picture.height))
    )  # type: ignore[misc]
    return "red" if red > blue else "blue"


def test_a_session_is_drawn_from_what_was_kept(
    session: Session,
    taken: list[WrappedPhotograph],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    heard = drawn(monkeypatch)
    paths = write_contact_sheet(session, taken, tmp_path / "sheet.png")
    assert [p.name for p in paths] == ["sheet.png"]
    with Image.open(paths[0]) as page:
        assert page.width == PAGE_WIDTH
        assert np.asarray(page).std() > 10
    head, (mirror, direct, broken) = heard[0]
    assert head.patient == "Ødegård, Åse" and head.visit == "Visit of 2026-03-04"
    # A lower occlusal mirror shot from the front is flipped top to bottom: the virtual mirror.
    assert mirror.as_shot is not None and mirror.stored is not None
    assert colour_at(mirror.as_shot.image, 0.5, 0.2) == "red"
    assert colour_at(mirror.stored.image, 0.5, 0.2) == "blue"
    # Displayed lower occlusal: rows to the left, columns to the front (ABO photographs).
    edges = mirror.stored.edges
    assert (edges.left, edges.top, edges.right, edges.bottom) == ("R", "P", "L", "A")
    assert (mirror.as_shot.edges.top, mirror.as_shot.edges.bottom) == ("A", "P")
    assert mirror.mirror == "Through a mirror; turned back: flipped top to bottom"
    assert mirror.confirmed_by == "Haugen, Liv" and mirror.source == "mirror.jpg"
    assert direct.stored is None and direct.mirror == "No mirror" and not direct.confirmed_by
    assert (direct.teeth_iso, direct.teeth_universal) == ("11, 21", "8, 9")
    # ISO 3950 first and Universal beside it; a sheet in another numbering is told in that first.
    assert direct.first == ("", "")
    for numbering, numbers in ((Numbering.PALMER, "UR1, UL1"), (Numbering.UNIVERSAL, "8, 9")):
        write_contact_sheet(replace(session, numbering=numbering), taken, tmp_path / "other.png")
        assert heard[-1][1][1].first == (numbering.value, numbers)
    assert taken[2].status is Outcome.REFUSED
    assert broken.as_shot is None and broken.stored is None
    assert broken.warnings[0].startswith("Refused: ") and broken.mirror == "Not kept"


def test_what_a_question_finds_is_paired_again(
    archive: Archive,
    taken: list[WrappedPhotograph],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert len(taken) == 3
    heard = drawn(monkeypatch)
    write_record_sheet(archive.query(Query()), tmp_path / "all.png")
    write_record_sheet(archive.query(Query(role="derived")), tmp_path / "derived.png")
    write_record_sheet(archive.query(Query(mirror="uncorrected")), tmp_path / "as-shot.png")
    write_record_sheet([], tmp_path / "none.png")
    both, derived, as_shot, none = (cells for _, cells in heard)
    assert sorted(cell.stored is not None for cell in both) == [False, True]
    assert derived[0].as_shot is None and derived[0].stored is not None
    assert "not among these" in derived[0].instead
    assert as_shot[0].mirror == "Through a mirror; NOT turned back"
    assert any("do not use it for the side" in w for w in as_shot[0].warnings)
    assert none == [] and heard[3][0].patient == "0 patients"


def test_a_sheet_has_no_english(
    session: Session,
    archive: Archive,
    taken: list[WrappedPhotograph],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    written = drawn_words(monkeypatch)
    with pseudo_language():
        write_contact_sheet(session, taken, tmp_path / "sheet.png")
        for question in (Query(), Query(role="derived"), Query(mirror="uncorrected")):
            write_record_sheet(archive.query(question), tmp_path / "found.png")
        write_record_sheet([], tmp_path / "none.png")
    said = ("haugen", "liv", "mirror", "direct", "broken", "jpg", "occlusal", "labial", "frontal")
    names = ("iso", "universal", "archiver", *said)
    assert len(written) > 100
    assert not [w for text in written for w in plain_words(text) if w.casefold() not in names]


def test_a_sheet_that_cannot_be_written_is_told_in_one_line(
    session: Session, taken: list[WrappedPhotograph], tmp_path: Path
) -> None:
    with pytest.raises(ArchiveError, match="cannot be written: no such file"):
        write_contact_sheet(session, taken, tmp_path / "none" / "sheet.png")


@pytest.mark.parametrize(
    ("iso", "universal"),
    # Universal numbers run 1 to 32 from the upper right third molar to the lower right one, and
    # A to T in the deciduous dentition (common practice).
    [
        ("14 15 16 17 24", "2-5, 12"),
        ("11 21", "8, 9"),
        ("12 11 21 22", "7, 8, 9, 10"),
        ("55 54 53", "A-C"),
        ("75", "K"),
        ("16 55", "3, A"),
        ("", ""),
    ],
)
def test_universal_numbers_are_drawn_together_within_a_quadrant(iso: str, universal: str) -> None:
    assert session_picture._universal([tooth(one) for one in iso.split()]) == universal


@pytest.mark.parametrize(
    ("name", "readable"),
    # PS3.5 6.2.1: family^given^middle^prefix^suffix; alphabetic=ideographic=phonetic.
    [
        ("Okafor^Nadia", "Okafor, Nadia"),
        ("Yamada^Tarou=山田^太郎=やまだ^たろう", "Yamada, Tarou (山田, 太郎)"),
        ("=山田^太郎", "山田, 太郎"),
        ("Haugen", "Haugen"),
        ("", ""),
    ],
)
def test_a_name_is_written_as_it_is_read(name: str, readable: str) -> None:
    assert session_picture._readable(name) == readable

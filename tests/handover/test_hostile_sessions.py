"""Nothing that names the patient is in a package, wherever a session has planted it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from byte_search import found, layers
from handover_samples import NOW as TODAY
from handover_samples import PLANTED, PLANTED_BYTES, hostile_archive, order

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.handover.package import Package, hand_over
from archiver.handover.profiles import profile_of
from archiver.objects.purposes import Purpose


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return hostile_archive(tmp_path_factory.mktemp("hostile"))


def clinic_uids(archive: Archive) -> set[str]:
    records = archive.query(Query(include_rejected=True))
    return {u for r in records for u in (r.study_uid, r.series_uid, r.sop_instance_uid)}


def made(archive: Archive, folder: Path, purpose: Purpose, **words: object) -> Package:
    case = {p: f"11{n}" for n, p in enumerate(Purpose)}[purpose]
    return hand_over(archive, order(folder, purpose=purpose, case=case, **words), TODAY)


def test_what_is_planted_is_in_the_archive(archive: Archive) -> None:
    # Else the search below would prove nothing. What else is planted stays on the card: wrapping
    # leaves it behind.
    objects = archive.layout.objects.rglob("*.dcm")
    hits = " ".join(hit for path in objects for hit in found(path, PLANTED))
    left_behind = {
        word
        for word in PLANTED
        if not any(repr(word.encode(code))[2:-1] in hits for code in ("utf-8", "utf-16-le"))
    }
    assert left_behind == {"1988:02:17"}


@pytest.mark.parametrize("purpose", [p for p in Purpose if p is not Purpose.PATIENT_COPY])
def test_a_package_names_nobody(archive: Archive, tmp_path: Path, purpose: Purpose) -> None:
    package = made(archive, tmp_path, purpose)
    assert len(package.chosen.pictures) == 3
    assert len(list(layers(package.target))) > 20
    assert found(package.target, (*PLANTED, *clinic_uids(archive))) == []
    for where, data in layers(package.target):
        assert not any(place in data for place in PLANTED_BYTES), where


def test_a_position_is_on_the_card_and_stays_there(archive: Archive) -> None:
    cards = [p for p in archive.layout.root.parent.iterdir() if p.suffix in (".JPG", ".png")]
    assert len(cards) == 2
    for card in cards:
        assert any(place in card.read_bytes() for place in PLANTED_BYTES), card
    for path in archive.layout.objects.rglob("*.dcm"):
        assert not any(place in path.read_bytes() for place in PLANTED_BYTES), path


def test_a_patients_own_copy_keeps_its_dates_and_nothing_else(
    archive: Archive, tmp_path: Path
) -> None:
    package = made(archive, tmp_path, Purpose.PATIENT_COPY)
    dates = ("20260304", "2026-03-04", "2026:03:04")
    words = (set(PLANTED) | clinic_uids(archive)) - set(dates)
    assert found(package.target, words) == []
    assert found(package.target, dates)


@pytest.mark.parametrize("way", [{"zipped": True}, {"png": True}])
def test_neither_a_zip_file_nor_png_pictures_name_anybody(
    archive: Archive, tmp_path: Path, way: dict[str, bool]
) -> None:
    target = tmp_path / ("package.zip" if "zipped" in way else "package")
    package = made(archive, tmp_path, Purpose.LABORATORY, target=target, **way)
    assert found(package.target, (*PLANTED, *clinic_uids(archive))) == []


def test_an_insistence_and_stamps_bring_no_name_in(archive: Archive, tmp_path: Path) -> None:
    package = made(archive, tmp_path, Purpose.LABORATORY, insisted_by="Haugen^Liv")
    assert found(package.target, (*PLANTED, *clinic_uids(archive))) == []


def test_the_files_are_called_by_case_and_number(archive: Archive, tmp_path: Path) -> None:
    package = made(archive, tmp_path, Purpose.LABORATORY)
    assert sorted(package.files) == sorted(
        [f"110-{n:02}.{kind}" for n in (1, 2, 3) for kind in ("dcm",)]
        + [name for name in package.files if name.endswith((".jpg", ".png"))]
        + ["110-manifest.json", "110.html", "110.pdf", "110.sha256"]
    )


def test_no_position_and_no_metadata_of_the_camera_is_in_a_picture(
    archive: Archive, tmp_path: Path
) -> None:
    package = made(archive, tmp_path, Purpose.LABORATORY)
    for where, data in layers(package.target):
        for mark in (b"Exif\0", b"GPSLatitude", b"ns.adobe.com", b"Photoshop", b"eXIf"):
            assert mark not in data, where


def test_the_search_finds_what_is_hidden_in_any_layer(archive: Archive, tmp_path: Path) -> None:
    package = made(archive, tmp_path, Purpose.LABORATORY)
    # What the sheet prints for whom it is, in the compressed streams of the PDF and elsewhere.
    hits = found(package.target, ["North laboratory"])
    kinds = ("pdf text of page 0", "html", "manifest.json")
    assert all(any(kind in hit for hit in hits) for kind in kinds), hits


def test_the_search_sees_into_every_chunk_of_a_png(archive: Archive) -> None:
    (card,) = archive.layout.root.parent.glob("*.png")
    seen = {where.partition(" chunk ")[2] for where, data in layers(card) if b"Okafor" in data}
    assert {"iTXt", "iTXt inflated", "eXIf", "iCCP inflated"} <= seen


def test_a_case_number_or_addressee_that_names_the_patient_is_refused(
    archive: Archive, tmp_path: Path
) -> None:
    for words in ({"case": "okafor-1"}, {"case": "P-0417"}, {"to": "Laboratory, for Nadia"}):
        with pytest.raises(Exception, match="holds a name or identifier of the patient"):
            hand_over(archive, replace(order(tmp_path, case="1187"), **words), TODAY)  # type: ignore[arg-type]
    assert not (tmp_path / "package").exists()


def test_every_purpose_lets_out_what_its_profile_says(archive: Archive, tmp_path: Path) -> None:
    for purpose in Purpose:
        package = made(archive, tmp_path, purpose, target=tmp_path / purpose.value)
        kinds = {Path(name).suffix for name in package.files}
        holds = profile_of(purpose).holds
        assert (".dcm" in kinds) is ("objects" in holds)
        assert (".pdf" in kinds) is (".html" in kinds) is ("sheet" in holds)
        assert bool({".jpg", ".png"} & kinds) is ("pictures" in holds)

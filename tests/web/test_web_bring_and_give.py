"""Files are imported, a patient is retrieved, and packages are made, from the pages."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from pydicom import dcmread
from web_serving import Served, serious, serve

from archiver import cli
from archiver.archive.query import Query, Record
from archiver.archive.statements import handovers
from archiver.archive.store.archive import Archive
from archiver.handover.file_set import directory_of
from tests.network import node_samples as samples

WHO = "P-1042"


@pytest.fixture(scope="module")
def here(served: Served, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An empty archive whose settings name the one of the demo studies."""
    folder = tmp_path_factory.mktemp("here")
    settings = folder / "archiver.toml"
    port, title = served.where["dimse_port"], served.where["title"]
    settings.write_text(
        f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {port}\ntitle = "{title}"\n'
    )
    running = serve(folder / "archive", settings=settings)
    yield running
    assert running.stop() == 0, running.errors


def held(archive: Path, query: Query) -> dict[str, Record]:
    with Archive.open(archive, read_only=True) as opened:
        return {one.sop_instance_uid: one for one in opened.query(query)}


def test_files_are_kept_as_they_are_and_what_is_none_is_told(
    here: Served, page: Page, tmp_path: Path
) -> None:
    file = samples.save(samples.radiograph(1), tmp_path)
    other = tmp_path / "letter.txt"
    other.write_text("no object")
    directory = tmp_path / "DICOMDIR"
    header, syntax = dcmread(file, stop_before_pixels=True), "1.2.840.10008.1.2.1"
    directory.write_bytes(directory_of([(header, syntax)], "PHOTOGRAPHS").content)
    page.goto(f"{here.url}/record")
    page.get_by_role("link", name="Bring in", exact=True).click()
    assert serious(page) == []
    page.locator("#files").set_input_files([file, other, file, directory])
    expect(page.locator("#fate-state")).to_have_text("2 of 4 files are in the archive")
    fates = page.locator("#fates dd")
    expect(fates.nth(0)).to_have_text("archived")
    expect(fates.nth(1)).to_contain_text("refused: the file is no DICOM object")
    expect(fates.nth(2)).to_have_text("there already")
    expect(fates.nth(3)).to_contain_text("a DICOMDIR lists objects and is none")
    (kept,) = held(here.archive, Query(modality="IO")).values()
    assert Path(kept.path).read_bytes() == file.read_bytes()
    assert not list(Path(here.archive, "tmp").iterdir())


def test_a_patient_is_retrieved_and_a_package_made_once_the_patient_has_consented(
    here: Served, served: Served, page: Page, tmp_path: Path
) -> None:
    page.goto(f"{here.url}/record/bring")
    page.get_by_label("Patient's identifier").fill(WHO)
    page.get_by_role("button", name="Retrieve", exact=True).click()
    theirs = held(served.archive, Query(patient_id=WHO))
    expect(page.locator("h1")).to_have_text(f"clinic has {len(theirs)} objects of the patient")
    expect(page.locator("dl")).to_have_text(f"archived{len(theirs)}")
    assert serious(page) == []
    assert set(held(here.archive, Query(patient_id=WHO))) == set(theirs)

    page.goto(f"{here.url}/record")
    page.locator("a[href^='/record/visit/']").first.click()
    page.get_by_role("link", name="Hand over").click()
    assert serious(page) == []
    ask = page.url

    def order() -> None:
        page.get_by_label("To whom").fill("North laboratory")
        page.get_by_label("Case number").fill("1187")
        page.get_by_label("leave the picture out").check()
        page.get_by_role("button", name="Make the package").click()

    order()
    expect(page.locator("#task-words")).to_contain_text("laboratory is not on record")
    assert handovers(here.archive) == []
    consent = ["consent", "--archive", str(here.archive), "--patient-id", WHO]
    assert cli.main([*consent, "--purpose", "laboratory", "--noted-by", "Haugen^Liv"]) == 0
    page.goto(ask)
    order()
    expect(page.locator("h1")).to_have_text("The package of case 1187 is ready")
    with page.expect_download() as coming:
        page.locator("a.button-main").click()
    assert coming.value.suggested_filename == "1187.zip"
    coming.value.save_as(tmp_path / "1187.zip")
    with zipfile.ZipFile(tmp_path / "1187.zip") as packed:
        sums = packed.read("1187.sha256").decode().splitlines()
        for line in sums:
            digest, name = line.split("  ")
            assert hashlib.sha256(packed.read(name)).hexdigest() == digest
        assert WHO.encode() not in b"".join(map(packed.read, packed.namelist()))
    (told,) = handovers(here.archive)
    assert (told.case, told.to) == ("1187", "North laboratory")


def test_a_picture_is_put_right_once_what_follows_has_been_seen(page: Page, served: Served) -> None:
    archive = served.archive
    query = Query(patient_id=WHO, role="derived")
    wrong = next(iter(held(archive, query).values()))
    page.goto(f"{served.url}/record/visit/{wrong.study_uid}")
    page.locator(f"a[href='/record/amend/{wrong.sop_instance_uid}']").click()
    assert serious(page) == []
    show, do = (page.get_by_role("button", name=name) for name in ("Show what", "Correct it"))
    page.get_by_label("Another patient's: the identifier").fill("P-9998")
    page.get_by_label("Name, of a patient new").fill("Vale^Iris")
    show.click()
    expect(page.get_by_role("status")).to_contain_text("P-9998")
    assert serious(page) == []
    # Something else than was shown is shown first.
    page.get_by_label("Another patient's: the identifier").fill("P-9999")
    do.click()
    expect(page.get_by_role("status")).to_contain_text("P-9999")
    assert not held(archive, Query(patient_id="P-9999"))
    do.click()
    expect(page.locator("h1")).to_contain_text("P-9999")
    (right,) = held(archive, Query(patient_id="P-9999", role="derived")).values()
    assert right.source_sha256 == wrong.source_sha256
    assert wrong.sop_instance_uid not in held(archive, query)

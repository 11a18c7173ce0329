"""Consent and the rarer keys of a sheet, said on the page; who noted, and whose consent it is."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from taking import Taking, card, let_in, say_as_the_sheet
from web_serving import Served, serious, serve

from archiver import cli
from archiver.archive.statements.consents import WITHDRAWN, consents_of, note
from archiver.archive.store.archive import Archive
from archiver.cli.context import now
from archiver.objects import FUNCTIONAL_STATES, SEEN_FROM
from archiver.objects.purposes import Purpose
from archiver.objects.sheet_keys import (
    COLOUR_FRAMES,
    CONSENT,
    OF_ONE_LOOK,
    PATIENT,
    PHOTO,
    REGIONS,
    VISIT,
)
from tests.new_archive import new_archive

EVERYTHING = """\
numbering = "ISO 3950"
[patient]
id = "P-0417"
issuer = "NORTH"
name = "Okafor^Nadia"
birth_date = 1990-05-06
sex = "F"
[visit]
date = 2026-03-04
time = 14:20:00
accession = "A-1"
description = "Crown"
clock_offset = "-00:03:10"
institution = "Harbour dental clinic"
photographer = "Vuorinen^Maia"
[consent]
purposes = ["laboratory", "teaching"]
noted_by = "Vuorinen^Maia"
until = 2027-03-04
[[photo]]
file = "IMG_9000.JPG"
view = "labial"
mirror = false
teeth = [21, 22, 23]
top = "head"
operator = "front"
flipped = "no"
exif_orientation = "use"
crop = { left = 80, top = 40, width = 320, height = 240 }
grey_card = { left = 20, top = 30, width = 60, height = 50 }
tab_region = { left = 120, top = 30, width = 60, height = 50 }
tooth_region = { left = 220, top = 30, width = 60, height = 50 }
scale_region = { left = 120, top = 90, width = 60, height = 1 }
scale_length = "8 mm ± 0.1 mm"
restoration = "crown 21"
state = "prepared"
material = "glass ceramic"
tab_system = "system with three groups"
tab_name = "third of the second group"
tab_place = "beside 11, edge to edge"
tab_number = "visible"
stump_shade = "dark"
surface_texture = "marked"
translucency = "much at the edge"
gloss = "medium"
instructions = "like 11, a little lighter at the neck"
stage = "start"
retraction = "lip retractor"
contraster = "black"
light = "ring flash"
polariser = "crossed"
purpose = "shade"
consent = "form of 2026-03-04"
colour_frame = "cross-polarised"
functional_state = "teeth apart"
magnification = "1:1"
seen_from = "front"
implant = "21"
pontic = "22"
edentulous = "23"
lingual_fronts = "upright"
checked = ["teeth"]
comment = "first frame of the visit"
"""
GIVEN = {"purposes": ["laboratory"], "until": ""}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("consent") / "archive"
    with Archive.open(folder, actor="test") as archive:
        note(archive, ("P-77", ""), Purpose.LABORATORY, by="L", now=now(), state=WITHDRAWN)
    served = serve(folder)
    let_in(served.archive, "Vuorinen^Maia", "assistant")
    yield served
    served.kill()


@pytest.fixture
def taking(running: Served) -> Taking:
    return Taking(running, "Vuorinen^Maia")


def test_a_draft_can_say_everything_that_a_sheet_can(
    taking: Taking, running: Served, tmp_path: Path
) -> None:
    card(tmp_path, 1)
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(EVERYTHING, "utf-8")
    for table in (PATIENT, VISIT, CONSENT, PHOTO):
        said = [k for k in table if k not in OF_ONE_LOOK]
        assert [k for k in said if f"\n{k} = " not in EVERYTHING] == []
    say_as_the_sheet(taking, sheet)
    task = taking.archive()
    assert (task["state"], task["result"]["consent"]) == ("done", []), task

    assert cli.main(["wrap", str(sheet), "--archive", str(new_archive(tmp_path / "wrapped"))]) == 0
    mine, theirs = (
        {p.name for p in (root / "objects").rglob("*.dcm")}
        for root in (running.archive, tmp_path / "wrapped")
    )
    # What an instance means is in its UID, so that equal names are equal meanings.
    assert theirs and theirs <= mine
    said = [
        [
            (c.purpose, c.state, c.noted_by, c.until, c.said_on)
            for c in consents_of(root, "P-0417", "NORTH")
        ]
        for root in (running.archive, tmp_path / "wrapped")
    ]
    assert said[0] == said[1]
    assert [one[0] for one in said[0]] == [Purpose.LABORATORY, Purpose.TEACHING]


def test_the_page_has_a_field_for_every_key_of_a_sheet(taking: Taking) -> None:
    html = taking.client.ask(f"/take-in/{taking.id}").text
    names = set(re.findall(r'name="([^"]+)"', html)) | set(re.findall(r'data-more="([^"]+)"', html))
    names |= set(re.findall(r'id="([^"]+)"', html))
    fields = {f"patient.{key}" for key in PATIENT if key != "name"} | {"family", "given"}
    fields |= {f"visit.{key}" for key in VISIT} | {"consent", "consent.until"}
    # What is drawn is chosen beside the button that draws; two keys answer questions.
    places = dict.fromkeys((*OF_ONE_LOOK, "checked"), "side")
    places |= {key: f"drawn-{key}" for key in ("crop", *REGIONS)}
    fields |= {places.get(key, key) for key in PHOTO}
    assert fields - names == set()
    offered = set(re.findall(r'<option value="([^"]+)"', html))
    assert {*COLOUR_FRAMES, *FUNCTIONAL_STATES, *SEEN_FROM} <= offered
    assert set(re.findall(r'name="consent" value="([^"]+)"', html)) == {p.value for p in Purpose}


def test_a_consent_is_noted_by_who_is_logged_in_and_goes_with_the_patient(taking: Taking) -> None:
    taking.change(patient={"id": "P-1", "name": "A^B"}, consent=GIVEN)
    assert taking.state()["consent"] == {"purposes": ["laboratory"], "noted_by": "Vuorinen^Maia"}
    taking.change(patient={"id": "P-1", "name": "A^C"})
    assert taking.state()["consent"]["purposes"] == ["laboratory"]
    taking.change(patient={"id": "P-2", "name": "A^C"})
    assert taking.state()["consent"] == {}
    taking.change(consent={**GIVEN, "until": "2027-01-02"})
    assert taking.state()["consent"]["until"] == "2027-01-02"
    taking.change(consent={"purposes": [], "until": ""})
    assert taking.state()["consent"] == {}


@pytest.mark.parametrize(
    "consent",
    [
        {"purposes": ["everything"]},
        {"purposes": "laboratory"},
        {"purposes": ["laboratory"], "until": "soon"},
        {"purposes": ["laboratory"], "noted_by": "Somebody^Else"},
        ["laboratory"],
    ],
)
def test_a_consent_that_cannot_be_is_refused(taking: Taking, consent: object) -> None:
    taking.state()
    assert taking.change(consent=consent).status == 422
    assert taking.state()["consent"] == {}


def test_a_consent_that_was_withdrawn_later_is_not_given_again_and_that_is_told(
    taking: Taking, tmp_path: Path
) -> None:
    taking.take(card(tmp_path, 1))
    taking.change(patient={"id": "P-77"}, visit={"date": "2026-03-04"}, consent=GIVEN)
    (digest,) = taking.state()["pictures"]
    taking.say(digest, view="face", mirror=False)
    (told,) = taking.archive()["result"]["consent"]
    assert "was withdrawn" in told and "2026-03-04 does not give it again" in told


def test_consent_and_frames_for_colour_are_said_on_the_page_and_kept(
    page: Page, archive: Path, start: Callable[..., Served], tmp_path: Path
) -> None:
    served = start(archive)
    page.goto(f"{served.url}/take-in")
    page.get_by_role("button", name="New visit").click()
    page.wait_for_selector("[data-ready]", state="attached")
    page.locator("#files").set_input_files([str(file) for file in card(tmp_path, 2)])
    expect(page.locator(".tile[data-digest]")).to_have_count(2)
    expect(page.locator(".tile-coming")).to_have_count(0)
    page.locator("#whom-open").click()
    page.get_by_label("Patient identifier").fill("P-9")
    page.get_by_text("What the patient consents to").click()
    page.get_by_label("the laboratory").check()
    page.get_by_label("Holds until").fill("2027-03-04")
    page.get_by_role("button", name="Take these").click()
    expect(page.locator("#whom-visit")).to_contain_text("consent noted")
    page.locator(".tile").first.click()
    page.get_by_text("More about the picture").click()
    page.get_by_label("Picture for judging colours").select_option("shade tab")
    page.get_by_label("What is drawn").select_option("grey_card")
    page.locator(".crop-se").press("ArrowRight")
    expect(page.locator("#crop-words")).to_contain_text("Kept. The picture is shown whole")
    wide = page.locator("#crop-width").input_value()
    expect(page.locator("#kept")).to_have_text("All of it is kept")

    page.reload()
    page.wait_for_selector("[data-ready]", state="attached")
    expect(page.locator("#more-colour_frame")).to_have_value("shade tab")
    page.get_by_label("What is drawn").select_option("grey_card")
    expect(page.locator("#crop-width")).to_have_value(wide)
    page.locator("#whom-open").click()
    expect(page.get_by_label("the laboratory")).to_be_checked()
    expect(page.get_by_label("teaching")).not_to_be_checked()
    expect(page.get_by_label("Holds until")).to_have_value("2027-03-04")
    # Who goes through the form again and says nothing else leaves the consent as it was noted.
    page.get_by_label("Description").fill("Crown")
    page.get_by_role("button", name="Take these").click()
    expect(page.locator("#whom-visit")).to_contain_text("Crown · consent noted")
    # Of another patient nothing is known.
    page.locator("#whom-open").click()
    page.get_by_label("Identifier or part of the name").type("march")
    page.get_by_role("button", name="Marchetti").click()
    expect(page.locator("#whom-visit")).not_to_contain_text("consent noted")
    assert serious(page) == []

"""What follows from what is said: the tables that the browser looks up, and its own arithmetic."""

from __future__ import annotations

import itertools
import random

import pytest
from playwright.sync_api import Page
from taking import Taking
from web_serving import Served

from archiver.dentition.correction import Operator, plan
from archiver.dentition.numbering import Numbering, read_teeth
from archiver.dentition.orientation import Direction, Turn
from archiver.dentition.views import View
from archiver.errors import MeaningError
from archiver.objects import FLIPS
from archiver.photo.turning import Box, plan_cut, turned_size
from archiver.web.pages.take_in.drafts import Draft, Photo
from archiver.web.pages.take_in.photo_entry import changed, judged, recropped
from archiver.web.pages.take_in.required_views import rule_sets, wanted
from archiver.web.pages.take_in.turn_table import readings, turns

TEETH = ("", "16", "25", "36", "46", "11,21", "13-23", "33-43", "16,26", "36,46", "55", "14-17,24")


def photo(n: int = 1, columns: int = 600, rows: int = 400, exif: int = 1) -> Photo:
    digest = f"{n:064x}"
    captured = f"2026-03-04T14:20:{n % 60:02}"
    return Photo(digest, f"{n}.JPG", ".jpg", "JPEG", 9, columns, rows, exif, captured, (16, 8))


@pytest.mark.parametrize("teeth", TEETH)
def test_the_tables_say_what_the_plan_says_for_every_way_of_taking_a_picture(teeth: str) -> None:
    read = read_teeth(teeth, Numbering.ISO) if teeth else ()
    table, group = readings(read), turns()
    ways = itertools.product(View, (False, True), (None, *Direction), Operator, Turn)
    for view, mirror, top, operator, exif in ways:
        told = table[view.value]
        by_table = None
        if "problem" not in told:
            way = top.word if top else operator.value
            shown = told["turns"].get("mirror" if mirror else "direct", {}).get(way)
            by_table = group["after"][shown][exif] if shown else None
        try:
            made = plan(view, read, mirror=mirror, top=top, operator=operator, exif=exif)
        except MeaningError:
            assert by_table is None
            continue
        assert by_table is made.correction
        assert told["edges"] == {k: v.value for k, v in made.display.edges.items()}


@pytest.mark.parametrize("flipped", FLIPS)
@pytest.mark.parametrize("exif", Turn)
def test_what_was_flipped_before_turns_otherwise_and_an_ignored_orientation_does_not_count(
    flipped: str, exif: Turn
) -> None:
    said = {"view": "occlusal", "mirror": True, "teeth": ["36"], "flipped": flipped}
    teeth = read_teeth("36", Numbering.ISO)
    for ignored, heeded in ((False, exif), (True, Turn.IDENTITY)):
        more = {"exif_orientation": "ignore"} if ignored else {}
        made = plan(View.OCCLUSAL, teeth, mirror=True, exif=heeded, flipped=FLIPS[flipped])
        assert judged({**said, **more}, photo(exif=exif), {})["turn"] == made.correction
        habit = judged(said, photo(exif=exif), more)
        assert habit["turn"] == made.correction
    only = turns()["after"][FLIPS[flipped]][exif]
    shown = readings(teeth)["occlusal"]["turns"]["mirror"]["front"]
    made = plan(View.OCCLUSAL, teeth, mirror=True, exif=exif, flipped=FLIPS[flipped])
    assert turns()["after"][shown][only] is made.correction


@pytest.mark.parametrize("mirror", [False, True])
def test_front_teeth_from_inside_are_turned_by_half_where_the_practice_does_so(
    mirror: bool,
) -> None:
    said = {"view": "palatal", "mirror": mirror, "teeth": ["11"]}
    upright = judged(said, photo(), {})
    by_habit = judged(said, photo(), {"lingual_fronts": "turned"})
    assert judged({**said, "lingual_fronts": "turned"}, photo(), {}) == by_habit
    assert judged({**said, "lingual_fronts": "upright"}, photo(), {"lingual_fronts": "turned"}) == (
        upright
    )
    assert by_habit["turn"] == Turn.HALF.after(Turn(upright["turn"]))
    assert by_habit["edges"] == {"top": "F", "bottom": "H", "left": "R", "right": "L"}
    # The browser works it out from these.
    table = readings(read_teeth("11", Numbering.ISO))
    assert table["palatal"]["turned"] == by_habit["edges"]
    assert [view for view, one in table.items() if one.get("turned")] == ["lingual", "palatal"]


@pytest.mark.parametrize(
    "change",
    [
        {"lingual_fronts": "turned"},
        {"flipped": "left-right"},
        {"exif_orientation": "ignore"},
        {"view": "buccal"},
        {"mirror": False},
        {"teeth": "26"},
        {"top": "head"},
        {"operator": "behind"},
        {"mirror": None},
    ],
    ids=str,
)
def test_who_changes_what_turns_a_picture_has_to_confirm_again(change: dict[str, object]) -> None:
    said = {"view": "occlusal", "mirror": True, "teeth": ["16"], "confirmed_by": "Berg^Ida"}
    assert "confirmed_by" not in changed(said, change, Numbering.ISO)


def test_what_does_not_turn_a_picture_leaves_its_side_confirmed() -> None:
    said = {"view": "occlusal", "mirror": True, "teeth": ["16"], "confirmed_by": "Berg^Ida"}
    crop = {"left": 1, "top": 2, "width": 3, "height": 4}
    for change in ({"comment": "dry"}, {"crop": crop}, {"view": "occlusal"}, {"stage": "start"}):
        assert changed(said, change, Numbering.ISO)["confirmed_by"] == "Berg^Ida"


@pytest.mark.parametrize("exif", [1, 3, 6, 8])
def test_a_crop_stays_on_the_same_part_of_the_mouth_when_a_picture_is_turned(exif: int) -> None:
    one = photo(exif=exif)
    before = {"view": "frontal", "mirror": False}
    after = {"view": "upper occlusal arch", "mirror": True, "operator": "behind"}
    width, height = turned_size(judged(before, one, {})["turn"], 600, 400)
    crop = {"left": 5, "top": 7, "width": width // 2, "height": height // 3}
    there = recropped({**before, "crop": crop}, after, one, {})
    back = recropped({**after, "crop": there}, before, one, {})
    assert back == crop
    assert {there["width"], there["height"]} == {crop["width"], crop["height"]}


def test_every_shipped_protocol_can_be_walked_through_by_its_offers_alone() -> None:
    for key in rule_sets():
        draft = Draft("x", "ida", "", "", rules=key, teeth=("16", "36"))
        photos: dict[str, Photo] = {}
        for n in range(60):
            open_rows = [row for row in wanted(draft, photos) if row["offer"]]
            if not open_rows:
                break
            offer, one = open_rows[0]["offer"], photo(n)
            photos[one.digest] = one
            said = {key: offer[key] for key in ("view", "mirror", "teeth")} | offer["more"]
            draft = draft.with_said({one.digest: said})
            follows = judged(said, one, {})
            assert follows["edges"] is not None, (key, offer, follows)
        else:
            pytest.fail(f"{key} is never fulfilled")
        assert all(row["there"] for row in wanted(draft, photos))


def test_a_picture_that_is_left_out_fulfils_nothing() -> None:
    draft = Draft("x", "ida", "", "", rules="five-intraoral")
    one = photo()
    said = {"view": "frontal", "mirror": False}
    for more, there in (({}, True), ({"left_out": True}, False)):
        rows = wanted(draft.with_said({one.digest: {**said, **more}}), {one.digest: one})
        assert rows[0]["there"] is there


def test_the_browser_snaps_a_crop_as_the_transcoder_will(page: Page, served: Served) -> None:
    page.goto(f"{served.url}/take-in/{Taking(served).id}")
    page.goto(f"{served.url}/take-in")
    page.get_by_role("button", name="New visit").click()
    page.wait_for_selector("[data-ready]", state="attached")
    chance = random.Random(20260304)
    rows = []
    for _ in range(400):
        turn, block = chance.randint(1, 8), chance.choice([(8, 8), (16, 8), (8, 16), (16, 16)])
        size = chance.randint(70, 900), chance.randint(70, 900)
        width, height = turned_size(turn, *size)
        left, top = chance.randint(0, width - 2), chance.randint(0, height - 2)
        crop = Box(left, top, chance.randint(1, width - left), chance.randint(1, height - top))
        planned = plan_cut(turn, crop, size=size, mcu=block)
        box = planned.box if planned else crop
        rows.append(([turn, block, size, vars(crop)], vars(box)))
    found = page.evaluate(
        """async (rows) => {
          const { snapped } = await import("/static/take_in/turning.js");
          return rows.map(([turn, block, [columns, rows], crop]) =>
            snapped(crop, { block, columns, rows }, turn, "trim"));
        }""",
        [given for given, _ in rows],
    )
    for (given, wanted_box), got in zip(rows, found, strict=True):
        assert got == wanted_box, given


def test_the_browser_moves_a_crop_as_the_server_does(page: Page, served: Served) -> None:
    page.goto(f"{served.url}/take-in")
    page.get_by_role("button", name="New visit").click()
    page.wait_for_selector("[data-ready]", state="attached")
    from archiver.photo.turning import source_box, turned_box

    for before, after in itertools.product(range(1, 9), repeat=2):
        crop = Box(13, 29, 101, 57)
        stored = source_box(crop, before, 600, 400)
        got = page.evaluate(
            """async ([crop, before, after]) => {
              const { recropped } = await import("/static/take_in/turning.js");
              return recropped(crop, { columns: 600, rows: 400 }, before, after);
            }""",
            [vars(crop), before, after],
        )
        assert got == vars(turned_box(stored, after, 600, 400)), (before, after)

"""The page of a comparison: nothing cut off, nothing written over the teeth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from archiver.cli.compare import print_comparison
from archiver.colour.colours import space_of
from archiver.dentition.orientation import Direction, Orientation, Turn
from archiver.dentition.teeth import Tooth
from archiver.objects.description import Description
from archiver.photo import turned
from archiver.priors import wording
from archiver.priors.choosing import SAME
from archiver.priors.comparison import Compared, Comparison
from archiver.priors.difference import FULL_SCALE, RegionColour, difference_map, lay
from archiver.priors.display_pixels import Shown, display_turn
from archiver.sheets import plates
from archiver.sheets.comparison_picture import PAGE_WIDTH, Title, draw
from archiver.sheets.sheet_cells import Edges
from archiver.vision.registration import Alignment, Refusal
from archiver.vision.transforms import Model
from archiver.vision.wrong_way import Checked, Way
from archiver.wording import Text
from tests.pseudo_language import drawn_words, plain_words, pseudo_language

NAMES = (
    "Okafor^Nadia",
    "Featherstonehaugh-Wolverhampton-Cholmondeley^Maximiliana Konstantina Theodora Wilhelmine",
    "بن عبد الرحمن الأنصاري الدمشقي^محمد عبد اللطيف",
    "כהן־אברמוביץ׳^שלומית",
    "",
)
TITLE = Title((Tooth(1, 6),), "occlusal", "archiver 0.1.0, 2026-03-04")
MARGIN = 80


def shown(
    name: str = NAMES[0], date: str = "20260304", size: tuple[int, int] = (600, 400)
) -> Shown:
    rng = np.random.default_rng(len(date))
    blocks = rng.integers(40, 220, (size[1] // 40, size[0] // 40, 3), dtype=np.uint8)
    pixels = np.asarray(Image.fromarray(blocks).resize(size, Image.Resampling.BICUBIC))
    description = Description(
        "P-0417", "RIVERBEND", name, "19880217", "F", "1.1", "1.2", "1.3", "1.4", "XC", date, "",
        "", "", "", "", 1, size[1], size[0], "R", None, (Tooth(1, 6),), None, None, None,
        "corrected", False, "", "derived", (), None,
    )  # fmt: skip
    facing = Orientation(Direction.LEFT, Direction.POSTERIOR)
    return Shown(description, pixels, size, facing, space_of(None), Turn.IDENTITY, Path("a.dcm"))


def aligned(newest: Shown, prior: Shown) -> Compared:
    region = np.zeros(newest.pixels.shape[:2], bool)
    region[100:300, 200:400] = True
    unfollowed = np.roll(region, 200, axis=1)
    alignment = Alignment(
        np.eye(3), Model.SIMILARITY, 2.5, 1.0, 0.0, 80, 300, 0.6, region, unfollowed, 1.0
    )
    laid = lay(np.eye(3), newest, prior)
    apart = difference_map(newest, prior, laid, (np.ones(3), np.ones(3)))
    checked = Checked(Way.SAME, 80, 4, alignment)
    return Compared(prior, "same tooth and view", checked, laid, apart, None, ())


def page(newest: Shown, one: Compared, title: Title = TITLE) -> np.ndarray:
    return np.asarray(next(draw(Comparison(newest, (one,)), title)))


@pytest.mark.parametrize("name", NAMES, ids=["short", "long", "arabic", "hebrew", "none"])
def test_no_text_leaves_the_page_whatever_the_name(name: str) -> None:
    newest = shown(name)
    drawn = page(newest, aligned(newest, shown(name, "20240101")))

    assert drawn.shape[1] == PAGE_WIDTH
    for margin in (drawn[20:, : MARGIN - 8], drawn[20:, -(MARGIN - 8) :]):
        assert (margin == 255).all()
    assert (drawn[-30:] == 255).all()


def test_a_long_title_leaves_the_key_of_letters_free() -> None:
    newest = shown()
    one = aligned(newest, shown(date="20240101"))
    long = replace(TITLE, view="a view whose name is long, and longer in another language")
    key = (slice(200, 250), slice(1300, PAGE_WIDTH))

    assert (page(newest, one, long)[key] == page(newest, one)[key]).all()


@pytest.mark.parametrize("way", [Way.REVERSED, Way.UNDECIDED])
def test_a_refused_pair_keeps_to_its_page_and_says_why(way: Way) -> None:
    newest, prior = shown(), shown(date="20240101")
    refusal = Refusal(Text("vision.refusal.few_agree", n=5, needed=12), 5)
    one = Compared(prior, "", Checked(way, 5, 90, refusal), None, None, None, ())

    drawn = page(newest, one)

    alarm = (drawn == (0xA6, 0x3D, 0x1C)).all(axis=2)[700:]
    assert alarm.any() == (way is Way.REVERSED)
    assert (drawn[20:, -(MARGIN - 8) :] == 255).all()
    words = wording.alignment(one, newest)
    assert words.startswith("Mirror-reversed" if way is Way.REVERSED else "Not aligned")


def test_what_is_told_of_a_comparison_shows_no_english(capsys: pytest.CaptureFixture[str]) -> None:
    with pseudo_language():
        newest, earlier = shown(), shown(date="20240101")
    good = aligned(newest, earlier)
    grey = (Text("priors.comparison.neutral"), Text("priors.comparison.one_grey_card"))
    colour = RegionColour((1.0, 2.0, 3.0), (1.0, 2.0, 4.0), (1, 2, 3), (1, 2, 4), 0.5, 90, False)
    refused = Checked(Way.REVERSED, 5, 90, Refusal(Text("vision.refusal.unlike"), 5))
    told = (
        replace(good, relation=SAME, colour=colour, light=grey),
        replace(good, relation=Text("priors.choosing.other_patient"), lost=True, single=False),
        Compared(earlier, "", refused, None, None, None, ()),
        Compared(earlier, "", replace(refused, way=Way.TURNED), None, None, None, ()),
        Compared(earlier, "", replace(refused, way=Way.UNDECIDED), None, None, None, ()),
    )
    with pseudo_language():
        print_comparison(Comparison(newest, told))
        said = [capsys.readouterr().out, *map(wording.prior, told)]
    assert len(said[0].splitlines()) == 20
    named = ("a.dcm", "CIE", "sRGB", "CIEDE2000")
    assert not [w for text in said for w in plain_words(text) if w not in ("dcm", *named)]


def test_the_tooth_in_the_middle_is_not_said_to_be_the_named_one() -> None:
    newest = shown()
    one = aligned(newest, shown(date="20240101"))

    assert "on the tooth in the middle of the newest picture" in wording.alignment(one, newest)
    assert "on the tooth," in wording.alignment(replace(one, pointed_at=True), newest)
    assert "on the teeth," in wording.alignment(replace(one, single=False), newest)


def test_a_page_has_no_english(monkeypatch: pytest.MonkeyPatch) -> None:
    refusal = Refusal(Text("vision.refusal.few_agree", n=5, needed=12), 5)
    with pseudo_language():
        newest, earlier = shown(""), shown(date="20240101")
        newest = replace(newest, description=replace(newest.description, patient_id=""))
        refused = Compared(earlier, "", Checked(Way.REVERSED, 5, 90, refusal), *[None] * 3, ())
        pair = (replace(aligned(newest, earlier), relation=SAME), refused)
        written = drawn_words(monkeypatch)
        list(draw(Comparison(newest, pair), TITLE))
    said = ("occlusal", "archiver", "RIVERBEND", "ISO", "Universal", "CIEDE", "sRGB")
    assert len(written) > 40
    assert not [w for text in written for w in plain_words(text) if w not in said]


def test_many_teeth_and_an_upright_picture_fit() -> None:
    newest = shown(size=(400, 640))
    teeth = tuple(Tooth(q, p) for q in (1, 2) for p in range(1, 9))

    drawn = page(
        newest,
        aligned(newest, shown(date="20240101", size=(400, 640))),
        replace(TITLE, teeth=teeth),
    )

    assert (drawn[20:, -(MARGIN - 8) :] == 255).all()


def test_a_plate_writes_its_letters_beside_the_picture() -> None:
    canvas = Image.new("RGB", (800, 600), "#FFFFFF")
    pixels = np.full((300, 450, 3), 7, np.uint8)
    facing = Orientation(Direction.LEFT, Direction.FOOT)

    edges, box = Edges.around((Tooth(1, 1),), facing), (10, 10, 780, 580)
    x, y, wide, high = plates.plate(canvas, pixels, edges, box)

    drawn = np.asarray(canvas)
    assert (drawn[y : y + high, x : x + wide] == 7).all()
    assert (edges.top, edges.right, edges.left) == ("H", "L", "R")
    words = {"top": "gingival", "right": "mesial", "bottom": "incisal", "left": "distal"}
    assert edges.words == words
    # The word stands behind its letter, and where none can be said there is none.
    bare = Image.new("RGB", (800, 600), "#FFFFFF")
    plates.plate(bare, pixels, Edges("H", "L", "F", "R"), box)
    changed = np.argwhere((drawn != np.asarray(bare)).any(axis=2))
    top = changed[changed[:, 0] < y]
    assert top.size and top[:, 1].min() > x + wide // 2
    side = changed[changed[:, 1] < x]
    assert side.size and side[:, 0].max() < y + high // 2


def test_the_map_shows_no_difference_dark_and_what_is_missing_grey() -> None:
    apart = np.array([[0.0, FULL_SCALE, np.nan, 99.0]])

    drawn = plates.mapped(apart, (4, 1))

    table = plates.colour_map()
    assert drawn[0, 0].tolist() == table[0].tolist()
    assert drawn[0, 1].tolist() == drawn[0, 3].tolist() == table[255].tolist()
    assert drawn[0, 2].tolist() == [84, 92, 98]


def test_a_split_shows_the_prior_left_of_its_seam() -> None:
    newest, prior = np.full((10, 100, 3), 200, np.uint8), np.full((10, 100, 3), 50, np.uint8)

    made = plates.split(newest, prior, np.ones((10, 100), bool), 0.5)

    assert (made[:, :49] == 50).all() and (made[:, 52:] == 200).all()


@pytest.mark.parametrize(
    ("earlier", "later", "words"),
    [
        ("20240213", "20260224", "2 years"),
        ("20240213", "20260413", "2 years 2 months"),
        ("20240213", "20250212", "11 months"),
        ("20240213", "20240301", "17 days"),
        ("20240213", "20240214", "1 day"),
        ("20240213", "20240313", "1 month"),
        ("", "20240313", ""),
    ],
)
def test_the_age_of_a_change_is_told_in_words(earlier: str, later: str, words: str) -> None:
    assert wording.span(earlier, later) == words


@pytest.mark.parametrize("turn", list(Turn))
def test_pixels_are_turned_as_their_orientation_is(turn: Turn) -> None:
    """A mark at the patient's right stays there: letters and pixels turn alike."""
    facing = Orientation(Direction.LEFT, Direction.POSTERIOR)
    pixels = np.zeros((5, 9, 3), np.uint8)
    pixels[2, 0] = 255  # the left edge: the patient's right

    made = turned(pixels, turn.value)

    row, column = np.argwhere(made[..., 0])[0]
    edge = {
        (0, made.shape[1] // 2): "top",
        (made.shape[0] - 1, made.shape[1] // 2): "bottom",
        (made.shape[0] // 2, 0): "left",
        (made.shape[0] // 2, made.shape[1] - 1): "right",
    }[(int(row), int(column))]
    assert facing.turned(turn).edges[edge] is Direction.RIGHT


def test_an_object_without_orientation_is_shown_as_it_is_stored() -> None:
    assert display_turn(shown().description) == (Turn.IDENTITY, None)
    assert Edges.around((), None) == Edges("", "", "", "")


def test_teeth_on_which_nothing_was_followed_are_hatched() -> None:
    newest = shown()
    found = aligned(newest, shown(date="20240101")).alignment
    assert found is not None

    drawn = plates.outlined(newest.pixels, found)

    hatched = (drawn == (255, 214, 10)).all(axis=2)
    inner = np.s_[110:290, 410:590]
    assert 0.1 < hatched[inner].mean() < 0.3 and found.unfollowed[inner].all()
    assert (drawn[110:290, 210:390] == newest.pixels[110:290, 210:390]).all()
    assert not hatched[310:].any()

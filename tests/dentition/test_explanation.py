"""What is told of a photograph, and how it is drawn."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.dentition.correction import Operator, Plan, plan
from archiver.dentition.drawing import draw, stages
from archiver.dentition.explanation import CAUTION, explain
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Direction, Orientation, Turn
from archiver.dentition.scene import scene_of
from archiver.dentition.sights import sight
from archiver.dentition.svg import draw_svg
from archiver.dentition.teeth import ALL_TEETH, Arch, Side, Tooth
from archiver.dentition.views import View, view_of
from archiver.errors import MeaningError

SVG = "{http://www.w3.org/2000/svg}"
OPPOSITE = {"L": "R", "R": "L", "P": "A", "A": "P", "H": "F", "F": "H"}


def made(view: str, teeth: str = "", *, mirror: bool = False, exif: int = 1) -> Plan:
    said = parse_teeth(teeth) if teeth else ()
    return plan(view_of(view), said, mirror=mirror, exif=Turn(exif))


@st.composite
def plans(draw_: st.DrawFn) -> Plan:
    view = draw_(st.sampled_from(list(View)))
    every = [*ALL_TEETH, *(Tooth(t.quadrant, t.position, True) for t in ALL_TEETH)]
    teeth = tuple(draw_(st.lists(st.sampled_from(every), max_size=6)))
    try:
        return plan(
            view,
            teeth,
            mirror=draw_(st.booleans()),
            operator=draw_(st.sampled_from(list(Operator))),
            exif=draw_(st.sampled_from(list(Turn))),
        )
    except MeaningError:
        return plan(View.FRONTAL, mirror=True)


def test_a_lingual_mirror_picture_is_told_in_full() -> None:
    told = explain(made("lingual", "universal:30", mirror=True)).to_json()
    assert told == {
        "teeth": [
            {
                "iso": "46",
                "universal": "30",
                "palmer": "LR6",
                "name": "lower right first molar",
            }
        ],
        "view": "lingual",
        "mirror": True,
        "operator": "front",
        "top": None,
        "exif": 1,
        "looking": "right",
        "on_camera": {
            "patient_orientation": ["A", "F"],
            "edges": {"top": "head", "right": "anterior", "bottom": "foot", "left": "posterior"},
            "true_picture": False,
        },
        "in_file": {
            "patient_orientation": ["A", "F"],
            "edges": {"top": "head", "right": "anterior", "bottom": "foot", "left": "posterior"},
            "true_picture": False,
        },
        "corrected": {
            "patient_orientation": ["P", "F"],
            "edges": {"top": "head", "right": "posterior", "bottom": "foot", "left": "anterior"},
            "true_picture": True,
        },
        "correction": {
            step: {
                "number": 2,
                "name": "flip left right",
                "words": "flipped left to right",
                "reflects": True,
            }
            for step in ("from_file", "from_camera")
        },
        "corrected_instance": True,
        "image_laterality": "R",
        # Codes: PS3.16 CID 4061, 244, 4018, 4062, CP-1570 for the modifiers and the device.
        "anatomic_region": {
            "value": "123851003",
            "scheme": "SCT",
            "meaning": "Mouth",
            "modifier": {"value": "24028007", "scheme": "SCT", "meaning": "Right"},
        },
        "primary_anatomic_structures": [
            {
                "tooth": "46",
                "value": "866005003",
                "scheme": "SCT",
                "meaning": "Mandibular right first molar tooth",
            },
            {"value": "88176008", "scheme": "SCT", "meaning": "Mandibular dental arch"},
        ],
        "surface": {
            "value": "72203008",
            "scheme": "SCT",
            "meaning": "Structure of lingual surface of tooth",
        },
        "view_code": {"value": "399198007", "scheme": "SCT", "meaning": "right lateral"},
        "view_modifiers": {
            "as_shot": [
                {"value": "789135000", "scheme": "SCT", "meaning": "Mirrored image uncorrected"}
            ],
            "corrected": [
                {
                    "value": "789310004",
                    "scheme": "SCT",
                    "meaning": "Mirrored photo image of teeth corrected flipped horizontally",
                }
            ],
        },
        "devices": [
            {"value": "1332162007", "scheme": "SCT", "meaning": "Intraoral photography mirror"}
        ],
        "notes": [],
        "side_confirmed": False,
        "caution": str(CAUTION),
    }


@given(plans())
def test_every_explanation_is_json_that_is_consistent_in_itself(one: Plan) -> None:
    told = explain(one)
    found = json.loads(json.dumps(told.to_json()))
    for stage in ("on_camera", "in_file", "corrected"):
        rows, columns = found[stage]["patient_orientation"]
        words = {d.value: d.word for d in Direction}
        assert found[stage]["edges"] == {
            "top": words[OPPOSITE[columns]],
            "right": words[rows],
            "bottom": words[columns],
            "left": words[OPPOSITE[rows]],
        }
    file, screen = (found["correction"][k]["number"] for k in ("from_file", "from_camera"))
    assert told.in_file.orientation.turned(Turn(file)) == told.corrected.orientation
    assert told.on_camera.orientation.turned(Turn(screen)) == told.corrected.orientation
    assert told.in_file.orientation.turned(one.exif) == told.on_camera.orientation
    assert found["corrected"]["true_picture"] is True and found["side_confirmed"] is False
    assert found["correction"]["from_file"]["reflects"] is not found["in_file"]["true_picture"]
    assert found["corrected_instance"] is (file != 1)
    assert bool(found["devices"]) is one.mirror


def test_an_explanation_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        explain(made("frontal")).mirror = True  # type: ignore[misc]


def test_the_caution_says_that_no_file_proves_a_flip_and_a_person_has_to_confirm() -> None:
    for words in ("prove", "unconfirmed until a person", "by a photograph alone"):
        assert words in str(CAUTION)


def boxes(text: str) -> list[list[str]]:
    """Cut a drawing into its boxes, each as the lines between the borders."""
    inside = [line for line in text.splitlines() if "│" in line]
    cut = [line.split("│")[1::2] for line in inside]
    return [list(box) for box in zip(*cut, strict=True)]


def column_of(box: list[str], label: str) -> int:
    (line,) = (one for one in box if label in one)
    return line.index(label)


def row_of(box: list[str], label: str) -> int:
    (row,) = (i for i, one in enumerate(box) if label in one)
    return row


def test_the_drawing_of_a_left_right_flip_exchanges_the_neighbours() -> None:
    shot, corrected = boxes(draw(made("lingual", "iso:46", mirror=True)))
    assert column_of(shot, "47") < column_of(shot, "46") < column_of(shot, "45")
    assert column_of(corrected, "45") < column_of(corrected, "46") < column_of(corrected, "47")
    assert row_of(shot, "gum") > row_of(shot, "46") and row_of(corrected, "gum") > row_of(
        corrected, "46"
    )
    assert "[46]" in "".join(shot) and "[45]" not in "".join(shot)


def test_the_drawing_of_a_top_bottom_flip_keeps_the_sides_and_turns_the_arch_over() -> None:
    shot, corrected = boxes(draw(made("upper occlusal arch", mirror=True)))
    for box in (shot, corrected):
        assert column_of(box, "16") < column_of(box, "26")
    assert row_of(shot, "18") < row_of(shot, "lip")
    assert row_of(corrected, "lip") < row_of(corrected, "18")


def test_the_drawing_of_a_quarter_turned_file_has_three_boxes_and_lays_the_row_on_its_side() -> (
    None
):
    text = draw(made("buccal", "iso:36", exif=6))
    file, camera, corrected = boxes(text)
    assert len({row_of(file, t) for t in ("35", "36", "37")}) == 3
    assert len({row_of(corrected, t) for t in ("35", "36", "37")}) == 1
    assert camera == corrected
    assert "on the camera" in text


def test_a_picture_that_needs_no_turn_is_drawn_once() -> None:
    text = draw(made("frontal"))
    assert len(boxes(text)) == 1 and "mirror-reversed" not in text


def test_the_drawing_says_which_box_is_the_reflection_and_names_the_edges() -> None:
    lines = draw(made("lingual", "iso:46", mirror=True)).splitlines()
    assert lines[-1].split() == ["mirror-reversed", "right", "way", "round"]
    assert lines[1].split() == ["head", "head"] and lines[-2].split() == ["foot", "foot"]
    assert [c for c in "".join(lines[3:-3]) if c in "HFPALR"] == ["P", "A", "A", "P"]


@given(plans())
def test_a_drawing_fits_a_terminal_and_names_every_lone_tooth_in_every_box(one: Plan) -> None:
    text = draw(one)
    assert max(len(line) for line in text.splitlines()) <= 79
    found = boxes(text)
    assert len(found) == len(stages(one))
    for box in found:
        assert len({len(line) for line in box}) == 1
        if len(one.sight.teeth) == 1:
            assert f"[{one.sight.teeth[0].iso}]" in "".join(box)


@given(plans())
def test_each_stage_is_drawn_from_the_corrected_picture_by_the_turn_that_leads_to_it(
    one: Plan,
) -> None:
    for stage in stages(one):
        assert one.display.turned(stage.turn) == stage.appearance.orientation


def test_an_arch_view_shows_its_whole_arch_whichever_teeth_are_named() -> None:
    labels = [m.label for m in scene_of(made("upper occlusal arch", "iso:16,54").sight).marks]
    assert {"17", "16", "54", "26"} <= set(labels)
    assert "14" not in labels  # its place is taken by the deciduous molar


@pytest.mark.parametrize("exif", Turn)
def test_in_every_box_the_tooth_in_front_lies_towards_the_edge_that_says_anterior(
    exif: Turn,
) -> None:
    one = made("buccal", "iso:36", exif=exif)
    for stage, box in zip(stages(one), boxes(draw(one)), strict=True):
        edge = {d: e for e, d in stage.appearance.orientation.edges.items()}[Direction.ANTERIOR]
        columns = column_of(box, "35") - column_of(box, "37")
        rows = row_of(box, "35") - row_of(box, "37")
        towards = {"left": -columns, "right": columns, "top": -rows, "bottom": rows}
        assert towards[edge] > 0
        assert edge in ("left", "right") or columns == 0


@pytest.mark.parametrize("tooth", ALL_TEETH, ids=str)
def test_the_sketch_has_the_patients_right_teeth_on_the_patients_right(tooth: Tooth) -> None:
    seen = sight(View.OCCLUSAL, (tooth,))
    marks = {m.label: m for m in scene_of(sight(View.UPPER_OCCLUSAL_ARCH)).marks}
    assert marks["16"].x < marks["11"].x < marks["21"].x < marks["26"].x
    (named,) = (m for m in scene_of(seen).marks if m.is_named)
    assert named.tooth == tooth
    across = {m.label: m for m in scene_of(seen).marks if m.tooth is None}
    if "cheek" in across:
        inside = across["palate" if tooth.arch is Arch.UPPER else "tongue"]
        cheek_is_left = across["cheek"].x < named.x < inside.x
        assert cheek_is_left is (tooth.side is Side.RIGHT)


@pytest.mark.parametrize("tooth", ALL_TEETH, ids=str)
def test_the_gum_is_drawn_above_upper_teeth_and_below_lower_ones(tooth: Tooth) -> None:
    for view in (View.BUCCAL, View.LINGUAL):
        marks = scene_of(sight(view, (tooth,))).marks
        (gum,) = (m for m in marks if m.label == "gum")
        (named,) = (m for m in marks if m.is_named)
        assert (gum.y < named.y) is (tooth.arch is Arch.UPPER)


@given(plans())
def test_an_svg_drawing_is_well_formed_and_turns_the_one_sketch_as_the_pixels_are_turned(
    one: Plan,
) -> None:
    root = ET.fromstring(draw_svg(one))
    uses = root.findall(f".//{SVG}use")
    assert len(uses) == len(stages(one))
    for use, stage in zip(uses, stages(one), strict=True):
        numbers = use.attrib["transform"].removeprefix("matrix(").removesuffix(")").split()
        a, b, c, d, e, f = map(int, numbers)
        assert (e, f) == (0, 0)
        # SVG 1.1 7.4: x' = a x + c y, y' = b x + d y. A reflection has a negative determinant.
        assert (a * d - b * c == 1) is stage.appearance.is_true
        right = (a, b)
        letters = {(1, 0): "right", (-1, 0): "left", (0, 1): "bottom", (0, -1): "top"}
        edge = stage.appearance.orientation.edges[letters[right]]
        assert edge is one.display.rows
    width, height = (float(root.attrib[k]) for k in ("width", "height"))
    assert 0 < height < width <= 1100


def test_an_svg_drawing_names_view_teeth_edges_and_the_need_to_confirm() -> None:
    text = "".join(ET.fromstring(draw_svg(made("lingual", "iso:46", mirror=True))).itertext())
    for words in ("46: lingual view, in a mirror", "anterior", "mirror-reversed", "unconfirmed"):
        assert words in text


def test_a_drawing_is_the_same_every_time() -> None:
    one = made("occlusal", "iso:14-17", mirror=True, exif=7)
    assert draw(one) == draw(one) and draw_svg(one) == draw_svg(one)


def test_edges_are_those_of_the_orientation() -> None:
    told = explain(made("left buccal"))
    assert told.corrected.orientation == Orientation(Direction.POSTERIOR, Direction.FOOT)
    assert told.corrected.patient_orientation == ("P", "F")

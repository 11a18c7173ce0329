"""The words at the edges of a picture, against what a person wrote down."""

from __future__ import annotations

import pytest

from archiver.dentition import Direction, Orientation, parse_teeth
from archiver.dentition.edge_words import edge_words, surface_word
from archiver.dentition.views import Surface

OCCLUSAL_UPPER = Orientation(Direction.LEFT, Direction.POSTERIOR)
OCCLUSAL_LOWER = Orientation(Direction.LEFT, Direction.ANTERIOR)
BUCCAL_RIGHT = Orientation(Direction.ANTERIOR, Direction.FOOT)
BUCCAL_LEFT = Orientation(Direction.POSTERIOR, Direction.FOOT)
FRONT = Orientation(Direction.LEFT, Direction.FOOT)
INSIDE_FRONT = Orientation(Direction.RIGHT, Direction.FOOT)


@pytest.mark.parametrize(
    ("teeth", "orientation", "top", "right", "bottom", "left"),
    [
        ("16", OCCLUSAL_UPPER, "mesial", "palatal", "distal", "buccal"),
        ("26", OCCLUSAL_UPPER, "mesial", "buccal", "distal", "palatal"),
        ("46", OCCLUSAL_LOWER, "distal", "lingual", "mesial", "buccal"),
        ("36", OCCLUSAL_LOWER, "distal", "buccal", "mesial", "lingual"),
        ("16", BUCCAL_RIGHT, "gingival", "mesial", "occlusal", "distal"),
        ("36", BUCCAL_LEFT, "occlusal", "distal", "gingival", "mesial"),
        ("11", FRONT, "gingival", "mesial", "incisal", "distal"),
        ("21", FRONT, "gingival", "distal", "incisal", "mesial"),
        ("13", OCCLUSAL_UPPER, "labial", "mesial", "palatal", "distal"),
        ("43", INSIDE_FRONT, "incisal", "distal", "gingival", "mesial"),
        ("55", OCCLUSAL_UPPER, "mesial", "palatal", "distal", "buccal"),
        # Of teeth on both sides of the midline, right and left stay.
        ("11 21", FRONT, "gingival", "left", "incisal", "right"),
        ("11 21", OCCLUSAL_UPPER, "labial", "left", "palatal", "right"),
        ("", FRONT, "", "left", "", "right"),
        # A word that holds of one tooth only is not told.
        ("16 13", OCCLUSAL_UPPER, "", "", "", ""),
        ("16 46", BUCCAL_RIGHT, "", "mesial", "", "distal"),
    ],
)
def test_each_edge_has_the_word_of_the_trade(
    teeth: str, orientation: Orientation, top: str, right: str, bottom: str, left: str
) -> None:
    named = tuple(t for one in teeth.split() for t in parse_teeth(f"iso:{one}"))
    told = {edge: str(word) for edge, word in edge_words(named, orientation).items()}
    right, left = (f"patient's {w}" if w in ("left", "right") else w for w in (right, left))
    wanted = {"top": top, "right": right, "bottom": bottom, "left": left}
    assert told == {edge: word for edge, word in wanted.items() if word}


@pytest.mark.parametrize(
    ("surface", "teeth", "word"),
    [
        (Surface.VESTIBULAR, "16 26", "buccal"),
        (Surface.VESTIBULAR, "13", "labial"),
        (Surface.VESTIBULAR, "13 14", "vestibular"),
        (Surface.LINGUAL, "16", "palatal"),
        (Surface.LINGUAL, "46", "lingual"),
        (Surface.OCCLUSAL, "46", "occlusal"),
        (Surface.VESTIBULAR, "", "vestibular"),
    ],
)
def test_a_surface_has_the_name_that_the_edges_give_it(
    surface: Surface, teeth: str, word: str
) -> None:
    given = parse_teeth(f"iso:{teeth.replace(' ', ',')}") if teeth else ()
    assert str(surface_word(surface, given)) == word

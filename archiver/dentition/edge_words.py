"""What lies at the edges of a picture of teeth, in the words of the trade.

The patient's letters mislead whoever reads them as surfaces: P below an upper molar is posterior,
distal of it, and L is palatal of 16 and buccal of 26. Rules by definition of the terms; that a
canine counts as a front tooth, whose mesial side faces the midline, is common practice.
"""

from __future__ import annotations

from archiver.dentition.orientation import Direction, Orientation
from archiver.dentition.teeth import Arch, Side, Tooth
from archiver.dentition.views import Surface, View
from archiver.wording import Text

_TOWARDS_MIDLINE = {Side.RIGHT: Direction.LEFT, Side.LEFT: Direction.RIGHT}


def edge_words(teeth: tuple[Tooth, ...], orientation: Orientation) -> dict[str, Text]:
    """Say what lies at each edge.

    Parameters
    ----------
    teeth
        Those that the picture is of; none for a picture of an arch or of the mouth.
    orientation
        Of the picture as it is displayed.

    Returns
    -------
    dict
        ``top``, ``right``, ``bottom`` and ``left`` to a word; an edge for which all teeth do not
        have the same word is left out. Where teeth of both sides are shown, or none is named,
        the patient's right and left are told as such.
    """
    found = {}
    for edge, direction in orientation.edges.items():
        words = {_word(tooth, direction) for tooth in teeth}
        if direction in _TOWARDS_MIDLINE.values() and len({tooth.side for tooth in teeth}) != 1:
            words = {direction.word}
        if len(words) == 1:
            found[edge] = Text(f"dentition.edge.{words.pop()}")
    return found


def surface_word(surface: Surface, teeth: tuple[Tooth, ...]) -> Text:
    """Name a surface as the edges name it: vestibular is labial of front teeth, else buccal.

    Parameters
    ----------
    teeth
        Whose surface it is; where they need different words, the standard's stays.
    """
    if surface is Surface.VESTIBULAR:
        words = {"labial" if tooth.is_anterior else "buccal" for tooth in teeth}
    elif surface is Surface.LINGUAL:
        words = {"palatal" if tooth.arch is Arch.UPPER else "lingual" for tooth in teeth}
    else:
        words = set()
    return Text(f"dentition.edge.{words.pop() if len(words) == 1 else surface.value}")


def view_text(view: View) -> Text:
    """Name a view in words."""
    return Text(f"pages.views.{view.value.replace(' ', '_').replace('-', '_')}")


def _word(tooth: Tooth, direction: Direction) -> str:
    upper, front = tooth.arch is Arch.UPPER, tooth.is_anterior
    if direction in (Direction.HEAD, Direction.FOOT):
        if (direction is Direction.HEAD) == upper:
            return "gingival"
        return "incisal" if front else "occlusal"
    inside = "palatal" if upper else "lingual"
    to_midline = direction is _TOWARDS_MIDLINE[tooth.side]
    sideways = direction in _TOWARDS_MIDLINE.values()
    if front:
        if sideways:
            return "mesial" if to_midline else "distal"
        return "labial" if direction is Direction.ANTERIOR else inside
    if sideways:
        return inside if to_midline else "buccal"
    return "mesial" if direction is Direction.ANTERIOR else "distal"

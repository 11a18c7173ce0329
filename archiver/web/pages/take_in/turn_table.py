"""All ways in which pictures of some teeth may be turned, sent to the browser at once."""

from __future__ import annotations

from typing import Any

from archiver.dentition import (
    Direction,
    Operator,
    Orientation,
    Sight,
    Tooth,
    Turn,
    View,
    as_the_camera_shows,
    edge_words,
    sight,
)
from archiver.errors import MeaningError
from archiver.objects import FLIPS
from archiver.web.language import clause, in_words


def turns() -> dict[str, Any]:
    """Return the group of the eight turns.

    Returns
    -------
    dict
        ``after[second][first]``; ``swaps``, which swap the sides; ``words``; ``flips``, the turn
        of each word for a picture that was flipped before it came.
    """
    return {
        "after": {second: {first: second.after(first) for first in Turn} for second in Turn},
        "swaps": [turn for turn in Turn if turn.swaps_sides],
        "words": {turn: in_words(turn.text) for turn in Turn},
        "flips": FLIPS,
    }


def readings(teeth: tuple[Tooth, ...]) -> dict[str, Any]:
    """Return, for every view of these teeth, how each way of taking it is turned.

    Returns
    -------
    dict
        By view: ``problem``, where the view does not fit the teeth; else ``edges`` (letters of
        the picture as it is displayed), ``words`` (of the trade, likewise), ``turned`` and
        ``turned_words`` (those of the half-turned picture, ``turned`` None where no practice
        displays its view so), ``laterality``, ``looking``, ``view`` (the settled
        one), and ``turns``, from what the camera shows to the display, by ``mirror`` or
        ``direct`` and by what is at the top (``head`` and so on), or by where the camera was
        (``front``, ``behind``) where that is not said.
    """
    found: dict[str, Any] = {}
    for view in View:
        try:
            found[view.value] = _of(sight(view, teeth))
        except MeaningError as error:
            found[view.value] = {
                "problem": clause(error.problems[0], "found"),
                "needs_teeth": view.needs_teeth and not teeth,
            }
    return found


def _of(seen: Sight) -> dict[str, Any]:
    return {
        "view": seen.view.value,
        "edges": _letters(seen.display),
        "words": _words(seen, seen.display),
        "turned_words": _words(seen, seen.displays[-1]),
        "turned": _letters(seen.displays[1]) if len(seen.displays) > 1 else None,
        "laterality": seen.laterality,
        "looking": seen.looking.value,
        "turns": {
            way: _ways(seen, mirror)
            for way, mirror in (("direct", False), ("mirror", True))
            if not (mirror and seen.view.is_extraoral)
        },
    }


def _words(seen: Sight, display: Orientation) -> dict[str, str]:
    return {edge: in_words(word) for edge, word in edge_words(seen.teeth, display).items()}


def _letters(display: Orientation) -> dict[str, str]:
    return {edge: letter.value for edge, letter in display.edges.items()}


def _ways(seen: Sight, mirror: bool) -> dict[str, int]:
    ways: dict[str, int] = {}
    for operator in Operator:
        shown = as_the_camera_shows(seen.looking, mirror=mirror, top=None, operator=operator)
        ways[operator.value] = shown.turn_to(seen.display)
    for top in Direction:
        if top in (seen.looking, seen.looking.opposite):
            continue
        shown = as_the_camera_shows(seen.looking, mirror=mirror, top=top, operator=Operator.FRONT)
        ways[top.word] = shown.turn_to(seen.display)
    return ways

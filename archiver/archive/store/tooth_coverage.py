"""Which teeth an instance shows, and which views show what was asked.

Someone who asks for tooth 25, occlusal, also wants the view of the whole upper arch: tooth 25 is
in it, seen from the same side, although nobody named it. The index keeps such teeth as
*covered*, beside the *named* ones, and answers with the named ones first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from archiver.archive.store.tables import COVERED, NAMED
from archiver.dentition import ALL_TEETH, Surface, covered_teeth

if TYPE_CHECKING:
    from archiver.objects import Description

_OCCLUSAL = ("occlusal", "incisal")
_FACIAL = ("buccal", "labial")
_LINGUAL = ("lingual", "palatal")
_ARCHES = ("upper occlusal arch", "lower occlusal arch")
_IN_OCCLUSION = ("right buccal", "left buccal", "frontal")

#: Views that show a tooth the way that was asked for, whatever the picture's view is called:
#: a picture of 13 to 16 is called occlusal, and shows the incisal edge of 13.
_SHOWING_TOOTH: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(_OCCLUSAL, _OCCLUSAL + _ARCHES),
    **dict.fromkeys((*_FACIAL, "facial", "vestibular"), _FACIAL + _IN_OCCLUSION),
    **dict.fromkeys(_LINGUAL, _LINGUAL),
}
#: Words that mean more than one view even where no tooth is asked for.
_WIDE_WORDS: dict[str, tuple[str, ...]] = dict.fromkeys(("facial", "vestibular"), _FACIAL)

#: Words for the surfaces as they are coded; front teeth's and back teeth's are one code.
_SURFACES: dict[str, Surface] = {
    **dict.fromkeys((*_FACIAL, "facial", "vestibular"), Surface.VESTIBULAR),
    **dict.fromkeys(_LINGUAL, Surface.LINGUAL),
}


def surface_asked(surface: str) -> str:
    """Return the surface as the index has it, from a word of the trade."""
    word = " ".join(surface.casefold().split())
    return _SURFACES[word].value if word in _SURFACES else word


def views_asked(view: str, *, of_tooth: bool) -> tuple[str, ...]:
    """Return the views that answer a question for a view.

    Parameters
    ----------
    view
        A word of the trade.
    of_tooth
        True where teeth are asked for too.
    """
    word = " ".join(view.casefold().split())
    table = _SHOWING_TOOTH if of_tooth else _WIDE_WORDS
    return table.get(word, (word,))


def teeth_rows(description: Description) -> list[tuple[str, int]]:
    """Return (ISO designation, kind) for every tooth that an instance shows."""
    rows = {tooth.iso: NAMED for tooth in description.teeth}
    for iso in _covered(description):
        rows.setdefault(iso, COVERED)
    return list(rows.items())


def _covered(description: Description) -> list[str]:
    """Return what the view contains; without a view or teeth, what the region contains."""
    if description.view is not None:
        return [t.iso for t in covered_teeth(description.view)]
    if description.teeth or description.arch is None:
        return []
    return [t.iso for t in ALL_TEETH if t.arch is description.arch]

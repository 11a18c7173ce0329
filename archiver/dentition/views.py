"""Views and surfaces in the words of the trade."""

from __future__ import annotations

import re
from enum import Enum

from archiver.dentition.teeth import Tooth
from archiver.errors import MeaningError, Problem
from archiver.wording import Text


class Surface(str, Enum):
    """A surface of a tooth as DICOM can code it."""

    OCCLUSAL = "occlusal"
    LINGUAL = "lingual"
    VESTIBULAR = "vestibular"
    MESIAL = "mesial"
    DISTAL = "distal"


class View(str, Enum):
    """What a photograph shows. The values are the words of a session sheet."""

    OCCLUSAL = "occlusal"
    INCISAL = "incisal"
    BUCCAL = "buccal"
    LABIAL = "labial"
    LINGUAL = "lingual"
    PALATAL = "palatal"
    CLOSE_UP = "close-up"
    FRONTAL = "frontal"
    RIGHT_BUCCAL = "right buccal"
    LEFT_BUCCAL = "left buccal"
    UPPER_OCCLUSAL_ARCH = "upper occlusal arch"
    LOWER_OCCLUSAL_ARCH = "lower occlusal arch"
    FACE = "face"
    SMILE = "smile"
    RIGHT_PROFILE = "right profile"
    LEFT_PROFILE = "left profile"

    @property
    def needs_teeth(self) -> bool:
        """True for a view that means nothing without a tooth."""
        return self in _OF_TEETH

    @property
    def phrase(self) -> Text:
        """The view with its article, for messages."""
        article = "an" if self.value[0] in "aeiou" else "a"
        return Text(f"dentition.views.{article}_view", view=self.value)

    @property
    def is_extraoral(self) -> bool:
        """True for a view of the face."""
        return self in _EXTRAORAL

    @property
    def shows_arch(self) -> bool:
        """True for a view of a whole arch, from above or below."""
        return self in (View.UPPER_OCCLUSAL_ARCH, View.LOWER_OCCLUSAL_ARCH)


_OF_TEETH = frozenset(
    {View.OCCLUSAL, View.INCISAL, View.BUCCAL, View.LABIAL, View.LINGUAL, View.PALATAL}
)
_EXTRAORAL = frozenset({View.FACE, View.SMILE, View.RIGHT_PROFILE, View.LEFT_PROFILE})

#: Other words of the trade for the same views.
ALIASES: dict[str, View] = {
    "facial": View.LABIAL,
    "vestibular": View.LABIAL,
    "frontal in occlusion": View.FRONTAL,
    "right buccal in occlusion": View.RIGHT_BUCCAL,
    "left buccal in occlusion": View.LEFT_BUCCAL,
    "right lateral": View.RIGHT_BUCCAL,
    "left lateral": View.LEFT_BUCCAL,
    "upper arch": View.UPPER_OCCLUSAL_ARCH,
    "lower arch": View.LOWER_OCCLUSAL_ARCH,
    "upper occlusal": View.UPPER_OCCLUSAL_ARCH,
    "lower occlusal": View.LOWER_OCCLUSAL_ARCH,
    "maxillary occlusal": View.UPPER_OCCLUSAL_ARCH,
    "mandibular occlusal": View.LOWER_OCCLUSAL_ARCH,
    "close up": View.CLOSE_UP,
    # The orthodontic protocols' term for lips and teeth in a smile; no close-up of teeth alone.
    "close-up smile": View.SMILE,
    "close up smile": View.SMILE,
    "smile close-up": View.SMILE,
    "smile close up": View.SMILE,
    "smiling": View.SMILE,
    "full face": View.FACE,
    "portrait": View.FACE,
    "profile": View.RIGHT_PROFILE,
}


def view_of(text: str) -> View:
    """Read a view by its word.

    Raises
    ------
    MeaningError
        If no view is called so; the problem lists the nearest words.
    """
    words = " ".join(re.sub(r"[_]", " ", text.casefold()).split())
    if words in ALIASES:
        return ALIASES[words]
    try:
        return View(words)
    except ValueError:
        from difflib import get_close_matches

        known = [*(v.value for v in View), *ALIASES]
        near = get_close_matches(words, known, n=2)
        raise MeaningError(
            Problem(
                "dentition.views.unknown_view",
                text=text,
                views=tuple(v.value for v in View),
                near=tuple(near) or None,
            )
        ) from None


def may_identify(view: View, teeth: tuple[Tooth, ...]) -> bool:
    """Return whether lips or a face may be in a picture, which can tell who the patient is.

    A close-up that names no tooth may show anything of the mouth.
    """
    return view.is_extraoral or (view is View.CLOSE_UP and not teeth)

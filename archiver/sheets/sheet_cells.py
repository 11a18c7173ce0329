"""What is shown on a contact sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from PIL import Image

from archiver.dentition import Orientation, Tooth, edge_words
from archiver.wording import Text


@dataclass(frozen=True)
class Edges:
    """The patient's direction at each edge of a picture, as letters; empty where unknown.

    Parameters
    ----------
    words
        What lies there in the words of the trade, by the edge's name, where it can be said.
    """

    top: str
    right: str
    bottom: str
    left: str
    words: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def around(
        cls,
        teeth: tuple[Tooth, ...],
        orientation: Orientation | None,
        say: Callable[[Text], str] = str,
    ) -> Edges:
        """Return the edges of a picture of teeth, with words; empty where nothing is known.

        Parameters
        ----------
        say
            Puts a word into a language.
        """
        if orientation is None:
            return cls("", "", "", "")
        letters = {edge: letter.value for edge, letter in orientation.edges.items()}
        words = {edge: say(word) for edge, word in edge_words(teeth, orientation).items()}
        return cls(**letters, words=words)


@dataclass(frozen=True)
class CellPicture:
    """A picture and what its edges show."""

    image: Image.Image
    edges: Edges


@dataclass(frozen=True)
class SheetCell:
    """A photograph on the sheet.

    Parameters
    ----------
    view
        In words, such as ``occlusal``.
    teeth_iso, teeth_universal
        The teeth in both numberings, such as ``25`` and ``13``; empty where none is named.
    first
        The numbering in which they were written, and the teeth in it; empty where that is ISO 3950.
    subject
        In plain words, such as ``upper left second premolar``.
    mirror
        Whether a mirror was used and what was done about it, in words.
    as_shot
        As the camera recorded it; None where that is not to be had.
    stored
        As it is kept right way round; None where the picture as shot is that already.
    confirmed_by
        Who confirmed the side; empty where nobody did.
    source
        The name of the file and the time, or the like.
    warnings
        One line each.
    code
        By which a confirmation names the picture as it is kept right way round; empty where that
        is not known.
    instead
        What stands in the place of the picture as shot where there is none.
    """

    view: str
    teeth_iso: str
    teeth_universal: str
    subject: str
    mirror: str
    as_shot: CellPicture | None
    stored: CellPicture | None
    confirmed_by: str = ""
    source: str = ""
    warnings: tuple[str, ...] = ()
    instead: str = ""
    code: str = ""
    first: tuple[str, str] = ("", "")


@dataclass(frozen=True)
class SheetHead:
    """What stands at the top and bottom of every page.

    Parameters
    ----------
    patient
        The name as it is read.
    details
        Identifier, date of birth, sex.
    visit
        Day and time of the visit.
    description
        Of the visit, with its accession number.
    made
        When and with what the sheet was made.
    """

    patient: str
    details: str
    visit: str
    description: str = ""
    made: str = ""

"""What is shown on a contact sheet."""

from __future__ import annotations

from dataclasses import dataclass

from PIL import Image


@dataclass(frozen=True)
class Edges:
    """The patient's direction at each edge of a picture, as letters; empty where unknown."""

    top: str
    right: str
    bottom: str
    left: str

    @classmethod
    def of(cls, rows: str, columns: str) -> Edges:
        """Return the edges for Patient Orientation (PS3.3 C.7.6.1.1.1).

        Parameters
        ----------
        rows, columns
            Its two values: where the rows lead (to the right) and the columns (down).
        """
        opposite = str.maketrans("LRAPHF", "RLPAFH")
        return cls(columns.translate(opposite), rows, columns, rows.translate(opposite))


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

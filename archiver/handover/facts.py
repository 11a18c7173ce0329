"""What the sheet says of a picture; all of it read from the object that goes out."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from pydicom import Dataset

from archiver.colour import space_of
from archiver.dentition import Arch
from archiver.handover import rewritten_descriptions
from archiver.objects import Description, comments, concepts, describe, items, text
from archiver.sheets import Edges

#: Words, in stage or retraction, of a tooth that has begun to dry or is isolated.
_DRYING = ("dry", "dried", "isolat", "dam", "cotton", "prep", "bleach", "etch")
#: Words before one of them that turn it into its opposite.
_NOT_YET = ("before", "no ", "not ", "without", "prior to", "un")
_EDGE_WORDS = {"top": "upper", "right": "right", "bottom": "lower", "left": "left"}


@dataclass(frozen=True)
class ColourFacts:
    """What is known of a picture's colour; empty texts for what is not.

    Parameters
    ----------
    icc
        What its profile says, or that it is not characterised.
    characterised
        Whether it has a profile.
    frame
        ``neutral reference``, ``shade tab``, ``cross-polarised`` or empty.
    alike
        Everything that must be the same for colours to be compared.
    """

    icc: str
    characterised: bool
    light: str
    polariser: str
    white_balance: str
    frame: str
    alike: tuple[str, ...]

    @property
    def words(self) -> str:
        """The facts in a line, unknown ones named as such."""
        return "; ".join(
            (
                f"ICC: {self.icc}",
                f"light: {self.light or 'not told'}",
                f"polariser: {self.polariser or 'not told'}",
                f"white balance: {self.white_balance or 'not told'}",
            )
        )


@dataclass(frozen=True)
class SheetFacts:
    """What the sheet says of a picture.

    Parameters
    ----------
    description
        The description of the object that goes out.
    edges
        The patient's direction at each edge, as letters.
    """

    description: Description
    edges: Edges
    colour: ColourFacts

    @property
    def iso(self) -> str:
        """Teeth in ISO 3950."""
        return ", ".join(tooth.iso for tooth in self.description.teeth)

    @property
    def universal(self) -> str:
        """The same in the Universal numbering."""
        return ", ".join(tooth.universal for tooth in self.description.teeth)

    @property
    def arches(self) -> tuple[str, ...]:
        """The arches in which the teeth stand, ``upper`` before ``lower``."""
        there = {tooth.arch for tooth in self.description.teeth}
        return tuple(arch.value for arch in Arch if arch in there)

    @property
    def whole_name(self) -> str:
        """The tooth in words, of several teeth their arch; empty where none is told."""
        teeth = self.description.teeth
        return teeth[0].name if len(teeth) == 1 else " and ".join(f"{a} arch" for a in self.arches)

    @property
    def view(self) -> str:
        """The view."""
        return self.description.view.value if self.description.view else "view not told"

    @property
    def surface(self) -> str:
        """The surface, empty where the view has none."""
        return self.description.surface.value if self.description.surface else ""

    @property
    def mirror(self) -> str:
        """How the picture came about."""
        return rewritten_descriptions.mirror_words(self.description)

    @property
    def right_edge(self) -> str:
        """The edge at which the patient's right is, empty where it is at none."""
        letters = {
            "top": self.edges.top,
            "right": self.edges.right,
            "bottom": self.edges.bottom,
            "left": self.edges.left,
        }
        return next((edge for edge, letter in letters.items() if letter == "R"), "")

    @property
    def right_words(self) -> str:
        """Where the patient's right is."""
        if self.right_edge:
            return f"patient's right at the {_EDGE_WORDS[self.right_edge]} edge"
        side = {"R": "right", "L": "left"}.get(self.description.laterality, "")
        return f"all of it the patient's {side} side" if side else "patient's right not told"


def facts_of(outgoing: Dataset, original: Dataset) -> SheetFacts:
    """Read what the sheet says.

    Parameters
    ----------
    outgoing
        The de-identified object.
    original
        The archive's own, of which only what has no words of a person is taken.
    """
    description = describe(outgoing)
    orientation = description.orientation
    edges = (
        Edges.of(orientation.rows.value, orientation.columns.value)
        if orientation is not None
        else Edges("", "", "", "")
    )
    return SheetFacts(description, edges, _colour(description, outgoing, original))


def _colour(description: Description, outgoing: Dataset, original: Dataset) -> ColourFacts:
    profile = bytes(outgoing.get("ICCProfile") or b"") or None
    space = space_of(profile)
    said = comments(outgoing)
    balance = {"0": "automatic", "1": "set by hand"}.get(text(outgoing, "WhiteBalance"), "")
    flash = {"0": "no flash", "1": "flash fired"}.get(text(outgoing, "FlashFiringStatus"), "")
    light = said.get(concepts.LIGHT, "") or flash
    camera = "".join(
        text(item, "Manufacturer") + text(item, "ManufacturerModelName")
        for item in items(original, "ContributingEquipmentSequence")
    )
    settings = ("ExposureTimeInSeconds", "FNumber", "PhotographicSensitivity", "FlashFiringStatus")
    polariser = said.get(concepts.POLARISER, "")
    alike = (
        hashlib.sha256(profile or b"").hexdigest(),
        light,
        polariser,
        balance,
        camera,
        rewritten_descriptions.mirror_words(description),
        *(text(outgoing, keyword) for keyword in settings),
    )
    stated = space.stated if space.characterised else "colour not characterised"
    frame = said.get(concepts.COLOUR_FRAME, "")
    return ColourFacts(stated, space.characterised, light, polariser, balance, frame, alike)


def drying(original: Dataset) -> bool:
    """Return whether what a person wrote speaks of drying, isolation or preparation.

    Parameters
    ----------
    original
        The archive's own object: the words themselves do not go out.
    """
    said = comments(original).get(concepts.STAGE, "")
    worn = " ".join(text(item, "DeviceDescription") for item in items(original, "DeviceSequence"))
    for words in (said.casefold(), worn.casefold()):
        for word in _DRYING:
            before, found, _ = words.partition(word)
            if found and not before.rstrip().endswith(tuple(w.strip() for w in _NOT_YET)):
                return True
    return False

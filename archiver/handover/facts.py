"""What the sheet says of a picture; all of it read from the object that goes out."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from pydicom import Dataset

from archiver.colour import space_of
from archiver.dentition import Arch, edge_words
from archiver.objects import (
    Description,
    calibration_of,
    comments,
    concepts,
    describe,
    items,
    octets,
    text,
)
from archiver.sheets import Edges
from archiver.wording import words_of

#: Words, in stage or retraction, of a tooth that has begun to dry or is isolated.
_DRYING = ("dry", "dried", "isolat", "dam", "cotton", "prep", "bleach", "etch")
#: Words before one of them that turn it into its opposite.
_NOT_YET = ("before", "no ", "not ", "without", "prior to", "un")


def sheet_text(key: str, **values: object) -> str:
    """Return a text for the sheet of a package."""
    return words_of()(f"handover.sheet.{key}", **values)


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
    by_chart
        Whether its profile was made from a colour chart of the visit.
    balance_fixed
        Whether the white balance was set, not found by the camera for each frame.
    alike
        Everything that must be the same for colours to be compared, by its name in the catalogue.
    """

    icc: str
    characterised: bool
    light: str
    polariser: str
    white_balance: str
    frame: str
    by_chart: bool
    balance_fixed: bool
    alike: Mapping[str, str]

    @property
    def words(self) -> str:
        """The facts in a line, unknown ones named as such."""
        unknown = sheet_text("not_told")
        return sheet_text(
            "colour",
            icc=self.icc,
            light=self.light or unknown,
            polariser=self.polariser or unknown,
            white_balance=self.white_balance or unknown,
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
    edge_words
        What lies there in the words of the trade, by edge, where all teeth have the same word.
    """

    description: Description
    edges: Edges
    edge_words: Mapping[str, str]
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
        if len(teeth) == 1:
            return teeth[0].name
        arches = [sheet_text(f"arch.{arch}") for arch in self.arches]
        return sheet_text("arches", arches=tuple(arches)) if arches else ""

    @property
    def view(self) -> str:
        """The view."""
        return self.description.view.value if self.description.view else sheet_text("no_view")

    @property
    def surface(self) -> str:
        """The surface, empty where the view has none."""
        return self.description.surface.value if self.description.surface else ""

    @property
    def mirror(self) -> str:
        """How the picture came about."""
        return sheet_text(f"mirror.{self.description.mirror or 'not_told'}")

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
            return sheet_text(f"right_at.{self.right_edge}")
        side = self.description.laterality
        return sheet_text(f"side.{side}" if side in ("R", "L") else "side.not_told")


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
    words = edge_words(description.teeth, orientation) if orientation is not None else {}
    said = {edge: str(word) for edge, word in words.items()}
    return SheetFacts(description, edges, said, _colour(description, outgoing, original))


def _colour(description: Description, outgoing: Dataset, original: Dataset) -> ColourFacts:
    profile = octets(outgoing, "ICCProfile") or None
    space = space_of(profile)
    said = comments(outgoing)
    white, fired = _flag(outgoing, "WhiteBalance"), _flag(outgoing, "FlashFiringStatus")
    balance = sheet_text(f"balance.{white}") if white else ""
    flash = sheet_text(f"flash.{fired}") if fired else ""
    light = said.get(concepts.LIGHT, "") or flash
    camera = "".join(
        text(item, "Manufacturer") + text(item, "ManufacturerModelName")
        for item in items(original, "ContributingEquipmentSequence")
    )
    lens = ("LensMake", "LensModel", "LensSerialNumber", "FocalLength")
    settings = ("ExposureTimeInSeconds", "FNumber", "PhotographicSensitivity", "FlashFiringStatus")
    polariser = said.get(concepts.POLARISER, "")
    alike = {
        "profile": hashlib.sha256(profile or b"").hexdigest(),
        "light": light,
        "polariser": polariser,
        "white_balance": balance,
        "camera": camera,
        "lens": " ".join(text(original, keyword) for keyword in lens),
        "mirror": description.mirror or "",
        "settings": " ".join(text(outgoing, keyword) for keyword in settings),
    }
    stated = space.stated if space.characterised else sheet_text("not_characterised")
    found = calibration_of(original)
    if found is not None:
        stated = sheet_text("by_chart", median=f"{found.median:.1f}", upper=f"{found.upper:.1f}")
    return ColourFacts(
        icc=stated,
        characterised=space.characterised,
        light=light,
        polariser=polariser,
        white_balance=balance,
        frame=said.get(concepts.COLOUR_FRAME, ""),
        by_chart=found is not None,
        balance_fixed=white == "1",
        alike=alike,
    )


def _flag(outgoing: Dataset, keyword: str) -> str:
    """Return a value that is 0 or 1; empty for another."""
    value = text(outgoing, keyword)
    return value if value in ("0", "1") else ""


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

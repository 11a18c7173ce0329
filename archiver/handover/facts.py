"""What the sheet says of a picture; all of it read from the object that goes out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime

from pydicom import Dataset

from archiver.colour import ColourBasis, basis_of, flag, space_of
from archiver.dentition import Arch, Numbering, Tooth, named, surface_word, view_text
from archiver.objects import (
    CHART,
    Description,
    Places,
    Scale,
    calibration_of,
    comments,
    concepts,
    describe,
    items,
    octets,
    scale_of,
    signers,
    speaks_of_drying,
    text,
)
from archiver.sheets import Edges
from archiver.wording import FIRST, Text, words_of

#: Language of the sheet that is being made; each thread that makes one sets its own.
_LANGUAGE: ContextVar[str] = ContextVar("sheet language", default=FIRST)

_NUMBERING: ContextVar[Numbering] = ContextVar("sheet numbering", default=Numbering.ISO)


@contextmanager
def written_in(language: str, numbering: Numbering = Numbering.ISO) -> Iterator[None]:
    """Have sheets in a language, and teeth named in a numbering first, in this thread."""
    token, numbered = _LANGUAGE.set(language), _NUMBERING.set(numbering)
    try:
        yield
    finally:
        _LANGUAGE.reset(token)
        _NUMBERING.reset(numbered)


def language() -> str:
    """Return the language of the sheet that is being made."""
    return _LANGUAGE.get()


def sheet_text(key: str, **values: object) -> str:
    """Return a text for the sheet of a package."""
    return words_of(_LANGUAGE.get())(f"handover.sheet.{key}", **values)


def numbering_words() -> str:
    """Say by which numbering teeth are named, and by which beside it."""
    return sheet_text(f"numbering.{_NUMBERING.get().prefix}")


def in_both_numberings(teeth: Sequence[Tooth]) -> tuple[str, str]:
    """Name teeth in the sheet's numbering, and in the other one with its name."""
    first = _NUMBERING.get()
    other = Numbering.UNIVERSAL if first is Numbering.ISO else Numbering.ISO
    beside = ", ".join(named(tooth, other) for tooth in teeth)
    return ", ".join(named(tooth, first) for tooth in teeth), sheet_text(
        f"beside.{other.prefix}", teeth=beside
    )


def place_words(places: Places) -> tuple[str, ...]:
    """Say where no natural tooth stands, and what does."""
    found: dict[str, list[Tooth]] = {}
    for tooth, kind in places:
        found.setdefault(kind, []).append(tooth)
    return tuple(
        sheet_text(f"place.{kind}", teeth=in_both_numberings(teeth)[0])
        for kind, teeth in found.items()
    )


def in_words(text: Text) -> str:
    """Return a text of another room in the language of the sheet."""
    return text.in_words(words_of(_LANGUAGE.get()))


@dataclass(frozen=True)
class ColourFacts:
    """What is known of a picture's colour; empty texts for what is not.

    Parameters
    ----------
    icc
        What its profile says, or that it is not characterised.
    frame
        ``neutral reference``, ``shade tab``, ``cross-polarised`` or empty.
    basis
        What the colours rest on.
    """

    icc: str
    light: str
    polariser: str
    white_balance: str
    frame: str
    basis: ColourBasis

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
        The patient's direction at each edge, as letters and words.
    shade
        What was typed for whoever makes a tooth, by the key of the sheet.
    confirmed
        How many people have confirmed the side as it was shown, and how many days after the
        picture the last of them; who they are stays in the clinic.
    scale
        None where the picture has none.
    """

    description: Description
    edges: Edges
    colour: ColourFacts
    shade: Mapping[str, str]
    confirmed: tuple[int, int | None] = (0, None)
    scale: Scale | None = None

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
            return in_words(teeth[0].text)
        arches = [sheet_text(f"arch.{arch}") for arch in self.arches]
        return sheet_text("arches", arches=tuple(arches)) if arches else ""

    @property
    def view(self) -> str:
        """The view."""
        view = self.description.view
        return in_words(view_text(view)) if view else sheet_text("no_view")

    @property
    def surface(self) -> str:
        """The surface in the word of the trade, empty where the view has none."""
        surface = self.description.surface
        return in_words(surface_word(surface, self.description.teeth)) if surface else ""

    @property
    def mirror(self) -> str:
        """How the picture came about."""
        return sheet_text(f"mirror.{self.description.mirror or 'not_told'}")

    @property
    def side_words(self) -> str:
        """Whether the side is confirmed, by how many and when."""
        if not self.description.confirmed:
            return sheet_text("case_page.unconfirmed")
        people, days = self.confirmed
        when = sheet_text(f"case_page.{'same_day' if not days else 'later'}", days=days)
        if days is None:
            when = sheet_text("case_page.some_day")
        return sheet_text("case_page.confirmed", n=max(1, people), when=when)

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
    edges = Edges.around(description.teeth, description.orientation, in_words)
    colour, said = _colour(outgoing, original), describe(original)
    return SheetFacts(
        description, edges, colour, shade_of(outgoing), _confirmed(said), scale_of(outgoing)
    )


def _confirmed(said: Description) -> tuple[int, int | None]:
    """Return how many confirmed the side, and how many days after the picture's own."""
    moments = [one.when for one in said.confirmations if one.when is not None]
    people = len(signers(said.confirmations))
    try:
        taken = datetime.strptime(said.study_date, "%Y%m%d").date()
    except ValueError:
        return people, None
    return people, (max(moments).date() - taken).days if moments else None


def shade_of(dataset: Dataset) -> dict[str, str]:
    """Return what was typed for whoever makes a tooth, by the key of the sheet."""
    said = comments(dataset)
    return {key: said[start] for key, start in concepts.SHADE.items() if start in said}


def _colour(outgoing: Dataset, original: Dataset) -> ColourFacts:
    basis = basis_of(original)
    said = comments(outgoing)
    white, fired = flag(outgoing, "WhiteBalance"), flag(outgoing, "FlashFiringStatus")
    space = space_of(octets(outgoing, "ICCProfile") or None)
    stated = space.stated if space.characterised else sheet_text("not_characterised")
    found = calibration_of(original)
    if found is not None:
        key = "by_chart" if found.kind == CHART else "by_card"
        stated = sheet_text(key, median=f"{found.median:.1f}", upper=f"{found.upper:.1f}")
    return ColourFacts(
        icc=stated,
        light=said.get(concepts.LIGHT, "") or (sheet_text(f"flash.{fired}") if fired else ""),
        polariser=said.get(concepts.POLARISER, ""),
        white_balance=sheet_text(f"balance.{white}") if white else "",
        frame=said.get(concepts.COLOUR_FRAME, ""),
        basis=basis,
    )


def drying(original: Dataset) -> bool:
    """Return whether what a person wrote speaks of drying, isolation or preparation.

    Parameters
    ----------
    original
        The archive's own object: the words themselves do not go out.
    """
    told = comments(original)
    worn = " ".join(text(item, "DeviceDescription") for item in items(original, "DeviceSequence"))
    words = (told.get(concepts.STAGE, ""), worn)
    return speaks_of_drying(words, told.get(concepts.SHADE["state"], ""))

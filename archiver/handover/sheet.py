"""The sheet that goes with the pictures: what stands on it, whatever it is printed with."""

from __future__ import annotations

import io
from dataclasses import dataclass, field

import numpy as np
from PIL import Image

from archiver.colour import as_srgb, space_of
from archiver.handover.case_facts import CaseFacts
from archiver.handover.facts import (
    SheetFacts,
    in_both_numberings,
    in_words,
    place_words,
    sheet_text,
)
from archiver.handover.frames import OutgoingFrame, decode
from archiver.handover.picture_selection import Doubt

#: Longer side of a picture on the sheet, in pixels: 300 to the inch on a card of half a page.
SIDE = 1060
#: Millimetres that a bar may be long.
_BARS = (10, 5, 2, 1)
_CAUTIONS = ("no_side", "no_colour", "no_scale", "not_anonymous")


def cautions(*, scaled: bool = False) -> tuple[str, ...]:
    """Return what has to be said on every sheet.

    Parameters
    ----------
    scaled
        Whether some picture has a scale.
    """
    keys = ("some_scale" if scaled and key == "no_scale" else key for key in _CAUTIONS)
    return tuple(sheet_text(f"caution.{key}") for key in keys)


@dataclass(frozen=True)
class SheetPicture:
    """A picture on the sheet.

    Parameters
    ----------
    number
        Its number in the package.
    file
        Name of its file.
    day
        Its date as far as it may be description, such as ``day 35``.
    doubts
        What is stamped on it.
    masked
        Whether a part of it is covered.
    jpeg
        For a screen (sRGB), reduced.
    size
        Columns and rows of that.
    """

    number: int
    file: str
    facts: SheetFacts
    day: str
    doubts: tuple[Doubt, ...]
    masked: bool
    jpeg: bytes = field(repr=False)
    size: tuple[int, int]

    @property
    def title(self) -> str:
        """Teeth in both numberings and view."""
        facts = self.facts
        teeth = facts.description.teeth
        if not teeth:
            return _capital(facts.view)
        first, other = in_both_numberings(teeth)
        return sheet_text("title", n=len(teeth), first=first, other=other, view=facts.view)

    @property
    def bar(self) -> tuple[int, float] | None:
        """Millimetres of a bar, and its length as a share of the picture's width; None for none."""
        scale, columns = self.facts.scale, self.facts.description.columns
        if scale is None or not columns:
            return None
        wide = scale.spacing * columns
        long = next((one for one in _BARS if one <= wide / 3), None)
        return (long, long / wide) if long is not None else None

    @property
    def view_words(self) -> str:
        """The view, as the beginning of a sentence."""
        return _capital(self.facts.view)

    @property
    def lines(self) -> tuple[str, ...]:
        """What is told below the picture, the most needed first."""
        facts = self.facts
        how = _capital(facts.mirror)
        if facts.surface:
            how = sheet_text("surface", how=how, surface=facts.surface)
        places = place_words(facts.description.places)
        sentences = [_capital(facts.whole_name), *places, how, _capital(facts.right_words)]
        first = " ".join(f"{one}." for one in sentences if one)
        scale = facts.scale
        told = (
            {"length": f"{scale.length:g}", "error": f"{scale.uncertain_by:.1f}"} if scale else {}
        )
        scaled = sheet_text("scale", pixels=f"{1 / scale.spacing:.1f}", **told) if scale else ""
        return (
            f"{first} {sheet_text('covered')}" if self.masked else first,
            *([scaled] if scaled else []),
            sheet_text("picture", number=self.number, day=self.day, file=self.file),
            facts.colour.words,
        )

    @property
    def status(self) -> str:
        """Whether the side is confirmed; the doubts where there are any."""
        return " · ".join(in_words(doubt.stamp) for doubt in self.doubts) or sheet_text("confirmed")


@dataclass(frozen=True)
class ColourTable:
    """The colour frames in order of capture, and what is to be heeded.

    Parameters
    ----------
    rows
        Number, kind, and what is known, of each frame.
    warnings
        A line each.
    comparisons
        Of marked regions in frames that were taken alike, a line each.
    """

    rows: tuple[tuple[str, str, str], ...]
    warnings: tuple[str, ...]
    comparisons: tuple[str, ...]

    @property
    def is_empty(self) -> bool:
        """True where there is nothing to print."""
        return not (self.rows or self.warnings or self.comparisons)


@dataclass(frozen=True)
class Sheet:
    """A whole sheet.

    Parameters
    ----------
    case
        The number that ties it to the patient.
    title
        Of its purpose.
    to
        For whom it is.
    case_facts
        What a technician needs of the whole case; None where nobody builds from the pictures.
    """

    case: str
    title: str
    to: str
    pictures: tuple[SheetPicture, ...]
    colour: ColourTable
    case_facts: CaseFacts | None = None
    cautions: tuple[str, ...] = field(default_factory=cautions)

    @property
    def in_order(self) -> tuple[SheetPicture, ...]:
        """The pictures, those of a case in the order in which a tooth is built."""
        if self.case_facts is None:
            return self.pictures
        return tuple(self.pictures[place] for place, _ in self.case_facts.order)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def thumbnail(frame: OutgoingFrame) -> tuple[bytes, tuple[int, int]]:
    """Return a picture reduced, as sRGB and as JPEG, with columns and rows."""
    longer = max(frame.pixels.rows, frame.pixels.columns)
    reduction = next((n for n in (8, 4, 2) if longer // n >= SIDE), 1)
    pixels = decode(frame.pixels, reduction)
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[:, :, np.newaxis], 3, axis=2)
    made = Image.fromarray(pixels)
    made.thumbnail((SIDE, SIDE), Image.Resampling.LANCZOS, reducing_gap=None)
    shown = Image.fromarray(as_srgb(np.asarray(made), space_of(frame.icc)))
    out = io.BytesIO()
    shown.save(out, "JPEG", quality=88, subsampling="4:4:4")
    return out.getvalue(), shown.size

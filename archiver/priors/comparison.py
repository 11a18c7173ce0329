"""A newest picture and its priors, compared: everything that a page or a screen shows.

The pictures that are kept are not touched: the priors are resampled for showing only, and the
matrices are those of the full pictures.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from archiver.colour import Array, colours, why_not_compared
from archiver.dentition import Orientation
from archiver.errors import Problem, UsageError
from archiver.priors.difference import Box, Laid, RegionColour, difference_map, lay, region_colour
from archiver.priors.display_pixels import Shown, load
from archiver.vision import (
    Alignment,
    Checked,
    Prepared,
    Subject,
    ViewKind,
    check,
    cv2,
    glance,
    prepare,
    region,
    view_kind_of,
)
from archiver.wording import Text

Mask = NDArray[np.bool_]

#: A picture that names more teeth than this is not about one of them.
_FEW = 3


@dataclass(frozen=True)
class Wishes:
    """What a person asked for besides.

    Parameters
    ----------
    region
        (left, top, width, height) in full pixels of the newest picture as displayed: where
        colours are averaged, and which tooth is meant. The tooth in the middle where it is None.
    grey
        Boxes of a grey card by file, in full pixels of that picture as displayed.
    match_light
        Bring the light of each prior to that of the newest picture, by what lies outside the
        tooth.
    """

    region: Box | None = None
    grey: Mapping[Path, Box] = field(default_factory=dict)
    match_light: bool = False


@dataclass(frozen=True)
class Compared:
    """A prior beside the newest picture.

    Attributes
    ----------
    shown
        The prior in display orientation.
    relation
        How it comes to show the tooth; empty where that needs no word.
    checked
        How alignment and wrong-way check came out.
    laid
        The prior laid on the newest picture; None where it is not aligned.
    apart
        CIEDE2000 of every place, see `difference_map`, NaN also on teeth on which nothing could
        be followed; None where it is not aligned.
    colour
        Of the region; None where it is not aligned, and where colours may not be compared.
    not_compared
        Why colours may not be compared; nothing where they may.
    pointed_at
        True where a person said by a region where the tooth is; else it is the one in the middle.
    light
        How light was made comparable.
    single
        True where one tooth was aligned, False where all teeth of the picture were.
    lost
        True where one tooth is named and could not be told from the others: no colour is
        measured then.
    """

    shown: Shown
    relation: Text | str
    checked: Checked
    laid: Laid | None
    apart: Array | None
    colour: RegionColour | None
    light: tuple[Text, ...]
    single: bool = True
    lost: bool = False
    not_compared: tuple[Text, ...] = ()
    pointed_at: bool = False

    @property
    def alignment(self) -> Alignment | None:
        """How it was aligned, None where it was not."""
        outcome = self.checked.outcome
        return outcome if isinstance(outcome, Alignment) else None


@dataclass(frozen=True)
class Comparison:
    """The newest picture and its priors."""

    newest: Shown
    priors: tuple[Compared, ...]


def compare_pictures(
    newest: Path,
    priors: Sequence[tuple[Path, Text | str]],
    wishes: Wishes | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Compare pictures, one prior after the other.

    Parameters
    ----------
    newest
        DICOM file of the newest picture.
    priors
        File of each prior, and how it comes to show the tooth.
    wishes
        What was asked for besides.
    progress
        Told after each prior how many of how many are done; what it raises ends the comparison.

    Raises
    ------
    ObjectError
        If a file is no photograph that can be shown.
    UsageError
        If a box lies outside its picture.
    """
    comparing = PreparedComparison(newest, wishes)
    done: list[Compared] = []
    for path, relation in priors:
        done.append(comparing.with_prior(path, relation))
        if progress is not None:
            progress(len(done), len(priors))
    return Comparison(comparing.newest, tuple(done))


@dataclass(frozen=True)
class Ready:
    """A picture with all that aligning it takes; made by `of`, several at once if need be."""

    shown: Shown
    prepared: Prepared

    @classmethod
    def of(cls, path: Path, beside: Orientation | None = None) -> Ready:
        """Read a picture and find its features; parameters and errors are those of `load`."""
        shown = load(path, beside=beside)
        prepared = prepare(colours.as_srgb(shown.pixels, shown.space), shown.factor)
        _ = prepared.features  # found when they are first asked for
        return cls(shown, prepared)


class PreparedComparison:
    """A newest picture made ready once, to be compared with one prior after the other.

    Parameters
    ----------
    newest, wishes
        As `compare_pictures` has them.

    Attributes
    ----------
    newest
        The newest picture as it is shown.
    """

    def __init__(self, newest: Path, wishes: Wishes | None = None) -> None:
        self._wishes = wishes or Wishes()
        asked = self._wishes.region
        ready = Ready.of(newest)
        self.newest = shown = ready.shown
        self._prepared = ready.prepared
        self._chosen = None if asked is None else _inside(shown, asked, "region")
        self._subject = _subject(ready, asked)

    def with_prior(self, prior: Path | Ready, relation: Text | str) -> Compared:
        """Compare a prior; the errors are those of `compare_pictures`."""
        asked = (self._wishes, self._chosen, self._subject)
        other = prior if isinstance(prior, Ready) else Ready.of(prior, self.newest.edges)
        return _compared((self.newest, self._prepared), other, relation, asked)


def _subject(ready: Ready, region_asked: Box | None) -> Subject:
    """The tooth that is meant: that of the region, or that in the middle of a picture of few."""
    if region_asked is not None:
        left, top, width, height = region_asked
        return Subject(np.array([left + width / 2, top + height / 2]))
    return Subject(single=_names_few(ready.shown) and _about_one(ready))


def _about_one(ready: Ready) -> bool:
    """Whether a picture is about the tooth in its middle.

    Teeth that bite together pass for a few large ones, so that it must not look like a front or an
    arch either.
    """
    if not region.shows_few(ready.prepared.tooth):
        return False
    pixels = colours.as_srgb(ready.shown.pixels, ready.shown.space)
    return view_kind_of(pixels, glance(pixels)) not in (ViewKind.FRONT, ViewKind.ARCH)


def _names_few(shown: Shown) -> bool:
    return 0 < len(shown.description.teeth) <= _FEW


def _compared(
    current: tuple[Shown, Prepared],
    other: Ready,
    relation: Text | str,
    asked: tuple[Wishes, Mask | None, Subject],
) -> Compared:
    (newest, ready), (wishes, chosen, subject) = current, asked
    prior = other.shown
    checked = check(ready, other.prepared, subject)
    alignment = checked.outcome
    if not isinstance(alignment, Alignment):
        return Compared(prior, relation, checked, None, None, None, (), subject.single)
    laid = lay(alignment.matrix, newest, prior)
    tooth, unknown = (_enlarged(m, newest) for m in (alignment.region, alignment.unfollowed))
    gains, light = _gains(newest, prior, laid, (wishes, ready.tooth))
    where = chosen if chosen is not None else tooth
    where = where & ~unknown & ~region.gloss(newest.pixels) & ~region.gloss(laid.pixels)
    lost = not alignment.alone and chosen is None and _names_few(newest)
    named = [
        (Text(f"priors.comparison.{name}"), shown.basis)
        for name, shown in (("newest", newest), ("prior", prior))
    ]
    neutral = all(shown.path in wishes.grey for shown in (newest, prior))
    why = why_not_compared(*named, neutral=neutral)
    mean = None if lost or why else region_colour(newest, prior, laid, where, gains)
    if mean is not None and chosen is not None:
        mean = replace(mean, chosen=True)
    apart = difference_map(newest, prior, laid, gains)
    apart[cv2.resize(unknown.astype(np.uint8), apart.shape[::-1]) > 0] = np.nan
    told = (light, alignment.alone, lost, why, chosen is not None)
    return Compared(prior, relation, checked, laid, apart, mean, *told)


def _gains(
    newest: Shown, prior: Shown, laid: Laid, asked: tuple[Wishes, Mask]
) -> tuple[tuple[Array, Array], tuple[Text, ...]]:
    """Factors of linear light for both pictures, and what was done."""
    wishes, teeth = asked
    one, other = np.ones(3), np.ones(3)
    told = []
    boxes = [wishes.grey.get(shown.path) for shown in (newest, prior)]
    if boxes[0] is not None and boxes[1] is not None:
        one, other = _neutral(newest, boxes[0]), _neutral(prior, boxes[1])
        told.append(Text("priors.comparison.neutral"))
    elif boxes[0] is not None or boxes[1] is not None:
        told.append(Text("priors.comparison.one_grey_card"))
    if wishes.match_light:
        outside = ~_enlarged(teeth, newest) & laid.covered
        outside &= ~region.gloss(newest.pixels) & ~region.gloss(laid.pixels)
        pairs = (laid.pixels[outside], newest.pixels[outside])
        spaces = (prior.space, newest.space)
        other = colours.gain_between(*pairs, spaces) * one
        told.append(Text("priors.comparison.light_matched"))
    return (one, other), tuple(told)


def _neutral(shown: Shown, box: Box) -> Array:
    mask = _inside(shown, box, "grey_card")
    return colours.neutral_gain(shown.pixels[mask], shown.space)


def _inside(shown: Shown, box: Box, what: str) -> Mask:
    """A box in full pixels as a mask of the picture as decoded."""
    left, top, width, height = box
    columns, rows = shown.size
    if (
        min(left, top) < 0
        or min(width, height) < 1
        or left + width > columns
        or top + height > rows
    ):
        raise UsageError(
            Problem(
                "priors.comparison.outside",
                what=Text(f"priors.comparison.{what}"),
                box=f"{left},{top},{width},{height}",
                columns=columns,
                rows=rows,
            ).at(file=shown.path.name)
        )
    mask = np.zeros(shown.pixels.shape[:2], bool)
    f = shown.factor
    first_row, first_column = int(top / f), int(left / f)
    mask[
        first_row : max(first_row + 1, int((top + height) / f)),
        first_column : max(first_column + 1, int((left + width) / f)),
    ] = True
    return mask


def _enlarged(mask: Mask, newest: Shown) -> Mask:
    rows, columns = newest.pixels.shape[:2]
    size = (columns, rows)
    made = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(made > 0)

"""How a new picture is framed against an earlier one of the same teeth and view, in words."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from archiver.dentition import Orientation, Tooth, edge_words
from archiver.objects import comments, concepts, open_dataset
from archiver.priors.comparison import Ready
from archiver.vision import Alignment, Framing, Prepared, Subject, check, framing_of, region
from archiver.wording import Text

#: Differences below these are not told: nobody frames twice alike. Of the size; degrees; shares of
#: the picture; logarithm of distances (12 degrees of tilt give up to 0.1).
_CLOSER, _TURN, _SHIFT, _TILT = 0.05, 3.0, 0.06, 0.04
#: By how much closer or farther, up to where each word holds.
_AMOUNTS = (
    (0.14, "tenth"),
    (0.22, "fifth"),
    (0.29, "quarter"),
    (0.42, "third"),
    (0.70, "half"),
)
#: A picture that names more teeth than this is not about one of them.
_FEW = 3


@dataclass(frozen=True)
class NewFraming:
    """A new picture beside a prior.

    Parameters
    ----------
    words
        How the framing differs; or why that can't be told.
    matrix
        Shape (3, 3), from pixels of the full prior to those of the full new picture, both as
        displayed; None where they are not aligned.
    framing
        The same in figures.
    """

    words: tuple[Text, ...]
    matrix: NDArray[np.float64] | None = None
    framing: Framing | None = None


def compare_framing(
    newer: Prepared,
    size: tuple[int, int],
    teeth: tuple[Tooth, ...],
    display: Orientation,
    prior: Path,
) -> NewFraming:
    """Compare how a new picture and a prior are framed.

    Parameters
    ----------
    newer
        The new picture, in display orientation.
    size
        Columns and rows of all of it, as displayed.
    teeth
        Those that it names.
    display
        Its orientation.
    prior
        DICOM file of the prior.

    Raises
    ------
    ObjectError
        If the prior is no photograph that can be shown.
    """
    ready = Ready.of(prior, display)
    scale = comments(open_dataset(prior)).get(concepts.MAGNIFICATION, "")
    last = (Text("priors.framing.magnification", scale=scale),) if scale else ()
    single = 0 < len(teeth) <= _FEW and region.shows_few(newer.tooth)
    found = check(newer, ready.prepared, Subject(single=single)).outcome
    if not isinstance(found, Alignment):
        return NewFraming((Text("priors.framing.untold", reason=found.reason), *last))
    framing = framing_of(found.matrix, found.model, ready.shown.size, size)
    return NewFraming((*framing_words(framing, teeth, display), *last), found.matrix, framing)


def framing_words(
    framing: Framing, teeth: tuple[Tooth, ...], display: Orientation
) -> tuple[Text, ...]:
    """Say how the framing differs from last time's."""
    found = [_closer(framing.closer)]
    for (more, less), off in zip(_AXES, framing.tilt or (), strict=False):
        if abs(off) >= _TILT:
            edge = _edge(more if off > 0 else less, teeth, display)
            found.append(Text("priors.framing.tilted", edge=edge))
    if abs(framing.turn) >= _TURN:
        way = "clockwise" if framing.turn > 0 else "anticlockwise"
        found.append(Text(f"priors.framing.turned.{way}", n=round(abs(framing.turn))))
    for (more, less), off in zip(_AXES, framing.shift, strict=True):
        if abs(off) >= _SHIFT:
            edge = _edge(more if off > 0 else less, teeth, display)
            found.append(Text("priors.framing.shifted", share=f"{abs(off):.0%}", edge=edge))
    told = tuple(one for one in found if one is not None)
    return told or (Text("priors.framing.alike"),)


#: The edges towards which a picture's columns and rows are counted, and their opposites.
_AXES = (("right", "left"), ("bottom", "top"))


def _closer(closer: float) -> Text | None:
    amount = max(closer, 1 / closer) - 1
    if amount < _CLOSER:
        return None
    word = next((word for most, word in _AMOUNTS if amount < most), "far")
    return Text(f"priors.framing.{'closer' if closer > 1 else 'farther'}_{word}")


def _edge(edge: str, teeth: tuple[Tooth, ...], display: Orientation) -> Text:
    """Name what lies at an edge, in the words of the trade where it can be said."""
    return edge_words(teeth, display).get(edge) or display.edges[edge].text

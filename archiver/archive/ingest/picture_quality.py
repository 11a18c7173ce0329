"""What a photograph looks like, from the stream that is going to be kept: its teeth, its view."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.archive.ingest.view_looks import looks_otherwise
from archiver.dentition import View
from archiver.errors import PhotoError, Problem
from archiver.photo import EncodedPixels, reduced
from archiver.vision import (
    LEAST_SIDE,
    LOOKED_AT,
    QualityFigures,
    QualityLimits,
    ViewKind,
    glance,
    judge,
    quality_figures,
    view_kind_of,
)
from archiver.wording import Text
from archiver.workers import confined

Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class PictureAssessment:
    """What a photograph looks like.

    Parameters
    ----------
    figures
        How good its teeth are; None where there are none to judge.
    kind
        Which view it looks like; None where that is not clear.
    """

    figures: QualityFigures | None = None
    kind: ViewKind | None = None

    def warnings(self, view: View, limits: QualityLimits) -> tuple[Problem, ...]:
        """Say what is wanting, and where the view that was said is not what it looks like."""
        if self.figures is None:
            return (Problem("vision.quality.no_teeth"),)
        found = judge(self.figures.numbers, limits, of_arch=view.shows_arch)
        if self.kind is None or not looks_otherwise(self.kind, view):
            return found
        shown = Text(f"vision.view.{self.kind.value}")
        return (*found, Problem("vision.view.other", kind=shown, view=view.value))


def assess_stream(pixels: EncodedPixels, view: View) -> PictureAssessment | None:
    """Look at a picture as it is going to be shown, decoded once and at reduced size.

    Returns
    -------
    PictureAssessment or None
        None where no teeth are to be seen: a face, a picture of few pixels.

    Raises
    ------
    PhotoError
        If it takes too much, which no picture that could be encoded does.
    """
    if view.is_extraoral or max(pixels.rows, pixels.columns) < LEAST_SIDE:
        return None
    return _assess_bytes(pixels.stream)


@confined(PhotoError)
def _assess_bytes(stream: bytes) -> PictureAssessment:
    return assess(np.asarray(reduced(stream, LOOKED_AT)))


def assess(picture: Pixels) -> PictureAssessment:
    """Look at pixels of a reduced picture."""
    coloured = np.repeat(picture[:, :, None], 3, axis=2) if picture.ndim == 2 else picture
    shown = glance(coloured)
    figures = quality_figures(picture, shown)
    return PictureAssessment(
        figures, view_kind_of(coloured, shown) if figures is not None else None
    )

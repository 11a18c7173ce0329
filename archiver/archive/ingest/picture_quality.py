"""How good the teeth of a photograph are, from the stream that is going to be kept."""

from __future__ import annotations

import numpy as np

from archiver.dentition import View
from archiver.errors import PhotoError, Problem
from archiver.photo import EncodedPixels, reduced
from archiver.vision import (
    LEAST_SIDE,
    LOOKED_AT,
    QualityFigures,
    QualityLimits,
    judge,
    quality_figures,
)
from archiver.workers import confined


def figures_of(pixels: EncodedPixels, view: View) -> QualityFigures | None:
    """Measure a picture as it is going to be shown, decoded at reduced size.

    Returns
    -------
    QualityFigures or None
        None where there are no teeth to judge: a face, a picture of few pixels.

    Raises
    ------
    PhotoError
        If it takes too much, which no picture that could be encoded does.
    """
    if view.is_extraoral or max(pixels.rows, pixels.columns) < LEAST_SIDE:
        return None
    return _measured(pixels.stream)


@confined(PhotoError)
def _measured(stream: bytes) -> QualityFigures | None:
    return quality_figures(np.asarray(reduced(stream, LOOKED_AT)))


def quality_warnings(
    figures: QualityFigures | None, pixels: EncodedPixels, view: View, limits: QualityLimits
) -> tuple[Problem, ...]:
    """Say what is wanting, and of a picture that should show teeth that none were found."""
    if figures is not None:
        return judge(figures.numbers, limits, of_arch=view.shows_arch)
    if view.is_extraoral or max(pixels.rows, pixels.columns) < LEAST_SIDE:
        return ()
    return (Problem("vision.quality.no_teeth"),)

"""The classic 24-patch colour chart as numbers; `chart_patches.csv` names the source."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROWS: Final = 4
COLUMNS: Final = 6
#: The six neutral patches, from white to black: the last row.
NEUTRALS: Final = tuple(range(18, 24))


@dataclass(frozen=True)
class ReferenceChart:
    """One formulation of the chart.

    Parameters
    ----------
    edition
        ``after`` or ``before`` November 2014, when the pigments changed.
    xyz
        Shape (24, 3): XYZ relative to the perfect diffuser under D50, row by row.
    """

    edition: str
    xyz: Array


@lru_cache(maxsize=1)
def reference_charts() -> tuple[ReferenceChart, ...]:
    """Return both formulations, the current one first."""
    text = (files(__package__) / "chart_patches.csv").read_text("utf-8")
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    charts = []
    for edition in ("after", "before"):
        x, y, luminance = (
            np.array([float(row[f"{name}_{edition}"]) for row in rows]) for name in ("x", "y", "Y")
        )
        xyz = np.stack([x * luminance / y, luminance, (1 - x - y) * luminance / y], axis=-1)
        charts.append(ReferenceChart(edition, xyz))
    return tuple(charts)

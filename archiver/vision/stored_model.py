"""Numbers that were fitted to pictures, as they are shipped in ``model``; its texts tell how."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray


@cache
def stored_model(name: str) -> dict[str, NDArray[np.float32]]:
    """Return the arrays of a model by their names."""
    with (
        (files("archiver.vision") / "model" / f"{name}.npz").open("rb") as kept,
        np.load(kept) as stored,
    ):
        return {key: stored[key].astype(np.float32) for key in stored.files}

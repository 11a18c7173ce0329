"""Masks over what identifies: how much they cover, and that a person has seen the masked picture.

Nothing here finds a face; DEVELOPERS.md says what was tried. So a mask counts where it covers a
share of the picture that the purpose asks for, and where somebody has looked at the picture as it
would go out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from archiver.handover.frames import Box, altered, frame_of, png_bytes
from archiver.handover.picture_selection import OutgoingPicture
from archiver.objects import code_of, open_dataset


def mask_code(picture: OutgoingPicture, boxes: Sequence[Box]) -> str:
    """Return the code of a picture with its masks; another with any change of either."""
    told = f"{picture.record.sha256} {sorted(boxes)}"
    return code_of(hashlib.sha256(told.encode()).hexdigest())


def covered_share(picture: OutgoingPicture, boxes: Sequence[Box]) -> float:
    """Return which share of a picture masks cover together, 0 to 1."""
    rows, columns = picture.record.rows or 0, picture.record.columns or 0
    covered = np.zeros((rows, columns), bool)
    for left, top, wide, high in boxes:
        covered[max(top, 0) : top + high, max(left, 0) : left + wide] = True
    return float(covered.mean()) if covered.size else 0.0


def masked_preview(picture: OutgoingPicture, boxes: Sequence[Box]) -> bytes:
    """Return the picture with its masks as PNG, pixels as stored.

    Raises
    ------
    ObjectError
        If it cannot be read, or a mask leaves it.
    """
    original = open_dataset(Path(picture.record.path), pixels=True)
    return png_bytes(altered(frame_of(original, None), boxes, ()))

"""Bounds what photographs under way may take of memory, however many workers there are."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from archiver.photo import CameraFile

#: Two 24-megapixel JPEGs that are flipped fit in; one that is turned by a quarter is alone.
BUDGET = 200_000_000
#: Bytes a pixel where a picture is decoded: the pixels, a turned copy, and room for the codec.
_DECODED = 12


def need(photo: CameraFile, *, second_array: bool) -> int:
    """Return what encoding a photograph takes at most, in bytes.

    Parameters
    ----------
    second_array
        True where the turn or the crop cannot be made in the array of coefficients itself.
    """
    pixels = photo.columns * photo.rows
    if photo.structure is None:
        return _DECODED * pixels
    components = photo.structure.components
    most = max(c.horizontal for c in components) * max(c.vertical for c in components)
    coefficients = sum(c.horizontal * c.vertical for c in components) * pixels // most
    return 2 * coefficients * (2 if second_array else 1)


class MemoryGate:
    """Lets work begin as long as all that is inside fits; what alone is too large goes alone."""

    def __init__(self, budget: int = BUDGET) -> None:
        self._budget = budget
        self._inside = 0
        self._changed = threading.Condition()

    @contextmanager
    def room_for(self, size: int) -> Iterator[None]:
        """Wait until there is room, and hold it."""
        with self._changed:
            self._changed.wait_for(lambda: self._inside == 0 or self._inside + size <= self._budget)
            self._inside += size
        try:
            yield
        finally:
            with self._changed:
                self._inside -= size
                self._changed.notify_all()

"""Flips of a JPEG's coefficients in the memory where libjpeg-turbo holds them.

The library's own flips write into a second array as large as the first: 96 MB for 24 megapixels
at 4:2:2. Its transform function offers every row of blocks to a filter before it codes them;
flipping there needs no second array, and less time, because no fresh memory is touched.
"""

from __future__ import annotations

import ctypes
from typing import Any, Final

import numpy as np
import numpy.typing as npt

_SIDE: Final = 8
_BLOCK: Final = _SIDE * _SIDE
_Coefficients = npt.NDArray[np.int16]


class TransformRegion(ctypes.Structure):
    """``tjregion`` of ``turbojpeg.h``."""

    _fields_ = [(name, ctypes.c_int) for name in ("x", "y", "w", "h")]


# ``customFilter`` of ``tjtransform``: coefficients, region of the array, region of the plane,
# component, transform, the transform itself.
FILTER: Final = ctypes.CFUNCTYPE(
    ctypes.c_int,
    ctypes.c_void_p,
    TransformRegion,
    TransformRegion,
    ctypes.c_int,
    ctypes.c_int,
    ctypes.c_void_p,
)


class FlipInPlace:
    """A filter that reverses columns, rows or both of whole MCUs.

    A basis function cos((2x + 1) u pi / 16) (T.81 A.3.3) read backwards is (-1)^u times
    itself: so blocks change places, and coefficients of odd u (columns) or odd v (rows) their
    sign.

    Parameters
    ----------
    turn
        2 (columns reversed), 3 (both) or 4 (rows reversed).
    """

    def __init__(self, turn: int) -> None:
        self._columns, self._rows = turn in (2, 3), turn in (3, 4)
        self._signs: dict[int, _Coefficients] = {}
        self._waiting: dict[tuple[int, int], _Coefficients] = {}
        self.failure: BaseException | None = None
        self.function = FILTER(self._called)

    @property
    def address(self) -> int | None:
        """Address of the function, for the transform structure."""
        return ctypes.cast(self.function, ctypes.c_void_p).value

    def _called(
        self, address: int, array: Any, plane: Any, component: int, _number: int, _own: Any
    ) -> int:
        """Take one row of blocks; -1 makes the library give up."""
        try:
            count = array.w // _SIDE * _BLOCK
            row = np.frombuffer((ctypes.c_int16 * count).from_address(address), np.int16)
            self._take(row, component, array.y // _SIDE, plane.h // _SIDE)
        except BaseException as failure:
            # An exception cannot pass through C; the caller raises it afterwards.
            self.failure = failure
            return -1
        return 0

    def _take(self, row: _Coefficients, component: int, number: int, count: int) -> None:
        signs = self._signs_of(row.size)
        if not self._rows or 2 * number + 1 == count:
            np.multiply(self._reversed(row), signs, out=row)
        elif number < count // 2:
            self._waiting[component, number] = row
        elif number < count:
            partner = self._waiting.pop((component, count - 1 - number))
            other = self._reversed(partner) * signs
            np.multiply(self._reversed(row), signs, out=partner)
            row[:] = other

    def _reversed(self, row: _Coefficients) -> _Coefficients:
        """Return the row with its blocks in the order in which they are wanted."""
        if not self._columns:
            return row
        words = row.view(np.int64).reshape(-1, _BLOCK // 4)
        return words[::-1].reshape(-1).view(np.int16)

    def _signs_of(self, size: int) -> _Coefficients:
        """Return the factors of a row of blocks: flat, so that the product is one sweep."""
        if size not in self._signs:
            signs = np.ones((size // _BLOCK, _SIDE, _SIDE), np.int16)
            if self._rows:
                signs[:, 1::2] *= -1
            if self._columns:
                signs[:, :, 1::2] *= -1
            self._signs[size] = signs.reshape(-1)
        return self._signs[size]

"""Where each tooth stands: teeth set side by side along a curve of the arch.

Crown widths follow one another from the midline along a power curve that goes through the contact
points; the crown then leans and tips about that point. The curves' measures are from memory of
usual arch widths and are no norm.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .dimensions import CrownSize, crown_size, is_deciduous, is_right, is_upper, lean, tip

Array = NDArray[np.float64]
CONTACT = 0.72


@dataclass(frozen=True)
class Stand:
    """How a single tooth departs from its place.

    Attributes
    ----------
    turned : float
        Degrees about its long axis, positive turns the mesial edge outwards.
    shift : tuple of float
        mm mesially, buccally, occlusally (negative: not fully erupted).
    cover : float
        mm of crown under the gum above the usual.
    space : float
        mm of free arch behind the tooth before it, on its mesial side.
    """

    turned: float = 0.0
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    cover: float = 0.0
    space: float = 0.0


@dataclass(frozen=True)
class PlacedTooth:
    """A tooth in the patient: ``origin`` at its cervical middle, ``axes`` mesial, buccal, cusp.

    ``path`` is the arc length from the midline, negative on the right.
    """

    iso: int
    size: CrownSize
    origin: Array
    axes: Array
    ridge_axes: Array
    path: float
    cover: float

    def to_patient(self, local: Array) -> Array:
        """Turn positions of the crown's frame into patient millimetres."""
        return self.origin + local @ self.axes

    @property
    def neck_path(self) -> float:
        """Arc length at which the neck stands: a crown that tips mesially has it further back."""
        back = CONTACT * self.size.height * float(np.sin(np.radians(tip(self.iso))))
        return self.path + (-back if is_right(self.iso) else back)

    @property
    def centre(self) -> Array:
        """Middle of the crown, mm."""
        return self.origin + self.axes[2] * self.size.height * 0.6


@dataclass(frozen=True)
class ArchCurve:
    """y = depth * (|x| / half_width) ** power, shifted back by ``back`` mm."""

    half_width: float
    depth: float
    power: float
    back: float = 0.0

    def sample(self) -> tuple[Array, Array]:
        """Arc lengths (n,) and positions (n, 2) of the left half, from the midline back."""
        x = np.linspace(0.0, self.half_width * 1.6, 6000)
        y = self.depth * (x / self.half_width) ** self.power + self.back
        step = np.hypot(np.diff(x), np.diff(y))
        return np.concatenate([[0.0], np.cumsum(step)]), np.stack([x, y], axis=1)


UPPER_ADULT = ArchCurve(26.5, 32.0, 2.35)
LOWER_ADULT = ArchCurve(24.5, 29.5, 2.2, 2.6)
UPPER_CHILD = ArchCurve(24.5, 27.5, 2.3)
LOWER_CHILD = ArchCurve(22.6, 25.0, 2.15, 2.3)


def _tip_height(iso: int, y: float) -> float:
    position = iso % 10
    if is_upper(iso):
        return {1: 0.0, 2: 0.5, 3: -0.3}.get(position, 0.0) + 0.012 * max(0.0, y - 26.0)
    return {1: 2.2, 2: 2.1, 3: 2.0}.get(position, 2.0) + 0.02 * max(0.0, y - 26.0)


def _rotate(vector: Array, towards: Array, degrees: float) -> Array:
    angle = np.radians(degrees)
    return vector * np.cos(angle) + towards * np.sin(angle)


@dataclass(frozen=True)
class Arch:
    """The teeth of one jaw and the curve they stand on."""

    teeth: tuple[PlacedTooth, ...]
    curve: ArchCurve
    upper: bool
    _by_number: dict[int, PlacedTooth] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_number", {t.iso: t for t in self.teeth})

    def __contains__(self, iso: int) -> bool:
        return iso in self._by_number

    def __getitem__(self, iso: int) -> PlacedTooth:
        return self._by_number[iso]


def _place(iso: int, at: Array, tangent: Array, path: float, stand: Stand) -> PlacedTooth:
    size = crown_size(iso)
    cusp = np.array([0.0, 0.0, -1.0 if is_upper(iso) else 1.0])
    mesial = np.array([-tangent[0], -tangent[1], 0.0])
    outward = np.array([tangent[1], -tangent[0], 0.0])
    if is_right(iso):
        mesial[0], outward[0] = -mesial[0], -outward[0]
        at = at * [-1.0, 1.0]
    axis = _rotate(cusp, outward, lean(iso))
    buccal = _rotate(outward, -cusp, lean(iso))
    ridge = np.stack([mesial, buccal, axis])
    long = _rotate(axis, mesial, tip(iso))
    near = _rotate(mesial, -axis, tip(iso))
    turned = np.stack(
        [_rotate(near, buccal, stand.turned), _rotate(buccal, -near, stand.turned), long]
    )
    origin = np.append(at, 0.0) - long * CONTACT * size.height
    reach = abs(float(long[2])) * size.height
    origin[2] = _tip_height(iso, float(at[1])) + (reach if is_upper(iso) else -reach)
    origin = origin + np.array(stand.shift) @ np.stack([mesial, outward, cusp])
    cover = stand.cover + (
        0.0 if iso % 10 != 3 or is_deciduous(iso) else 0.8 if is_upper(iso) else 1.6
    )
    return PlacedTooth(iso, size, origin, turned, ridge, -path if is_right(iso) else path, cover)


def build_arch(numbers: Sequence[int], curve: ArchCurve, stands: Mapping[int, Stand]) -> Arch:
    """Set teeth side by side, each half from the midline backwards.

    Parameters
    ----------
    numbers : sequence of int
        ISO 3950 numbers of one jaw in any order; within a half they stand in the order of
        their position, the first dentition taking the places of its successors.
    curve : ArchCurve
        Through the contact points.
    stands : mapping of int to Stand
        Teeth that depart from their place.
    """
    lengths, points = curve.sample()
    placed = []
    for right in (True, False):
        half = sorted((n for n in numbers if is_right(n) == right), key=lambda n: n % 10)
        reached = 0.0
        for iso in half:
            stand = stands.get(iso, Stand())
            width = crown_size(iso).width * (0.985 if is_deciduous(iso) else 0.96)
            middle = reached + stand.space + width / 2
            reached = middle + width / 2
            at = np.array([np.interp(middle, lengths, points[:, k]) for k in (0, 1)])
            ahead = np.array([np.interp(middle + 0.5, lengths, points[:, k]) for k in (0, 1)])
            tangent = (ahead - at) / np.linalg.norm(ahead - at)
            placed.append(_place(iso, at, tangent, middle, stand))
    return Arch(tuple(sorted(placed, key=lambda t: t.path)), curve, is_upper(numbers[0]))

"""The algebra of pictures: patient directions, orientations and the eight turns of a square.

Axes are DICOM's (PS3.3 C.7.6.1.1.1): x grows to the patient's Left, y to the Posterior, z to the
Head. An orientation is the pair (direction of the rows, direction of the columns), as Patient
Orientation (0020,0020) holds it. Row vector x column vector is the direction in which the
picture looks if it is true, and the opposite if it is a reflection.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum

from archiver.errors import MeaningError, Problem
from archiver.wording import Text

Vector = tuple[int, int, int]


def _cross(a: Vector, b: Vector) -> Vector:
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


class Direction(str, Enum):
    """An anatomical direction, by the letter that Patient Orientation uses."""

    LEFT = "L"
    RIGHT = "R"
    POSTERIOR = "P"
    ANTERIOR = "A"
    HEAD = "H"
    FOOT = "F"

    @property
    def vector(self) -> Vector:
        """Unit vector on the patient's axes (L, P, H)."""
        return _VECTORS[self]

    @property
    def opposite(self) -> Direction:
        """The direction the other way."""
        return _OF_VECTOR[(-self.vector[0], -self.vector[1], -self.vector[2])]

    @property
    def word(self) -> str:
        """The direction as a session sheet names it."""
        return self.name.lower()

    @property
    def text(self) -> Text:
        """The direction as a drawing names it."""
        return Text(f"dentition.direction.{self.word}")

    def cross(self, other: Direction) -> Direction:
        """Vector product of two directions at right angles.

        Raises
        ------
        ValueError
            If the two lie on one axis.
        """
        product = _cross(self.vector, other.vector)
        if product == (0, 0, 0):
            raise ValueError(f"{self.value} and {other.value} lie on one axis")
        return _OF_VECTOR[product]

    def reflected_by(self, normal: Vector) -> Direction:
        """Return the image of this direction in a mirror.

        Parameters
        ----------
        normal
            Normal of the mirror, of any length; the image has to be one of the six directions.
        """
        v = self.vector
        length2 = sum(n * n for n in normal)
        twice = 2 * sum(a * b for a, b in zip(v, normal, strict=True))
        x, y, z = (a - twice * n // length2 for a, n in zip(v, normal, strict=True))
        return _OF_VECTOR[(x, y, z)]


_VECTORS: dict[Direction, Vector] = {
    Direction.LEFT: (1, 0, 0),
    Direction.RIGHT: (-1, 0, 0),
    Direction.POSTERIOR: (0, 1, 0),
    Direction.ANTERIOR: (0, -1, 0),
    Direction.HEAD: (0, 0, 1),
    Direction.FOOT: (0, 0, -1),
}
_OF_VECTOR: dict[Vector, Direction] = {v: d for d, v in _VECTORS.items()}


def direction_of(text: str) -> Direction:
    """Read a direction by its word (``head``) or letter (``H``).

    Raises
    ------
    MeaningError
        If the text names none.
    """
    for direction in Direction:
        if text.casefold() in (direction.word, direction.value.casefold()):
            return direction
    raise MeaningError(Problem("dentition.orientation.no_direction", text=text))


class Turn(IntEnum):
    """An element of the symmetry group of the square.

    The value is the EXIF orientation (tag 274) for which a viewer carries out this turn:
    turn k takes the stored pixels of a file with orientation k to what is shown.
    """

    IDENTITY = 1
    FLIP_LEFT_RIGHT = 2
    HALF = 3
    FLIP_TOP_BOTTOM = 4
    TRANSPOSE = 5
    QUARTER_CLOCKWISE = 6
    TRANSVERSE = 7
    QUARTER_ANTICLOCKWISE = 8

    @property
    def matrix(self) -> tuple[int, int, int, int]:
        """(a, b, c, d): new rows = a rows + b columns, new columns = c rows + d columns."""
        return _MATRICES[self]

    @property
    def sign(self) -> int:
        """+1 for a turn in the plane, -1 for one that reflects."""
        a, b, c, d = self.matrix
        return a * d - b * c

    @property
    def inverse(self) -> Turn:
        """The turn that undoes this one."""
        return next(t for t in Turn if t.after(self) is Turn.IDENTITY)

    @property
    def swaps_sides(self) -> bool:
        """True where width and height change places."""
        return self.matrix[0] == 0

    @property
    def text(self) -> Text:
        """What is done to the picture."""
        return Text(f"dentition.turn.{self.name.lower()}")

    @property
    def words(self) -> str:
        """What is done to the picture, in words."""
        return str(self.text)

    @property
    def order(self) -> Text:
        """What is to be done to the picture."""
        return Text(f"dentition.turn_order.{self.name.lower()}")

    def after(self, first: Turn) -> Turn:
        """Return the one turn that equals `first` and then this one."""
        a, b, c, d = self.matrix
        e, f, g, h = first.matrix
        return _OF_MATRIX[(a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h)]


_MATRICES: dict[Turn, tuple[int, int, int, int]] = {
    Turn.IDENTITY: (1, 0, 0, 1),
    Turn.FLIP_LEFT_RIGHT: (-1, 0, 0, 1),
    Turn.HALF: (-1, 0, 0, -1),
    Turn.FLIP_TOP_BOTTOM: (1, 0, 0, -1),
    Turn.TRANSPOSE: (0, 1, 1, 0),
    Turn.QUARTER_CLOCKWISE: (0, -1, 1, 0),
    Turn.TRANSVERSE: (0, -1, -1, 0),
    Turn.QUARTER_ANTICLOCKWISE: (0, 1, -1, 0),
}
_OF_MATRIX = {m: t for t, m in _MATRICES.items()}


@dataclass(frozen=True)
class Orientation:
    """Directions of the rows (left edge to right) and of the columns (top edge to bottom).

    Raises
    ------
    ValueError
        If both lie on one axis.
    """

    rows: Direction
    columns: Direction

    def __post_init__(self) -> None:
        self.rows.cross(self.columns)

    def __str__(self) -> str:
        return f"{self.rows.value}\\{self.columns.value}"

    @property
    def normal(self) -> Direction:
        """Rows x columns: where a true picture of this orientation looks."""
        return self.rows.cross(self.columns)

    @property
    def edges(self) -> dict[str, Direction]:
        """The direction that lies at each edge of the picture."""
        return {
            "top": self.columns.opposite,
            "right": self.rows,
            "bottom": self.columns,
            "left": self.rows.opposite,
        }

    def turned(self, turn: Turn) -> Orientation:
        """Return the orientation after a turn of the picture."""
        a, b, c, d = turn.matrix
        r, k = self.rows.vector, self.columns.vector

        def mix(m: int, n: int) -> Direction:
            return _OF_VECTOR[(m * r[0] + n * k[0], m * r[1] + n * k[1], m * r[2] + n * k[2])]

        return Orientation(mix(a, b), mix(c, d))

    def turn_to(self, target: Orientation) -> Turn:
        """Return the turn that brings this orientation to another in the same plane.

        Raises
        ------
        ValueError
            If the two lie in different planes.
        """
        for turn in Turn:
            if self.turned(turn) == target:
                return turn
        raise ValueError(f"no turn takes {self} to {target}")


def is_true(orientation: Orientation, looking: Direction) -> bool:
    """Truth test: True for a picture of the right handedness, False for a reflected one.

    Raises
    ------
    MeaningError
        If the picture does not look along that axis at all.
    """
    if orientation.normal is looking:
        return True
    if orientation.normal is looking.opposite:
        return False
    raise MeaningError(
        Problem(
            "dentition.orientation.plane_not_across", orientation=orientation, word=looking.word
        )
    )


def orientation_of(values: tuple[str, str] | list[str]) -> Orientation | None:
    """Read the two values of Patient Orientation by their main letters; None if unreadable.

    Of a value with several letters the first counts: the strongest direction comes first
    (PS3.3 C.7.6.1.1.1).
    """
    try:
        rows, columns = values
        return Orientation(Direction(rows[:1]), Direction(columns[:1]))
    except ValueError:
        return None

"""Teeth by ISO 3950, their neighbours, and the two other numberings in use.

Designations follow ISO 3950 (quadrant digit, position from the midline). Universal numbers run
1-32 and A-T around the mouth; Palmer counts 1-8 or A-E from the midline in each quadrant.
A supernumerary tooth is named, as DICOM does in CID 4025, by the tooth whose place it shares;
the letter ``s`` behind the ISO or Palmer designation is this program's own notation for it, and
Universal adds 50 to the number or an S to the letter (HL7 Dental Data Exchange, 2020).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from archiver.wording import Text


class Arch(str, Enum):
    """One of the two dental arches."""

    UPPER = "upper"
    LOWER = "lower"


class Side(str, Enum):
    """The patient's side."""

    RIGHT = "right"
    LEFT = "left"

    @property
    def opposite(self) -> Side:
        """The other side."""
        return Side.LEFT if self is Side.RIGHT else Side.RIGHT


class ToothClass(str, Enum):
    """The four classes of teeth."""

    INCISOR = "incisor"
    CANINE = "canine"
    PREMOLAR = "premolar"
    MOLAR = "molar"


_PERMANENT_NAMES = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)
_DECIDUOUS_NAMES = (*_PERMANENT_NAMES[:3], "first molar", "second molar")
_PALMER_CORNERS = {1: "UR", 2: "UL", 3: "LL", 4: "LR"}
#: Brackets of the written Palmer notation: the corner lies towards the midline of the chart.
_PALMER_BRACKETS = {1: "{}┘", 2: "└{}", 3: "┌{}", 4: "{}┐"}


@dataclass(frozen=True, order=True)
class Tooth:
    """One tooth.

    Parameters
    ----------
    quadrant
        1 to 4 permanent, 5 to 8 deciduous: upper right, upper left, lower left, lower right.
    position
        Counted from the midline: 1 to 8, or 1 to 5 in the deciduous dentition.
    supernumerary
        True for an extra tooth at this position.

    Raises
    ------
    ValueError
        If there is no such tooth.
    """

    quadrant: int
    position: int
    supernumerary: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.quadrant <= 8:
            raise ValueError(f"no quadrant {self.quadrant}")
        if not 1 <= self.position <= (5 if self.quadrant > 4 else 8):
            raise ValueError(f"no tooth {self.quadrant}{self.position}")

    def __str__(self) -> str:
        return self.iso

    @property
    def iso(self) -> str:
        """Designation by ISO 3950, such as ``36``; ``36s`` for a supernumerary tooth there."""
        return f"{self.quadrant}{self.position}{'s' if self.supernumerary else ''}"

    @property
    def is_deciduous(self) -> bool:
        """True for a tooth of the first dentition."""
        return self.quadrant > 4

    @property
    def _corner(self) -> int:
        return self.quadrant - 4 if self.is_deciduous else self.quadrant

    @property
    def arch(self) -> Arch:
        """The arch in which it stands."""
        return Arch.UPPER if self._corner in (1, 2) else Arch.LOWER

    @property
    def side(self) -> Side:
        """The patient's side on which it stands."""
        return Side.RIGHT if self._corner in (1, 4) else Side.LEFT

    @property
    def tooth_class(self) -> ToothClass:
        """Incisor, canine, premolar or molar."""
        if self.position <= 2:
            return ToothClass.INCISOR
        if self.position == 3:
            return ToothClass.CANINE
        if self.position <= 5 and not self.is_deciduous:
            return ToothClass.PREMOLAR
        return ToothClass.MOLAR

    @property
    def is_anterior(self) -> bool:
        """True for incisors and canines."""
        return self.position <= 3

    @property
    def text(self) -> Text:
        """The tooth's name, such as ``lower left first molar``."""
        names = _DECIDUOUS_NAMES if self.is_deciduous else _PERMANENT_NAMES
        kinds = {"supernumerary": self.supernumerary, "deciduous": self.is_deciduous}
        words = "_".join(kind for kind, holds in kinds.items() if holds) or "permanent"
        kind = names[self.position - 1].replace(" ", "_")
        return Text(
            f"dentition.tooth.{words}",
            arch=Text(f"dentition.tooth.{self.arch.value}"),
            side=Text(f"dentition.tooth.{self.side.value}"),
            kind=Text(f"dentition.tooth.{kind}"),
        )

    @property
    def name(self) -> str:
        """Plain English, such as ``lower left first molar``."""
        return str(self.text)

    @property
    def universal(self) -> str:
        """Universal number 1-32 or letter A-T (51-82 or AS-TS for a supernumerary tooth)."""
        p = self.position
        if self.is_deciduous:
            index = {5: 5 - p, 6: 4 + p, 7: 15 - p, 8: 14 + p}[self.quadrant]
            return chr(ord("A") + index) + ("S" if self.supernumerary else "")
        number = {1: 9 - p, 2: 8 + p, 3: 25 - p, 4: 24 + p}[self.quadrant]
        return str(number + 50 if self.supernumerary else number)

    @property
    def _palmer_mark(self) -> str:
        mark = "ABCDE"[self.position - 1] if self.is_deciduous else str(self.position)
        return mark + ("s" if self.supernumerary else "")

    @property
    def palmer(self) -> str:
        """Palmer notation in letters, such as ``LL6`` or ``URE``."""
        return _PALMER_CORNERS[self._corner] + self._palmer_mark

    @property
    def palmer_symbol(self) -> str:
        """Palmer notation with its bracket, such as ``┌6``."""
        return _PALMER_BRACKETS[self._corner].format(self._palmer_mark)

    @property
    def mesial_neighbour(self) -> Tooth:
        """The tooth on the side of the midline; across it for a central incisor."""
        if self.position > 1:
            return Tooth(self.quadrant, self.position - 1)
        across = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}[self.quadrant]
        return Tooth(across, 1)

    @property
    def distal_neighbour(self) -> Tooth | None:
        """The tooth behind it; None behind a third molar.

        Behind a second deciduous molar stands the permanent first molar.
        """
        if self.is_deciduous:
            return (
                Tooth(self.quadrant, self.position + 1)
                if self.position < 5
                else Tooth(self.quadrant - 4, 6)
            )
        return Tooth(self.quadrant, self.position + 1) if self.position < 8 else None

    @property
    def contact_points(self) -> tuple[ContactPoint, ...]:
        """Where it touches its neighbours: mesial first, then distal where there is one."""
        mesial = ContactPoint(self, self.mesial_neighbour)
        behind = self.distal_neighbour
        return (mesial, ContactPoint(self, behind)) if behind else (mesial,)


@dataclass(frozen=True)
class ContactPoint:
    """Where two neighbouring teeth touch; the order of the two does not matter."""

    one: Tooth
    other: Tooth

    def __post_init__(self) -> None:
        first, second = sorted((self.one, self.other))
        object.__setattr__(self, "one", first)
        object.__setattr__(self, "other", second)

    def __str__(self) -> str:
        return f"{self.one.iso}/{self.other.iso}"


PERMANENT_TEETH: tuple[Tooth, ...] = tuple(Tooth(q, p) for q in (1, 2, 3, 4) for p in range(1, 9))
DECIDUOUS_TEETH: tuple[Tooth, ...] = tuple(Tooth(q, p) for q in (5, 6, 7, 8) for p in range(1, 6))
ALL_TEETH: tuple[Tooth, ...] = PERMANENT_TEETH + DECIDUOUS_TEETH


def arch_order(arch: Arch, *, deciduous: bool = False) -> tuple[Tooth, ...]:
    """Return the teeth of an arch from the patient's right end to the left end."""
    right, left = (1, 2) if arch is Arch.UPPER else (4, 3)
    last = 8
    if deciduous:
        right, left, last = right + 4, left + 4, 5
    return (
        *(Tooth(right, p) for p in range(last, 0, -1)),
        *(Tooth(left, p) for p in range(1, last + 1)),
    )


def in_arch_order(teeth: tuple[Tooth, ...]) -> tuple[Tooth, ...]:
    """Return the teeth without repeats: upper before lower, from the patient's right to left."""

    def place(tooth: Tooth) -> tuple[bool, int, bool, bool]:
        along = tooth.position if tooth.side is Side.LEFT else -tooth.position
        return (tooth.arch is Arch.LOWER, along, tooth.is_deciduous, tooth.supernumerary)

    return tuple(sorted(set(teeth), key=place))

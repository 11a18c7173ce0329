"""Mean crown dimensions, tooth by tooth, and how a crown leans in its arch.

The crown widths and heights are the rounded averages of the table of measurements in Wheeler's
"Dental Anatomy, Physiology and Occlusion" (permanent and deciduous teeth), from memory. The
inclinations are common practice values, rounded to whole degrees, from memory too.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class CrownSize:
    """Outer measures of a crown.

    Attributes
    ----------
    width : float
        Mesiodistal diameter at the contact points, mm.
    depth : float
        Labiolingual or buccolingual diameter at the height of contour, mm.
    height : float
        From cervical line to incisal edge or cusp tip, mm.
    neck : float
        Mesiodistal diameter at the cervical line, mm.
    """

    width: float
    depth: float
    height: float
    neck: float


def _sizes(*rows: tuple[float, float, float, float]) -> tuple[CrownSize, ...]:
    return tuple(CrownSize(*row) for row in rows)


_UPPER = _sizes(
    (8.5, 7.0, 10.5, 7.0),
    (6.5, 6.0, 9.0, 5.0),
    (7.5, 8.0, 10.0, 5.5),
    (7.0, 9.0, 8.5, 5.0),
    (7.0, 9.0, 8.5, 5.0),
    (10.0, 11.0, 7.5, 8.0),
    (9.0, 11.0, 7.0, 7.0),
    (8.5, 10.0, 6.5, 6.5),
)
_LOWER = _sizes(
    (5.0, 6.0, 9.0, 3.5),
    (5.5, 6.5, 9.5, 4.0),
    (7.0, 7.5, 11.0, 5.5),
    (7.0, 7.5, 8.5, 5.0),
    (7.0, 8.0, 8.0, 5.0),
    (11.0, 10.5, 7.5, 9.0),
    (10.5, 10.0, 7.0, 8.0),
    (10.0, 9.5, 7.0, 7.5),
)
_UPPER_DECIDUOUS = _sizes(
    (6.5, 5.0, 6.0, 4.5),
    (5.1, 4.0, 5.6, 3.7),
    (7.0, 7.0, 6.5, 5.1),
    (7.3, 8.5, 5.1, 5.2),
    (8.2, 10.0, 5.7, 6.4),
)
_LOWER_DECIDUOUS = _sizes(
    (4.2, 4.0, 5.0, 3.0),
    (4.1, 4.0, 5.2, 3.0),
    (5.0, 4.8, 6.0, 3.7),
    (7.7, 7.0, 6.0, 6.5),
    (9.9, 8.7, 5.5, 7.2),
)

_UPPER_LEAN = (17.0, 14.0, 2.0, -3.0, -4.0, -6.0, -8.0, -10.0)
_LOWER_LEAN = (6.0, 5.0, -4.0, -10.0, -14.0, -18.0, -20.0, -22.0)
_UPPER_TIP = (4.0, 7.0, 9.0, 3.0, 3.0, 3.0, 2.0, 0.0)
_LOWER_TIP = (1.0, 2.0, 5.0, 2.0, 2.0, 3.0, 3.0, 3.0)


def is_deciduous(iso: int) -> bool:
    """Tell whether an ISO 3950 number is of the first dentition."""
    return iso >= 50


def is_upper(iso: int) -> bool:
    """Tell whether a tooth stands in the upper arch."""
    return iso // 10 in (1, 2, 5, 6)


def is_right(iso: int) -> bool:
    """Tell whether a tooth is of the patient's right side."""
    return iso // 10 in (1, 4, 5, 8)


def tooth_class(iso: int) -> str:
    """Give ``"incisor"``, ``"canine"``, ``"premolar"`` or ``"molar"``."""
    position = iso % 10
    if position <= 3:
        return "canine" if position == 3 else "incisor"
    if is_deciduous(iso) or position >= 6:
        return "molar"
    return "premolar"


def crown_size(iso: int) -> CrownSize:
    """Mean crown measures of a tooth."""
    if is_deciduous(iso):
        table = _UPPER_DECIDUOUS if is_upper(iso) else _LOWER_DECIDUOUS
    else:
        table = _UPPER if is_upper(iso) else _LOWER
    return table[iso % 10 - 1]


def lean(iso: int) -> float:
    """Give the inclination of the crown in degrees, positive towards lip or cheek."""
    angle = (_UPPER_LEAN if is_upper(iso) else _LOWER_LEAN)[iso % 10 - 1]
    return angle * 0.4 if is_deciduous(iso) else angle


def tip(iso: int) -> float:
    """Give the mesial tip of the crown in degrees."""
    angle = (_UPPER_TIP if is_upper(iso) else _LOWER_TIP)[iso % 10 - 1]
    return angle * 0.4 if is_deciduous(iso) else angle

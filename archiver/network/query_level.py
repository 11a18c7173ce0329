"""Query/Retrieve Level (0008,0052), as client and node have it (PS3.4 C.6)."""

from __future__ import annotations

from enum import Enum


class Level(str, Enum):
    """A level, the highest first."""

    PATIENT = "PATIENT"
    STUDY = "STUDY"
    SERIES = "SERIES"
    IMAGE = "IMAGE"

    @property
    def above(self) -> tuple[Level, ...]:
        """The levels above, highest first."""
        order = list(Level)
        return tuple(order[: order.index(self)])

    @property
    def unique_key(self) -> str:
        """Keyword of the unique key."""
        return _UNIQUE[self]


_UNIQUE = {
    Level.PATIENT: "PatientID",
    Level.STUDY: "StudyInstanceUID",
    Level.SERIES: "SeriesInstanceUID",
    Level.IMAGE: "SOPInstanceUID",
}

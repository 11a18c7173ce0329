"""Dates and times that are moved along with a case: those of visit and capture, and no other.

A day on which an object was made, changed or handed over is close to a day that outsiders know;
moved along, it would give the offset of the whole case (PS3.15 E.3.6).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pydicom import DataElement, Dataset
from pydicom.datadict import keyword_for_tag
from pydicom.multival import MultiValue

from archiver.handover.case import Case
from archiver.handover.profiles import Times
from archiver.objects import text

#: Study Date, Acquisition Date, Acquisition DateTime.
_CAPTURE = (0x00080020, 0x00080022, 0x0008002A)
#: Series Date, Content Date, Contribution DateTime: they may be of the day of capture.
_BESIDE = (0x00080021, 0x00080023, 0x0018A002)
#: A time -> the date that it belongs to.
_DATE_OF = {
    0x00080030: 0x00080020,
    0x00080031: 0x00080021,
    0x00080032: 0x00080022,
    0x00080033: 0x00080023,
}
_DIGITS = {"full": 99, "hour": 2, "none": 0}


@dataclass(frozen=True)
class Moments:
    """The days of an object that may be moved, and how much of a time of day stays.

    Parameters
    ----------
    days
        Days of visit and capture, as DICOM has them.
    digits
        How many digits of a time stay.
    """

    case: Case
    whole: Dataset
    days: frozenset[str]
    digits: int

    @classmethod
    def of(cls, whole: Dataset, case: Case, times: Times) -> Moments:
        """Take them from an object, for a case and what its purpose says of times."""
        days = {text(whole, tag)[:8] for tag in ("StudyDate", "AcquisitionDate")}
        days.add(text(whole, "AcquisitionDateTime")[:8])
        return cls(case, whole, frozenset(days - {""}), _DIGITS[times])

    def moved(self, element: DataElement) -> str:
        """Return a date, time or date time as it may go out; empty where it may not."""
        tag, value = int(element.tag), element.value
        if isinstance(value, MultiValue):
            return ""
        if element.VR == "TM":
            date = _DATE_OF.get(tag)
            of_day = date is not None and date in self.whole
            day = text(self.whole, keyword_for_tag(date)) if date is not None else ""
            if not of_day or not self._stays(date or 0, day):
                return ""
            return _time(str(value or ""))[: self.digits]
        moved = self.case.moved(str(value or "")) if self._stays(tag, str(value)) else ""
        return moved[: 8 + self.digits]

    def _stays(self, tag: int, value: str) -> bool:
        return tag in _CAPTURE or (tag in _BESIDE and value[:8] in self.days)


def _time(value: str) -> str:
    told = value.strip()
    return told if re.fullmatch(r"[0-9]{2}([0-9]{2}([0-9]{2}(\.[0-9]{1,6})?)?)?", told) else ""

"""A case: what its packages have instead of the clinic's identifiers and dates.

What an attacker cannot learn of dates, where they are moved (`moments` says which are):

- Who knows the day of hand-over, of an amendment or of a birth has nothing to subtract from:
  a package holds the days of visit and capture alone.
- Who has a package of another case, or knows its offset, knows nothing of this one: offsets
  follow from a key that only the archive has.
- Who knows the date of one visit, and which one it is, learns those of the other visits of
  that package, since the days between them are what the purpose keeps (PS3.15 E.3.6), and no
  other date. A purpose for which that is too much keeps no dates.
"""

from __future__ import annotations

import re
import uuid
from dataclasses import dataclass
from datetime import date, timedelta

from archiver.archive.store import keyed
from archiver.errors import Problem, UsageError

#: Letters, digits and a few signs that every file system takes.
_NUMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,15}")
_MOMENT = r"(\d{4})(\d{2})(\d{2})(\d*(?:\.\d+)?)(?:[+-]\d{4})?"
#: How far dates are moved back, in days: at least, and at most so much more.
_LEAST, _SPAN = 30, 3650


@dataclass(frozen=True)
class Case:
    """A case number and the key that follows from it, the patient and the archive's secret.

    The same case gives the same identifiers and the same offset in every package; without the
    secret nobody can go back from them (PS3.15 E.3.9).
    """

    number: str
    key: bytes

    @classmethod
    def of(cls, number: str, patient: tuple[str, str], secret: bytes) -> Case:
        """Make a case.

        Raises
        ------
        UsageError
            If the number does not fit the name of a file and an identifier.
        """
        if not _NUMBER.fullmatch(number):
            raise UsageError(Problem("handover.case.unfit", number=repr(number)))
        return cls(number, keyed(secret, "case", number, *patient))

    def uid(self, original: str) -> str:
        """Return the UID that stands for another one (PS3.5 B.2, a UUID of version 8)."""
        octets = bytearray(keyed(self.key, "uid", original)[:16])
        octets[6] = octets[6] & 0x0F | 0x80  # RFC 9562, version 8
        octets[8] = octets[8] & 0x3F | 0x80
        return f"2.25.{uuid.UUID(bytes=bytes(octets)).int}"

    @property
    def offset(self) -> timedelta:
        """How far every date of the case is moved, always back."""
        number = int.from_bytes(keyed(self.key, "days")[:8], "big")
        return timedelta(days=-_LEAST - number % _SPAN)

    def moved(self, text: str) -> str:
        """Return a date or date time of DICOM moved by the offset; empty if it is none."""
        found = re.fullmatch(_MOMENT, text.strip(), re.ASCII)
        if found is None:
            return ""
        year, month, day, rest = found.groups()
        try:
            moved = date(int(year), int(month), int(day)) + self.offset
        except (ValueError, OverflowError):
            return ""
        return f"{moved:%Y%m%d}".zfill(8) + rest

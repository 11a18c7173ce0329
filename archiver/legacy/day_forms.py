"""Days as people write them into the names of folders and files, by forms that rules give.

A form is written with ``YYYY``, ``YY``, ``MM``, ``M``, ``DD``, ``D`` and ``MMM`` (the month's word)
and whatever stands between them: ``D.M.YYYY``, ``YYYY-MM-DD``, ``DDMMYY``. The form says what comes
first, so that no day has to be guessed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

_PIECES = {
    "YYYY": r"(?P<year>\d{4})",
    "YY": r"(?P<short>\d{2})",
    "MMM": r"(?P<word>[^\W\d_]{3,9})",
    "MM": r"(?P<month>\d{2})",
    "M": r"(?P<month>\d{1,2})",
    "DD": r"(?P<day>\d{2})",
    "D": r"(?P<day>\d{1,2})",
}
_TOKEN = re.compile("YYYY|YY|MMM|MM|M|DD|D")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
#: Of these a form may have one each.
_PARTS = ({"YYYY", "YY"}, {"MMM", "MM", "M"}, {"DD", "D"})
_EARLIEST = 1900


def is_day_form(form: str) -> bool:
    """Whether a form has year, month and day, each of them once, and marks alone beside them."""
    found = _TOKEN.findall(form)
    once = len(found) == len(_PARTS) and all(part & set(found) for part in _PARTS)
    return once and not any(c.isalnum() for c in _TOKEN.sub("", form))


@cache
def day_pattern(form: str) -> str:
    """Return what finds a day of this form, with groups for its parts."""
    parts: list[str] = []
    place = 0
    for token in _TOKEN.finditer(form):
        parts += [re.escape(form[place : token.start()]), _PIECES[token.group()]]
        place = token.end()
    return "".join([*parts, re.escape(form[place:])])


@cache
def bare_pattern(form: str) -> str:
    """Return the same without names of groups, for use within other patterns."""
    return re.sub(r"\(\?P<\w+>", "(?:", day_pattern(form))


@dataclass(frozen=True)
class DayRead:
    """What a text says as a day.

    Parameters
    ----------
    days
        Empty where it is no day; several where forms read it differently.
    """

    days: tuple[date, ...] = ()

    @property
    def day(self) -> date | None:
        """The one day that it says."""
        return self.days[0] if len(self.days) == 1 else None


def read_day_in(text: str, forms: Sequence[str], latest: date) -> DayRead:
    """Read a text as a day by each form.

    Parameters
    ----------
    latest
        Years of two digits lie in the hundred years up to it.
    """
    days = set()
    for form in forms:
        found = re.fullmatch(day_pattern(form), text.strip())
        day = _day(found.groupdict(), latest) if found else None
        if day is not None:
            days.add(day)
    return DayRead(tuple(sorted(days)))


def _day(parts: dict[str, str | None], latest: date) -> date | None:
    if parts.get("year"):
        year = int(parts["year"] or "")
    else:
        year = latest.year - latest.year % 100 + int(parts["short"] or "")
    word = (parts.get("word") or "")[:3].casefold()
    if word and word not in _MONTHS:
        return None
    month = _MONTHS.index(word) + 1 if word else int(parts["month"] or "")
    try:
        day = date(year, month, int(parts["day"] or ""))
        if not parts.get("year") and day > latest:
            day = day.replace(year=year - 100)
    except ValueError:
        return None
    return day if day.year >= _EARLIEST else None

"""Days in numbers: read where they mean one day, refused where they mean two."""

from __future__ import annotations

from datetime import date

import pytest

from archiver.objects.spreadsheet import day_order, read_day
from archiver.objects.workbook import BadTableError

#: Every day of a year without a leap day, and of one with.
DAYS = [
    date.fromordinal(n) for n in range(date(2023, 1, 1).toordinal(), date(2025, 1, 1).toordinal())
]


@pytest.mark.parametrize("mark", ["/", "-"])
def test_a_day_is_refused_only_where_it_can_be_read_as_another(mark: str) -> None:
    for day in DAYS:
        cell = f"{day.day}{mark}{day.month}{mark}{day.year}"
        if day.day <= 12 and day.day != day.month:
            with pytest.raises(BadTableError, match="day first or month first"):
                read_day(cell, None, 2026)
        else:
            assert read_day(cell, None, 2026) == day


def test_the_order_of_a_column_settles_every_day_of_it() -> None:
    for day in DAYS:
        assert read_day(f"{day.day}/{day.month}/{day.year}", "day", 2026) == day
        assert read_day(f"{day.month}/{day.day}/{day.year}", "month", 2026) == day
        assert read_day(f"{day:%d.%m.%Y}", None, 2026) == day


def test_one_day_beyond_the_twelfth_gives_the_order_of_a_column() -> None:
    assert day_order(["3/4/2026", "13/4/2026"]) == "day"
    assert day_order(["3/4/2026", "4/13/2026"]) == "month"
    assert day_order(["3/4/2026", "12/12/2026"]) is None
    assert day_order(["4/13/2026", "13/4/2026"]) is None
    assert day_order(["3.4.2026"]) == "day"


def test_years_of_two_digits_lie_in_the_hundred_years_up_to_the_latest() -> None:
    assert [read_day(f"13/1/{n}", None, 2026).year for n in ("26", "27", "00", "99")] == [
        2026, 1927, 2000, 1999,
    ]  # fmt: skip

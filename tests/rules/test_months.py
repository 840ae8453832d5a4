"""Month arithmetic against results documented for PostgreSQL and the Gregorian calendar of the library."""

from __future__ import annotations

from calendar import monthrange
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.months import add_months

MONTHS = st.integers(-2400, 2400)
DAYS = st.dates(date(1900, 1, 1), date(2400, 12, 31))


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        # PostgreSQL 15 manual 9.9: date + interval '1 month' clamps to the month's end.
        (date(2024, 1, 31), 1, date(2024, 2, 29)),
        (date(2023, 1, 31), 1, date(2023, 2, 28)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2024, 2, 29), 48, date(2028, 2, 29)),
        (date(2024, 3, 31), -1, date(2024, 2, 29)),
        (date(2024, 12, 15), 1, date(2025, 1, 15)),
        (date(2024, 11, 30), 3, date(2025, 2, 28)),
        # 1900 and 2100 are not leap years (Gregorian rule).
        (date(2096, 2, 29), 48, date(2100, 2, 28)),
    ],
)
def test_known_sums(day: date, months: int, expected: date) -> None:
    assert add_months(day, months) == expected


@given(DAYS, MONTHS)
def test_it_lands_in_the_right_month_on_the_same_day_or_the_last(day: date, months: int) -> None:
    got = add_months(day, months)
    assert (got.year - day.year) * 12 + got.month - day.month == months
    assert got.day == min(day.day, monthrange(got.year, got.month)[1])


@given(DAYS, st.integers(0, 600), st.integers(0, 600))
def test_more_months_are_never_earlier(day: date, fewer: int, more: int) -> None:
    assert add_months(day, min(fewer, more)) <= add_months(day, max(fewer, more))


@given(st.dates(), st.integers(-(10**30), 10**30))
def test_it_stops_at_the_ends_of_the_calendar(day: date, months: int) -> None:
    got = add_months(day, months)
    if months > 12 * 9999:
        assert got == date.max
    if months < -12 * 9999:
        assert got == date.min


def test_the_last_month_of_the_calendar_is_reached() -> None:
    assert add_months(date(9999, 11, 30), 1) == date(9999, 12, 30)
    assert add_months(date(9999, 12, 1), 1) == date.max
    assert add_months(date(1, 1, 31), -1) == date.min

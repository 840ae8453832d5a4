"""Adding calendar months to a date, with the month-end rule said once for the whole project.

ISO 8601 leaves the sum open at a month's end. Rule here: keep the day of the month when the target month
has it, else take that month's last day. So 31 January + 1 month is 28 or 29 February, and
29 February + 12 months is 28 February. The rule never runs into the next month, so it never gives
a later date than a person counting months would.
"""

from __future__ import annotations

from datetime import MAXYEAR, MINYEAR, date
from functools import lru_cache

from dateutil.relativedelta import relativedelta

MONTHS_PER_YEAR = 12


# A sweep asks for few different days, a thousand times each.
@lru_cache(maxsize=16_384)
def add_months(day: date, months: int) -> date:
    """The date `months` calendar months after `day` (before it when negative).

    A sum beyond the calendar stops at date.max or date.min instead of failing. Because of the month-end
    rule two steps need not equal one: count from the first date, never from an earlier sum.
    """
    year = (day.year * MONTHS_PER_YEAR + day.month - 1 + months) // MONTHS_PER_YEAR
    if year > MAXYEAR:
        return date.max
    if year < MINYEAR:
        return date.min
    return day + relativedelta(months=months)

"""How long a stock lasts at the use of the last months, with a band.

The mean of whole months, taken as independent and alike: no season and no trend is looked for, which a few
months could not show. What h further months will use lies within

    h·m ± t·s·√(h + h²/n)        n months, mean m, standard deviation s, Student's t with n - 1 degrees

the prediction interval of a sum of future values (Hahn and Meeker, Statistical Intervals, ch. 4, from memory;
held to a simulation by the tests).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from recovery.rules.student import t_quantile

LEVEL = 0.95
MONTHS_LEAST, MONTHS_MOST = 3, 12
MONTH_DAYS = 365.25 / 12
# Further ahead than ten years nobody orders solvent.
HORIZON_MONTHS = 120.0
METHOD = (
    "Mean of the last whole months with a Student t prediction band (95 %) for the sum of the months to "
    "come; no season or trend is looked for."
)
SOURCE = "Hahn and Meeker, Statistical Intervals, ch. 4 (from memory)"
Code = Literal["forecast", "few-months", "no-use", "reached"]


@dataclass(frozen=True, slots=True)
class Outlook:
    """mean_ul, spread_ul: of a month. low_ul, high_ul: of the next month, never below zero.

    reorder_on: the day on which the stock comes down to the minimum at the mean; earliest_on, latest_on: of
    the band, None beyond ten years. Where there is no forecast all days are None, but "reached" is today.
    """

    code: Code
    months: int
    mean_ul: float
    spread_ul: float | None
    low_ul: float | None
    high_ul: float | None
    reorder_on: date | None
    earliest_on: date | None
    latest_on: date | None
    words: str


def outlook(uses_ul: Sequence[int], *, stock_ul: int, minimum_ul: int, today: date) -> Outlook:
    """When a stock comes down to its minimum.

    uses_ul: what each of the last whole months used, oldest first, months without any use as 0; the last
    twelve count. Fewer than three give no forecast, since a spread cannot be told from them.
    """
    uses = list(uses_ul)[-MONTHS_MOST:]
    n = len(uses)
    mean = math.fsum(uses) / n if n else 0.0
    if n < MONTHS_LEAST:
        words = f"Only {n} whole months on record: no forecast before there are {MONTHS_LEAST}."
        return Outlook("few-months", n, mean, None, None, None, None, None, None, words)
    spread = math.sqrt(math.fsum((use - mean) ** 2 for use in uses) / (n - 1))
    t = t_quantile(LEVEL, n - 1)
    half = t * spread * math.sqrt(1 + 1 / n)
    band = (max(mean - half, 0.0), max(mean + half, 0.0))
    if stock_ul <= minimum_ul and (minimum_ul > 0 or mean > 0):
        words = "The stock is down to the minimum already."
        return Outlook("reached", n, mean, spread, *band, today, today, today, words)
    room = max(float(stock_ul - minimum_ul), 0.0)
    early, late = (_months(room, mean, sign * t * spread, n) for sign in (1, -1))
    middle = room / mean if mean > 0 else math.inf
    if mean <= 0 and (math.isinf(early) or not room):
        words = "Nothing was used in these months."
        return Outlook("no-use", n, mean, spread, *band, None, None, None, words)
    days = [_day(today, months) for months in (middle, early, late)]
    return Outlook("forecast", n, mean, spread, *band, days[0], days[1], days[2], _words(n, days))


def _months(room: float, mean: float, spread: float, n: int) -> float:
    """The first h at which h·mean + spread·√(h + h²/n) reaches the room; infinite beyond the horizon.

    spread: t times s, with its sign. Below zero the sum first falls, and comes up once.
    """

    def used(h: float) -> float:
        return h * mean + spread * math.sqrt(h + h * h / n)

    low, high = 0.0, HORIZON_MONTHS
    if used(high) < room:
        return math.inf
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (low, middle) if used(middle) >= room else (middle, high)
    return high


def _day(today: date, months: float) -> date | None:
    """Whole days, rounded down: sooner is the worse."""
    if months > HORIZON_MONTHS:
        return None
    return today + timedelta(days=math.floor(months * MONTH_DAYS))


def _words(n: int, days: Sequence[date | None]) -> str:
    middle, early, late = (day.isoformat() if day else "beyond ten years" for day in days)
    few = f" From {n} months only: the band is wide." if n < 6 else ""
    return f"Down to the minimum about {middle}, between {early} and {late}.{few}"

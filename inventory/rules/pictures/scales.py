"""From values to places in a picture, and where the ticks stand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil, floor, isfinite, log10

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.words import month_text, short_day

__all__ = ["Linear", "Log", "day_ticks", "linear_ticks", "log_ticks", "padded", "spread"]

Tick = tuple[float, str]
LARGEST = 1e15


@dataclass(frozen=True)
class Linear:
    """Values from low to high on pixels from start to end; what lies outside is put on the edge."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        inside = min(max(value, self.low), self.high)
        return self.start + (inside - self.low) / (self.high - self.low) * (self.end - self.start)


@dataclass(frozen=True)
class Log:
    """As `Linear`, by the logarithm; everything at or below `low` stands on the edge."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        inside = min(max(value, self.low), self.high)
        part = (log10(inside) - log10(self.low)) / (log10(self.high) - log10(self.low))
        return self.start + part * (self.end - self.start)


def padded(values: Sequence[float], *, with_zero: bool = False, part: float = 0.08) -> tuple[float, float]:
    """Least and greatest with some room on both sides; never of no width. Values that are not finite are
    left out, and what is beyond 10^15 is drawn at the edge."""
    known = [min(max(v, -LARGEST), LARGEST) for v in values if isfinite(v)] or [0.0, 1.0]
    low, high = min(known), max(known)
    if with_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    room = (high - low) * part or max(abs(high) * part, 1e-9) * 2
    if low == high == 0.0:
        room = 1.0
    below = 0.0 if with_zero and low == 0.0 else room
    return low - below, high + (0.0 if with_zero and high == 0.0 < -low else room)


def linear_ticks(low: float, high: float, most: int) -> list[float]:
    """At most `most` round values between the two, by steps of 1, 2 or 5 times a power of ten."""
    least = (high - low) / max(most, 1)
    power = 10.0 ** floor(log10(least))
    step = next(power * times for times in (1, 2, 5, 10, 20) if power * times >= least * (1 - 1e-9))
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [step * count for count in range(first, last + 1)]


def log_ticks(low: float, high: float, most: int) -> list[float]:
    """Of 1, 2 and 5 times a power of ten, or of powers alone where those would be too many."""
    powers = range(floor(log10(low)), ceil(log10(high)) + 1)
    for times, every in (((1, 2, 5), 1), ((1,), 1), ((1,), 2), ((1,), 3), ((1,), 6)):
        found = [t * 10.0**p for p in powers if p % every == 0 for t in times]
        found = [value for value in found if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]
        if len(found) <= most:
            break
    return found


def day_ticks(first: date, last: date, most: int) -> list[tuple[date, str]]:
    """At most `most` days or first days of months or years, with their words; the year where it changes."""
    days = (last - first).days
    for step in (1, 2, 7, 14):
        if days / step <= most - 1:
            return _named([first + timedelta(days=d) for d in range(0, days + 1, step)], short_day)
    for step in (1, 2, 3, 6):
        if days / 30.4 / step <= most - 1:
            return _named(_months(first, last, step), month_text)
    years = next(y for y in (1, 2, 5, 10, 20, 50, 100, 500, 2000, 10_000) if days / 365 / y <= most - 1)
    found = [date(year, 1, 1) for year in range(first.year + 1, last.year + 1) if year % years == 0]
    return [(day, str(day.year)) for day in found]


def _months(first: date, last: date, step: int) -> list[date]:
    count = first.year * 12 + first.month - (1 if first.day == 1 else 0)
    count += -count % step
    found = []
    while count // 12 <= 9999 and (day := date(count // 12, count % 12 + 1, 1)) <= last:
        found.append(day)
        count += step
    return found


def _named(days: list[date], name: Callable[[date], Phrase]) -> list[tuple[date, str]]:
    """A second line with the year for the first one and wherever it changes."""
    found: list[tuple[date, str]] = []
    year = 0
    for day in days:
        same = day.year == year
        found.append((day, name(day) if same else Phrase.joined([name(day), str(day.year)], by="\n")))
        year = day.year
    return found


def spread(places: Sequence[float], heights: Sequence[float], low: float, high: float) -> list[float]:
    """Middles of labels that would rather stand at `places`, moved apart so that none covers another.

    heights: of the labels. low, high: between what they are kept as far as there is room.
    """
    order = sorted(range(len(places)), key=lambda i: places[i])
    found = list(places)
    edge = low
    for i in order:
        found[i] = max(places[i], edge + heights[i] / 2)
        edge = found[i] + heights[i] / 2
    edge = high
    for i in reversed(order):
        found[i] = min(found[i], edge - heights[i] / 2)
        edge = found[i] - heights[i] / 2
    return found

"""Dates as people write them. The order of day and month is found by evidence in a column or asked.

Read without asking: 2026-01-31, 2026/1/31, 31 Jan 2026, 31. Januar 2026, Jan 31, 2026, each also with a
time of day after it. 05.06.2026 needs evidence: some other value with the same separator that can
be read one way only. Two-digit years are asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from functools import lru_cache

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.folding import plain

YEAR_MIN, YEAR_MAX = 1950, 2199
ANY_SEPARATOR = "*"
TEXT_MAX = 60  # no date is longer; keeps the patterns from grinding through a page of blanks


class DateOrder(StrEnum):
    """Which number comes first in 05.06.2026."""

    DAY_FIRST = "day-first"
    MONTH_FIRST = "month-first"


@dataclass(frozen=True, slots=True)
class DateRules:
    """What is known about one column. orders: (separator or "*", order) pairs. century: 2000 or None."""

    orders: tuple[tuple[str, DateOrder], ...] = ()
    century: int | None = None

    def order_for(self, separator: str) -> DateOrder | None:
        """The order for a separator, or None when it has to be asked."""
        known = dict(self.orders)
        return known.get(separator, known.get(ANY_SEPARATOR))


@dataclass(frozen=True, slots=True)
class OrderFinding:
    """What one column says about one separator.

    order: found order, or None. needed: False when every value reads the same both ways.
    day_first, month_first: (line, text) of a value that can be read only so. example: any value.
    """

    separator: str
    order: DateOrder | None
    needed: bool
    day_first: tuple[int, str] | None
    month_first: tuple[int, str] | None
    example: tuple[int, str]

    @property
    def conflict(self) -> bool:
        """True when the column holds both orders."""
        return self.day_first is not None and self.month_first is not None


@dataclass
class _Seen:
    day_first: tuple[int, str] | None = None
    month_first: tuple[int, str] | None = None
    needed: tuple[int, str] | None = None
    example: tuple[int, str] = field(default=(0, ""))


@dataclass(frozen=True, slots=True)
class _Fault:
    code: str
    detail: str
    remedy: str


_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar",
            "feb february februar",
            "mar march marz maerz mrz",
            "apr april",
            "may mai",
            "jun june juni",
            "jul july juli",
            "aug august",
            "sep sept september",
            "oct okt october oktober",
            "nov november",
            "dec dez december dezember",
        ),
        start=1,
    )
    for name in names.split()
}
_TIME = re.compile(r"[T ]\s*\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*(Z|[+-]\d{2}:?\d{2})?$")
_YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})", re.ASCII)
_NUMERIC = re.compile(r"(\d{1,2})\s?([./-])\s?(\d{1,2})\s?\2\s?(\d{4}|\d{2})", re.ASCII)
_DAY_WORD = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[\s.-]*([^\W\d_]{3,9})[\s.,-]*(\d{4}|\d{2})")
_WORD_DAY = re.compile(r"([^\W\d_]{3,9})[\s.-]*(\d{1,2})(?:st|nd|rd|th)?[\s.,-]+(\d{4}|\d{2})")
_HOW = Phrase("Write it as 2026-01-31.")


def parse_date(text: str, rules: DateRules | DateOrder | None = None, *, name: str = "date") -> date:
    """One cell to a date.

    rules: what is known about the column; a bare DateOrder counts for every separator.
    name: field named in the error. Raises InputError: date-unreadable, date-impossible, date-order-unknown,
    date-year-short or date-implausible.
    """
    if isinstance(rules, DateOrder):
        rules = DateRules(((ANY_SEPARATOR, rules),))
    found = _parsed(text, rules or DateRules())
    if isinstance(found, _Fault):
        raise InputError(name, found.code, found.detail, found.remedy)
    return found


def find_orders(values: Iterable[tuple[int, str]]) -> dict[str, OrderFinding]:
    """Evidence per separator over one column of (line, text). Only all-numeric forms take part."""
    seen: dict[str, _Seen] = {}
    first_lines: dict[str, int] = {}
    for line, text in values:
        first_lines.setdefault(text, line)
    for text, line in first_lines.items():
        match = _NUMERIC.fullmatch(_bare(text))
        if match:
            _weigh(seen.setdefault(match[2], _Seen()), int(match[1]), int(match[3]), (line, text.strip()))
    return {separator: _finding(separator, one) for separator, one in seen.items()}


def has_short_years(values: Iterable[str]) -> str | None:
    """The first value whose year has two digits, or None."""
    for text in values:
        bare = _bare(text)
        match = _NUMERIC.fullmatch(bare) or _DAY_WORD.fullmatch(bare) or _WORD_DAY.fullmatch(bare)
        if match and len(match[match.re.groups]) == 2:
            return text.strip()
    return None


def _weigh(seen: _Seen, first: int, second: int, where: tuple[int, str]) -> None:
    seen.example = seen.example if seen.example[0] else where
    if 12 < first <= 31 and 1 <= second <= 12:
        seen.day_first = seen.day_first or where
    elif 12 < second <= 31 and 1 <= first <= 12:
        seen.month_first = seen.month_first or where
    elif first != second:
        seen.needed = seen.needed or where


def _finding(separator: str, seen: _Seen) -> OrderFinding:
    order = None
    if seen.day_first and not seen.month_first:
        order = DateOrder.DAY_FIRST
    elif seen.month_first and not seen.day_first:
        order = DateOrder.MONTH_FIRST
    conflict = bool(seen.day_first and seen.month_first)
    needed = seen.needed is not None or conflict
    example = seen.needed or seen.example
    return OrderFinding(separator, order, needed, seen.day_first, seen.month_first, example)


@lru_cache(maxsize=65536)
def _parsed(text: str, rules: DateRules) -> date | _Fault:
    bare = _bare(text)
    match = _YEAR_FIRST.fullmatch(bare)
    if match:
        return _made(text, match[1], int(match[3]), int(match[4]), rules)
    match = _NUMERIC.fullmatch(bare)
    if match:
        return _numeric(text, match, rules)
    match = _DAY_WORD.fullmatch(bare)
    if match:
        return _worded(text, match[2], match[1], match[3], rules)
    match = _WORD_DAY.fullmatch(bare)
    if match:
        return _worded(text, match[1], match[2], match[3], rules)
    return _Fault("date-unreadable", Phrase("“{text}” is not a date.", text=text.strip()[:TEXT_MAX]), _HOW)


def _bare(text: str) -> str:
    """The cell without blanks around it and without a time of day; "" for one too long to be a date."""
    trimmed = text.strip()
    return _TIME.sub("", trimmed).strip() if len(trimmed) <= TEXT_MAX else ""


def _numeric(text: str, match: re.Match[str], rules: DateRules) -> date | _Fault:
    first, second = int(match[1]), int(match[3])
    order = rules.order_for(match[2])
    if order is None and first != second:
        detail = Phrase(
            "“{text}” may be day first or month first; nothing in the column tells.", text=text.strip()
        )
        remedy = 'Say --day-first or --month-first, or put "date_order" in the mapping.'
        return _Fault("date-order-unknown", detail, remedy)
    if order is DateOrder.MONTH_FIRST:
        first, second = second, first
    return _made(text, match[4], second, first, rules)


def _worded(text: str, word: str, day: str, year: str, rules: DateRules) -> date | _Fault:
    month = _MONTHS.get(plain(word))
    if month is None:
        return _Fault(
            "date-unreadable",
            Phrase("“{text}” is not a date: “{word}” is no month.", text=text.strip(), word=word),
            _HOW,
        )
    return _made(text, year, month, int(day), rules)


def _made(text: str, year_text: str, month: int, day: int, rules: DateRules) -> date | _Fault:
    year = int(year_text)
    if len(year_text) == 2:
        if rules.century is None:
            detail = Phrase("“{text}” has a year of two digits.", text=text.strip())
            return _Fault(
                "date-year-short", detail, 'Write four digits, or put "century": 2000 in the mapping.'
            )
        year += rules.century
    try:
        found = date(year, month, day)
    except ValueError:
        reading = Phrase("day {day} of month {month} in {year}", day=day, month=month, year=year)
        return _Fault(
            "date-impossible",
            Phrase("“{text}” is no day that exists ({reading}).", text=text.strip(), reading=reading),
            Phrase("Correct the date."),
        )
    if not YEAR_MIN <= year <= YEAR_MAX:
        detail = Phrase(
            "“{text}” lies outside {year_min} to {year_max}.",
            text=text.strip(),
            year_min=YEAR_MIN,
            year_max=YEAR_MAX,
        )
        return _Fault("date-implausible", detail, Phrase("Correct the year."))
    return found

"""Peroxide classes and test readings. A reading is an interval in mg/L as H2O2, because strips, words and
"less than" results say no more than that; a verdict may rest only on the interval's upper end.

Strips read mg/L. Mass ppm is mg/L divided by the density in kg/L, so in an ether 25 mg/L is about
35 mass ppm: a figure written "ppm" is taken as mg/L here, which is stricter for liquids lighter than water.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import Literal

from inventory.rules.errors import InputError

PeroxideClass = Literal["A", "B", "C", "D", "none", "unknown"]
# Strictest first, by interval under the cautious default; an unknown class is handled as A.
_WORST_FIRST_INHIBITED: tuple[PeroxideClass, ...] = ("A", "unknown", "C", "B", "D", "none")
_WORST_FIRST_UNINHIBITED: tuple[PeroxideClass, ...] = ("C", "A", "unknown", "B", "D", "none")

NOT_STATED = "not-stated"
ZERO = Decimal(0)
MG_PER_L_PER_PERCENT = Decimal(10_000)


@dataclass(frozen=True)
class Method:
    """How a test is read, in mg/L as H2O2.

    first_step_mg_per_l: least amount the method shows; a negative result means only "below this".
        None: unknown, so a negative result says nothing.
    top_mg_per_l: end of the scale; from there on only "at least this much" is known. None: no end.
    colours: what a named colour means at least.
    """

    key: str
    name: str
    source: str
    first_step_mg_per_l: Decimal | None = None
    top_mg_per_l: Decimal | None = None
    steps_mg_per_l: tuple[Decimal, ...] = ()
    colours: Mapping[str, Decimal] = field(default_factory=lambda: MappingProxyType({}))


def _strip(key: str, name: str, source: str, *steps: str) -> Method:
    marks = tuple(Decimal(step) for step in steps)
    return Method(key, name, source, marks[1], marks[-1], marks)


_IODIDE_COLOURS = {"faint": "100", "yellow": "100", "strong": "1000", "brown": "1000"}

METHODS: Mapping[str, Method] = MappingProxyType(
    {
        method.key: method
        for method in (
            _strip(
                "strip-25",
                "test strip to 25 mg/L",
                "range: RIT test-strip procedure; steps from memory",
                *("0", "0.5", "2", "5", "10", "25"),
            ),
            _strip(
                "strip-100",
                "test strip to 100 mg/L",
                "range: Aarhus iNANO guidance; steps from memory",
                *("0", "1", "3", "10", "30", "100"),
            ),
            Method(
                "iodide-visual",
                "acidified iodide, colour by eye",
                "yellow then brown: Aarhus iNANO; faint at 0.01 %, strong at 0.1 %: from memory",
                first_step_mg_per_l=Decimal(100),
                colours=MappingProxyType({word: Decimal(least) for word, least in _IODIDE_COLOURS.items()}),
            ),
            Method(
                "iodometric-titration",
                "iodometric titration",
                # c = V * c(thio) * 17.007 * 1000 / V(sample): a 0.05 mL drop of 0.1 N on 10 mL is 8.5 mg/L.
                "17.007 g per equivalent: Metrohm AN H-132; least amount: one drop, from memory, rounded up",
                first_step_mg_per_l=Decimal(10),
            ),
            Method(NOT_STATED, "method not stated", "nothing is known of its range"),
        )
    }
)


@dataclass(frozen=True)
class Reading:
    """One peroxide result: the true value lies between the bounds, in mg/L as H2O2.

    upper_mg_per_l None: no upper bound is known. tested_on None: the day is not known, so the reading may
    count against a container but never for it. Raises InputError for impossible bounds or methods.
    """

    lower_mg_per_l: Decimal
    upper_mg_per_l: Decimal | None
    method: str = NOT_STATED
    tested_on: date | None = None

    def __post_init__(self) -> None:
        method_named(self.method, field="method")
        bounds = [self.lower_mg_per_l] + ([] if self.upper_mg_per_l is None else [self.upper_mg_per_l])
        if not all(bound.is_finite() and bound >= ZERO for bound in bounds) or bounds != sorted(bounds):
            raise InputError(
                "reading",
                "reading-impossible",
                "The bounds of the reading do not fit together.",
                "Give bounds of 0 mg/L or more, the lower one first.",
            )

    def on(self, tested_on: date | None) -> Reading:
        """The same reading, dated."""
        return replace(self, tested_on=tested_on)


def passes(reading: Reading, action_level_mg_per_l: Decimal) -> bool:
    """True only when the upper bound is known and below the level; exactly the level does not pass.

    Edge: Michigan State EHS calls "< 25 ppm" still usable.
    """
    return reading.upper_mg_per_l is not None and reading.upper_mg_per_l < action_level_mg_per_l


def reaches(reading: Reading, level_mg_per_l: Decimal) -> bool:
    """True when the reading shows that the level is reached: its lower bound is at the level or above."""
    return reading.lower_mg_per_l >= level_mg_per_l


def method_named(key: str, *, field: str) -> Method:
    """The method with this key, or InputError that lists the keys."""
    if key not in METHODS:
        raise InputError(
            field, "method-unknown", f'"{key}" is not a test method.', f"Use one of: {', '.join(METHODS)}."
        )
    return METHODS[key]


def worst_class(classes: Iterable[PeroxideClass], *, inhibited: bool) -> PeroxideClass:
    """The class that a mixture of these takes: that with the shortest interval; of no class, unknown."""
    found = set(classes)
    order = _WORST_FIRST_INHIBITED if inhibited else _WORST_FIRST_UNINHIBITED
    return next((candidate for candidate in order if candidate in found), "unknown")


# What people write. "0" counts as a negative word: no test shows that there is none at all.
_NEGATIVE = {"neg", "neg.", "negative", "none", "nil", "no", "nd", "n.d.", "not detected", "none detected"}
_POSITIVE = {"pos", "pos.", "positive", "detected", "trace", "traces", "tr", "tr.", "+", "yes", "present"}
_NUMBER = r"(\d{1,9}(?:[.,]\d{1,9})?)"
_UNIT = r"(?P<unit>mg/l|mg l-1|ppm|%)?"
_RE_ONE = re.compile(
    rf"(?P<sign><=|>=|<|>|=|≤|≥|~|ca\.?|about)?\s*{_NUMBER}\s*{_UNIT}\s*(?P<doubt>\?*)", re.ASCII
)
_RE_RANGE = re.compile(rf"{_NUMBER}\s*(?:-|–|to)\s*{_NUMBER}\s*{_UNIT}", re.ASCII)
_RE_THOUSANDS = re.compile(r"[1-9]\d{0,2}[.,]\d{3}", re.ASCII)


def parse_reading(
    text: str, *, method: str = NOT_STATED, field: str = "reading", tested_on: date | None = None
) -> Reading:
    """A result as people write it ("<1", "neg", "0,5", "5-10", "> 25 mg/L", "trace", "0.01 %").

    "=" gives equal bounds, "<x" (0, x), ">x" (x, none), a doubt ("?", "about") no upper bound. The method
    then widens it: a result below its first step, "neg" or 0 reaches up to that step; at or above the end
    of its scale there is no upper bound. Raises InputError: reading-missing, reading-not-understood,
    number-ambiguous, method-unknown.
    """
    how = method_named(method, field=field)
    words = " ".join(text.lower().split())
    if not words:
        raise InputError(field, "reading-missing", "No result was given.", 'Give a number, "neg" or "trace".')
    lower, upper = _bounds(words, how, field)
    lower, upper = _widened(lower, upper, how)
    return Reading(lower, upper, method, tested_on)


def _bounds(words: str, how: Method, field: str) -> tuple[Decimal, Decimal | None]:
    """What the words alone say."""
    if words in _NEGATIVE:
        return ZERO, how.first_step_mg_per_l
    if words in how.colours:
        return how.colours[words], None
    if words in _POSITIVE or words in _IODIDE_COLOURS:
        return how.first_step_mg_per_l or ZERO, None
    if not words.strip("?"):
        return ZERO, None
    if match := _RE_RANGE.fullmatch(words):
        first, second = (_milligrams(match[i], match["unit"], field) for i in (1, 2))
        return min(first, second), max(first, second)
    if match := _RE_ONE.fullmatch(words):
        value = _milligrams(match[2], match["unit"], field)
        return _signed(value, match["sign"] or "=", doubtful=bool(match["doubt"]))
    raise InputError(
        field,
        "reading-not-understood",
        f'"{words}" is not a peroxide result.',
        'Give a number in mg/L, "<1", ">25", "5-10", "neg" or "trace".',
    )


def _signed(value: Decimal, sign: str, *, doubtful: bool) -> tuple[Decimal, Decimal | None]:
    if sign in {"<", "<=", "≤"}:
        return ZERO, None if doubtful else value
    if sign == "=" and not doubtful:
        return value, value
    return value, None


def _widened(lower: Decimal, upper: Decimal | None, how: Method) -> tuple[Decimal, Decimal | None]:
    """What the method can vouch for: it never narrows a reading and never lowers its lower bound."""
    first, top = how.first_step_mg_per_l, how.top_mg_per_l
    if upper is None or (how.key == NOT_STATED and upper == ZERO):
        return lower, None
    if top is not None and (lower >= top or upper > top):
        return lower, None
    return lower, upper if first is None else max(upper, first)


def _milligrams(digits: str, unit: str | None, field: str) -> Decimal:
    if _RE_THOUSANDS.fullmatch(digits):
        raise InputError(
            field,
            "number-ambiguous",
            f'"{digits}" can mean thousands or a decimal fraction.',
            "Write thousands without a separator, and a fraction with one or two digits.",
        )
    value = Decimal(digits.replace(",", "."))
    return value * MG_PER_L_PER_PERCENT if unit == "%" else value

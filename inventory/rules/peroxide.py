"""Peroxide classes and test readings. A reading is an interval in mg/L as H2O2, because strips, words and
"less than" results say no more than that; a verdict may rest only on the interval's upper end.

Strips read mg/L. Mass ppm is mg/L divided by the density in kg/L, so in an ether 25 mg/L is about
35 mass ppm: a figure written "ppm" is taken as mg/L here, which is stricter for liquids lighter than water.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Literal

from inventory.rules.errors import InputError
from inventory.rules.methods import COLOUR_WORDS, METHODS, NOT_STATED, Method, method_named
from inventory.rules.phrases import Phrase

__all__ = ["METHODS", "NOT_STATED", "ZERO", "Method", "PeroxideClass", "Reading", "method_named"]
__all__ += ["parse_reading", "passes", "reaches", "worst_class"]

PeroxideClass = Literal["A", "B", "C", "D", "none", "unknown"]
# Strictest first, by interval under the cautious default; an unknown class is handled as A.
_WORST_FIRST_INHIBITED: tuple[PeroxideClass, ...] = ("A", "unknown", "C", "B", "D", "none")
_WORST_FIRST_UNINHIBITED: tuple[PeroxideClass, ...] = ("C", "A", "unknown", "B", "D", "none")

ZERO = Decimal(0)
MG_PER_L_PER_PERCENT = Decimal(10_000)
# Units that may stand behind a result, by the unit of the method; "ppm" is of the method's own kind.
_UNITS_OF = {"mg/L": {"mg/l", "mg l-1", "ppm", "%"}, "mg/kg": {"mg/kg", "ppm"}}


@dataclass(frozen=True)
class Reading:
    """One peroxide result: the true value lies between the bounds, in mg/L as H2O2.

    upper_mg_per_l None: no upper bound is known. tested_on None: the day is not known, so the reading may
    count against a container but never for it. reagent_expired True: the strips or the reagent were past
    their date, and the same holds; None: nobody wrote their date down. Raises InputError for impossible
    bounds or methods.
    """

    lower_mg_per_l: Decimal
    upper_mg_per_l: Decimal | None
    method: str = NOT_STATED
    tested_on: date | None = None
    reagent_expired: bool | None = False

    def __post_init__(self) -> None:
        method_named(self.method, field="method")
        bounds = [self.lower_mg_per_l] + ([] if self.upper_mg_per_l is None else [self.upper_mg_per_l])
        if not all(bound.is_finite() and bound >= ZERO for bound in bounds) or bounds != sorted(bounds):
            raise InputError(
                "reading",
                "reading-impossible",
                Phrase("The bounds of the reading do not fit together."),
                Phrase("Give bounds of 0 mg/L or more, the lower one first."),
            )

    def on(self, tested_on: date | None) -> Reading:
        """The same reading, dated."""
        return replace(self, tested_on=tested_on)


def passes(reading: Reading, action_level_mg_per_l: Decimal) -> bool:
    """True only when the upper bound is known and below the level; exactly the level does not pass.

    One made with reagents past their date never passes. Edge: Michigan State EHS calls "< 25 ppm" usable.
    """
    if reading.reagent_expired or reading.upper_mg_per_l is None:
        return False
    return reading.upper_mg_per_l < action_level_mg_per_l


def reaches(reading: Reading, level_mg_per_l: Decimal) -> bool:
    """True when the reading shows that the level is reached: its lower bound is at the level or above."""
    return reading.lower_mg_per_l >= level_mg_per_l


def worst_class(classes: Iterable[PeroxideClass], *, inhibited: bool) -> PeroxideClass:
    """The class that a mixture of these takes: that with the shortest interval; of no class, unknown."""
    found = set(classes)
    order = _WORST_FIRST_INHIBITED if inhibited else _WORST_FIRST_UNINHIBITED
    return next((candidate for candidate in order if candidate in found), "unknown")


# What people write. "0" counts as a negative word: no test shows that there is none at all.
_NEGATIVE = {"neg", "neg.", "negative", "none", "nil", "no", "nd", "n.d.", "not detected", "none detected"}
_POSITIVE = {"pos", "pos.", "positive", "detected", "trace", "traces", "tr", "tr.", "+", "yes", "present"}
_NUMBER = r"(\d{1,9}(?:[.,]\d{1,9})?)"
_UNIT = r"(?P<unit>mg/l|mg l-1|mg/kg|ppm|%)?"
_RE_ONE = re.compile(
    rf"(?P<sign><=|>=|<|>|=|≤|≥|~|ca\.?|about)?\s*{_NUMBER}\s*{_UNIT}\s*(?P<doubt>\?*)", re.ASCII
)
_RE_RANGE = re.compile(rf"{_NUMBER}\s*(?:-|–|to)\s*{_NUMBER}\s*{_UNIT}", re.ASCII)
_RE_THOUSANDS = re.compile(r"[1-9]\d{0,2}[.,]\d{3}", re.ASCII)


def parse_reading(
    text: str,
    *,
    method: str = NOT_STATED,
    field: str = "reading",
    tested_on: date | None = None,
    density_20c_kg_m3: Decimal | None = None,
) -> Reading:
    """A result as people write it ("<1", "neg", "0,5", "5-10", "> 25 mg/L", "trace", "0.01 %").

    "=" gives equal bounds, "<x" (0, x), ">x" (x, none), a doubt ("?", "about") no upper bound. The method
    then widens it: a result below its first step, "neg" or 0 reaches up to that step; at or above the end
    of its scale there is no upper bound. A peroxide number is in mg/kg of active oxygen and becomes mg/L as
    H2O2 by the density. Raises InputError: reading-missing, reading-not-understood, number-ambiguous,
    method-unknown, density-needed, unit-does-not-fit.
    """
    how = method_named(method, field=field).at_density(density_20c_kg_m3)
    words = " ".join(text.lower().split())
    if not words:
        raise InputError(
            field,
            "reading-missing",
            Phrase("No result was given."),
            Phrase('Give a number, "neg" or "trace".'),
        )
    lower, upper = _bounds(words, how, field)
    lower, upper = _widened(lower, upper, how)
    return Reading(lower, upper, method, tested_on)


def _bounds(words: str, how: Method, field: str) -> tuple[Decimal, Decimal | None]:
    """What the words alone say."""
    if words in _NEGATIVE:
        return ZERO, how.first_step_mg_per_l
    if words in how.colours:
        return how.colours[words], None
    if words in _POSITIVE or words in COLOUR_WORDS:
        return how.first_step_mg_per_l or ZERO, None
    if not words.strip("?"):
        return ZERO, None
    if match := _RE_RANGE.fullmatch(words):
        first, second = (_milligrams(match[i], match["unit"], how, field) for i in (1, 2))
        return min(first, second), max(first, second)
    if match := _RE_ONE.fullmatch(words):
        value = _milligrams(match[2], match["unit"], how, field)
        return _signed(value, match["sign"] or "=", doubtful=bool(match["doubt"]))
    raise InputError(
        field,
        "reading-not-understood",
        Phrase('"{words}" is not a peroxide result.', words=words),
        Phrase('Give a number in mg/L, "<1", ">25", "5-10", "neg" or "trace".'),
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


def _milligrams(digits: str, unit: str | None, how: Method, field: str) -> Decimal:
    if _RE_THOUSANDS.fullmatch(digits):
        raise InputError(
            field,
            "number-ambiguous",
            Phrase('"{digits}" can mean thousands or a decimal fraction.', digits=digits),
            Phrase("Write thousands without a separator, and a fraction with one or two digits."),
        )
    return Decimal(digits.replace(",", ".")) * _factor(unit, how, field)


def _factor(unit: str | None, how: Method, field: str) -> Decimal:
    """mg/L as H2O2 for one unit of what was written."""
    if unit is not None and unit not in _UNITS_OF[how.unit]:
        raise InputError(
            field,
            "unit-does-not-fit",
            Phrase("The result of a {name} is not in {unit}.", name=how.name, unit=unit),
            Phrase("Give it in {unit}.", unit=how.unit),
        )
    if how.mg_per_l_per_unit is None:
        raise InputError(
            field,
            "density-needed",
            Phrase("A {name} becomes mg/L only through the density.", name=how.name),
            Phrase("Enter it with the container that was tested."),
        )
    return MG_PER_L_PER_PERCENT if unit == "%" else how.mg_per_l_per_unit

"""Text for pictures: cleaned, cut to a width, broken into lines; numbers and volumes as they are read."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date
from decimal import Decimal
from math import floor, isfinite, log10
from typing import Any

from inventory.rules.phrases import Figure, NamedDay, Phrase, Say
from inventory.rules.rounding import rounded
from inventory.rules.shown_units import DEFAULT, UNITS

__all__ = [
    "Unit",
    "all_said",
    "clean",
    "day_text",
    "isolated",
    "mass_unit",
    "month_text",
    "number",
    "plus_minus",
    "sentence",
    "short_day",
    "volume_unit",
]

THIN_SPACE = "\u202f"
MINUS = "\u2212"
DIGITS_UP = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
LENGTH_MAX = 400
# Beyond these a number is written with a power of ten.
PLAIN_BELOW, PLAIN_FROM = 1e9, 1e-5
# With a step down to a microlitre in litres all digits stand, for three of them would not show it.
FINEST = 0.999e-6
RIGHT_TO_LEFT = {"R", "AL"}
# First-strong isolate and its end: a name written from right to left keeps the sentence round it in order.
ISOLATE, ISOLATE_END = "\u2068", "\u2069"
MONTHS = (
    Phrase("Jan"), Phrase("Feb"), Phrase("Mar"), Phrase("Apr"), Phrase("May"), Phrase("Jun"),
    Phrase("Jul"), Phrase("Aug"), Phrase("Sep"), Phrase("Oct"), Phrase("Nov"), Phrase("Dec"),
)  # fmt: skip


def clean(words: str) -> str:
    """Text of one line that XML 1.0 can hold: no controls, no surrogates, no marks that turn what follows.

    Directional controls are taken out, so that a name cannot reorder the words next to it; pairs that isolate
    a name written from right to left stay.
    """
    kept = "".join(" " if _is_gap(c) else c for c in words[:LENGTH_MAX] if _is_kept(c))
    kept = kept if _is_paired(kept) else kept.replace(ISOLATE, "").replace(ISOLATE_END, "")
    return " ".join(part for part in kept.split(" ") if part)


def isolated(name: str) -> str:
    """A name as it may stand inside a sentence: one written from right to left leaves the rest in order."""
    bare = clean(name).replace(ISOLATE, "").replace(ISOLATE_END, "")
    turned = any(unicodedata.bidirectional(c) in RIGHT_TO_LEFT for c in bare)
    return f"{ISOLATE}{bare}{ISOLATE_END}" if turned else bare


def sentence(words: str) -> str:
    """With a capital at the start and a stop at the end."""
    bare = words.strip()
    return bare[:1].upper() + bare[1:] + ("" if not bare or bare[-1] in ".!?…" else ".")


def all_said(what: Any, say: Say) -> Any:
    """What is to be drawn with each of its words said: dataclasses and tuples, all the way down."""
    if say is str:
        return what
    if isinstance(what, str):
        return say(what)
    if isinstance(what, tuple):
        return tuple(all_said(part, say) for part in what)
    if is_dataclass(what) and not isinstance(what, type):
        told = {each.name: getattr(what, each.name) for each in fields(what) if each.init}
        return replace(what, **{name: all_said(value, say) for name, value in told.items()})
    return what


def _is_paired(line: str) -> bool:
    depth = 0
    for char in line:
        depth += (char == ISOLATE) - (char == ISOLATE_END)
        if depth < 0:
            return False
    return depth == 0


def _is_gap(char: str) -> bool:
    return char in "\t\n\r\u2028\u2029"


def _is_kept(char: str) -> bool:
    if _is_gap(char) or unicodedata.category(char) not in {"Cc", "Cs", "Cn", "Cf"}:
        return True
    # Joiners are letters' business: Persian and some names need them.
    return char in f"\u200c\u200d{ISOLATE}{ISOLATE_END}"


def number(value: float, step: float | None = None) -> Phrase:
    """A number as it is read: thousands apart, a true minus, three significant digits or those of `step`.

    step: the smallest difference that matters, such as that of the ticks or of the uncertainty.
    """
    if not isfinite(value):
        return Phrase("not known")
    return Phrase("{figure}", figure=Figure(value, _figure(value, step)))


def _figure(value: float, step: float | None) -> str:
    power = floor(log10(abs(value))) if value else 0
    large = abs(value) >= PLAIN_BELOW and not (step and step < 10.0 ** (power - 2))
    small = value and (step or abs(value)) < (PLAIN_FROM if step is None else FINEST)
    if large or small:
        return f"{value / 10**power:.2f}×10{str(power).translate(DIGITS_UP)}".replace("-", MINUS)
    digits = _digits(step) if step else min(max(2 - power, 0), 9)
    text = f"{value:,.{digits}f}"
    if step is None and "." in text:
        text = text.rstrip("0").rstrip(".")
    text = "0" if not text.strip("-0.,") and step is None else text
    return text.replace(",", THIN_SPACE).replace("-", MINUS)


def _digits(step: float) -> int:
    """Decimals that show a difference of `step`."""
    return min(max(-floor(log10(step) + 1e-9), 0), 9) if step > 0 else 0


def plus_minus(value: float, half_width: float | None, unit: str, finest: Decimal | None = None) -> Phrase:
    """Such as "38.4 ± 6.2 mL", rounded as everywhere (`rules.rounding`)."""
    if not isfinite(value):
        return number(value)
    if half_width is None or not isfinite(half_width) or half_width <= 0:
        return Phrase("{value} {unit}", value=number(value), unit=unit)
    pair = rounded(value, half_width, finest=finest)
    shown, half = (number(float(amount), float(pair.step)) for amount in (pair.value, pair.spread))
    return Phrase("{value} ± {half} {unit}", value=shown, half=half, unit=unit)


@dataclass(frozen=True)
class Unit:
    """The unit in which all amounts of one picture are written. size: in mL, or in g."""

    name: str
    size: float

    def text(self, amount: float, half_width: float | None = None) -> Phrase:
        """amount, half_width: in mL, or in g."""
        half = None if half_width is None else half_width / self.size
        return plus_minus(amount / self.size, half, self.name)


def volume_unit(largest_ml: float, wanted: str = "") -> Unit:
    """mL up to 100 L, then L, and m³ from 100 m³ on; or what the reader wants, one of `shown_units.UNITS`."""
    if wanted in UNITS:
        return Unit(UNITS[wanted].symbol, UNITS[wanted].ul / UNITS[DEFAULT].ul)
    return _unit(largest_ml, ("mL", "L", "m³"))


def mass_unit(largest_g: float) -> Unit:
    """g up to 100 kg, then kg, and t from 100 t on."""
    return _unit(largest_g, ("g", "kg", "t"))


def _unit(largest: float, names: tuple[str, str, str]) -> Unit:
    steps = 0 if not isfinite(largest) or abs(largest) < 1e5 else 1 if abs(largest) < 1e8 else 2
    return Unit(names[steps], 1000.0**steps)


def day_text(day: date) -> Phrase:
    """As "3 Mar 2026"."""
    return Phrase("{day}", day=NamedDay.of(day, f"{day.day} {MONTHS[day.month - 1]} {day.year}"))


def month_text(day: date) -> Phrase:
    return MONTHS[day.month - 1]


def short_day(day: date) -> Phrase:
    """As "3 Mar"."""
    named = (
        Phrase("{day} Jan", day=day.day), Phrase("{day} Feb", day=day.day),
        Phrase("{day} Mar", day=day.day), Phrase("{day} Apr", day=day.day),
        Phrase("{day} May", day=day.day), Phrase("{day} Jun", day=day.day),
        Phrase("{day} Jul", day=day.day), Phrase("{day} Aug", day=day.day),
        Phrase("{day} Sep", day=day.day), Phrase("{day} Oct", day=day.day),
        Phrase("{day} Nov", day=day.day), Phrase("{day} Dec", day=day.day),
    )  # fmt: skip
    return named[day.month - 1]

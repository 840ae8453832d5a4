"""Units we accept: UCUM codes out, the names people write in, exact factors between them.

The factors come from pint, asked once for each pair and kept as exact fractions, so no float is ever in
the way and importing this module does not import pint.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

Dimension = Literal[
    "volume",
    "mass",
    "temperature",
    "mass-concentration",
    "amount-concentration",
    "density",
    "length",
    "time",
    "fraction",
    "pressure",
    "frequency",
    "area",
]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: UCUM code, dimension, the name pint knows it by, and the names people write."""

    code: str
    dimension: Dimension
    pint_name: str
    aliases: tuple[str, ...] = ()


def _customary(names: str, us: bool) -> tuple[str, ...]:
    """Every spelling of a customary volume with its country named, before or after the unit."""
    countries = ("us", "u s", "american", "us liquid") if us else ("imp", "imperial", "uk", "british", "br")
    return tuple(
        text
        for name in names.split("|")
        for country in countries
        for text in (f"{country} {name}", f"{name} {country}")
    )


_PINT = "pint|pints|pt|pts"
_FLOZ = "fl oz|floz|fluid ounce|fluid ounces|fl ounce|fl ounces"
_GALLON = "gallon|gallons|gal|gals"
_QUART = "quart|quarts|qt|qts"

UNITS: dict[str, Unit] = {
    unit.code: unit
    for unit in (
        Unit("mL", "volume", "milliliter", ("ml", "cc", "ccm", "cm3", "cm^3", "milliliter", "millilitre")),
        Unit("L", "volume", "liter", ("l", "lt", "ltr", "liter", "litre", "dm3", "dm^3")),
        Unit("uL", "volume", "microliter", ("ul", "mcl", "microliter", "microlitre")),
        Unit("cL", "volume", "centiliter", ("cl", "centiliter", "centilitre")),
        Unit("dL", "volume", "deciliter", ("dl", "deciliter", "decilitre")),
        Unit("m3", "volume", "meter**3", ("m3", "m^3", "cbm", "cubic meter", "cubic metre")),
        Unit("[pt_us]", "volume", "pint", _customary(_PINT, True)),
        Unit("[pt_br]", "volume", "imperial_pint", _customary(_PINT, False)),
        Unit("[foz_us]", "volume", "fluid_ounce", _customary(_FLOZ, True)),
        Unit("[foz_br]", "volume", "imperial_fluid_ounce", _customary(_FLOZ, False)),
        Unit("[gal_us]", "volume", "gallon", _customary(_GALLON, True)),
        Unit("[gal_br]", "volume", "imperial_gallon", _customary(_GALLON, False)),
        Unit("[qt_us]", "volume", "quart", _customary(_QUART, True)),
        Unit("[qt_br]", "volume", "imperial_quart", _customary(_QUART, False)),
        Unit("g", "mass", "gram", ("g", "gr", "gm", "gram", "gramme")),
        Unit("kg", "mass", "kilogram", ("kg", "kilo", "kilos", "kilogram", "kilogramme")),
        Unit("mg", "mass", "milligram", ("mg", "milligram", "milligramme")),
        Unit(
            "[oz_av]", "mass", "ounce", ("oz av", "oz avoirdupois", "ounce avoirdupois", "avoirdupois ounce")
        ),
        Unit("[lb_av]", "mass", "pound", ("lb", "lbs", "pound", "pounds", "lb av")),
        Unit("Cel", "temperature", "degree_Celsius", ("°c", "c", "cel", "degc", "deg c", "celsius")),
        Unit("[degF]", "temperature", "degree_Fahrenheit", ("°f", "f", "degf", "deg f", "fahrenheit")),
        Unit("K", "temperature", "kelvin", ("k", "kelvin")),
        Unit("mg/L", "mass-concentration", "milligram/liter", ("mg/l", "mg/litre", "mg/liter", "mg l-1")),
        Unit("g/L", "mass-concentration", "gram/liter", ("g/l", "g/litre", "g/liter", "g l-1")),
        Unit("mg/m3", "mass-concentration", "milligram/meter**3", ("mg/m3", "mg/m^3", "mg m-3")),
        # Of a solution with one equivalent to the mole, such as thiosulfate, the normality is the molarity.
        Unit("mol/L", "amount-concentration", "mole/liter", ("mol/l", "mol l-1", "molar", "n", "normal")),
        Unit("mmol/L", "amount-concentration", "millimole/liter", ("mmol/l", "mmol l-1", "millimolar")),
        Unit("g/mL", "density", "gram/milliliter", ("g/ml", "g/cm3", "g/cm^3", "g ml-1", "kg/l")),
        Unit("kg/m3", "density", "kilogram/meter**3", ("kg/m3", "kg/m^3", "kg m-3")),
        Unit("[ppm]", "fraction", "ppm", ("ppm",)),
        Unit("%", "fraction", "percent", ("%", "pct", "percent", "per cent")),
        Unit("mm", "length", "millimeter", ("mm", "millimeter", "millimetre")),
        Unit("cm", "length", "centimeter", ("cm", "centimeter", "centimetre")),
        Unit("m", "length", "meter", ("m", "meter", "metre")),
        Unit("[in_i]", "length", "inch", ("in", "inch", "inches")),
        Unit("s", "time", "second", ("s", "sec", "second")),
        Unit("min", "time", "minute", ("min", "mins", "minute")),
        Unit("h", "time", "hour", ("h", "hr", "hrs", "hour")),
        Unit("d", "time", "day", ("d", "day")),
        Unit("wk", "time", "week", ("wk", "week")),
        Unit("kPa", "pressure", "kilopascal", ("kpa", "kilopascal")),
        Unit("Pa", "pressure", "pascal", ("pa", "pascal")),
        Unit("hPa", "pressure", "hectopascal", ("hpa", "hectopascal")),
        Unit("mbar", "pressure", "millibar", ("mbar", "millibar")),
        Unit("bar", "pressure", "bar", ("bar",)),
        Unit("atm", "pressure", "standard_atmosphere", ("atm", "atmosphere", "atmospheres")),
        # The torr, 101325/760 Pa, differs from it by one part in seven million: taken for the same.
        Unit("mm[Hg]", "pressure", "torr", ("mmhg", "mm hg", "torr")),
        Unit("/h", "frequency", "1/hour", ("1/h", "h-1", "/h", "per h", "per hour", "ach")),
        Unit("cm2", "area", "centimeter**2", ("cm2", "cm^2", "cm²", "sq cm")),
        Unit("m2", "area", "meter**2", ("m2", "m^2", "m²", "sq m")),
    )
}

_PLURAL_ENDINGS = (
    "liter",
    "litre",
    "gram",
    "gramme",
    "meter",
    "metre",
    "second",
    "minute",
    "hour",
    "day",
    "week",
)

#: names that mean different amounts in different countries, or a mass as well as a volume
_AMBIGUOUS: tuple[tuple[str, tuple[str, str]], ...] = (
    (_PINT, ("US pint", "imp pint")),
    (_FLOZ, ("US fl oz", "imp fl oz")),
    (_GALLON, ("US gal", "imp gal")),
    (_QUART, ("US qt", "imp qt")),
    ("oz|ounce|ounces", ("oz av (mass)", "US fl oz or imp fl oz (volume)")),
)


def fold_unit(text: str) -> str:
    """A unit as written, without case, full stops, brackets round a country, or doubled spaces."""
    for mark in ".()":
        text = text.replace(mark, " ")
    return " ".join(text.casefold().split())


def _spellings(unit: Unit) -> Iterator[str]:
    for alias in unit.aliases:
        yield alias
        if alias.endswith(_PLURAL_ENDINGS):
            yield alias + "s"


_BY_ALIAS = {alias: unit for unit in UNITS.values() for alias in _spellings(unit)}
# Where capitals alone tell a concentration from a length: on a bottle of titrant M is molar, never metre.
_BY_CAPITALS = {"M": UNITS["mol/L"], "N": UNITS["mol/L"], "mM": UNITS["mmol/L"]}
_CHOICES = {name: choices for names, choices in _AMBIGUOUS for name in names.split("|")}


@lru_cache(maxsize=512)
def find_unit(text: str) -> Unit | tuple[str, str] | None:
    """The unit meant by a name; a pair of choices when the name is ambiguous; None when unknown."""
    if text.strip() in _BY_CAPITALS:
        return _BY_CAPITALS[text.strip()]
    if text in UNITS:
        return UNITS[text]
    folded = fold_unit(text)
    return _BY_ALIAS.get(folded) or _CHOICES.get(folded)


@cache
def _registry() -> Any:
    from pint import UnitRegistry

    return UnitRegistry(non_int_type=Fraction)


# Units of the SI that are a power of ten apart, by dimension: for these nobody needs to wait for pint.
_TENS: dict[Dimension, dict[str, int]] = {
    "volume": {"uL": -6, "mL": -3, "cL": -2, "dL": -1, "L": 0},
    "mass": {"mg": -3, "g": 0, "kg": 3},
    "mass-concentration": {"mg/L": -3, "g/L": 0},
    "amount-concentration": {"mmol/L": -3, "mol/L": 0},
    "density": {"kg/m3": 0, "g/mL": 3},
}


@cache
def affine(source: str, target: str) -> tuple[Fraction, Fraction]:
    """(slope, offset) with target = slope * source + offset, both UCUM codes of one dimension, exact."""
    tens = _TENS.get(UNITS[source].dimension, {})
    if source in tens and target in tens:
        return Fraction(10) ** (tens[source] - tens[target]), Fraction(0)
    registry = _registry()
    names = UNITS[source].pint_name, UNITS[target].pint_name
    zero, one = (
        Fraction(registry.Quantity(Fraction(value), names[0]).to(names[1]).magnitude) for value in (0, 1)
    )
    return one - zero, zero

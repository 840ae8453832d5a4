"""Vapour pressure of a solvent over temperature; the tests hold its half width against CoolProp.

Inside the range of its Antoine set that set counts. Outside it ln P is a straight line in 1/T (the form of
Clausius and Clapeyron) through the two nearest known points: the recorded pressure at 20 °C, the ends of the
Antoine range, and one atmosphere at the boiling point.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from inventory.rules.catalogue import Antoine
from inventory.rules.phrases import Phrase
from recovery.rules.budget import Estimate
from recovery.rules.properties import Properties

__all__ = ["ATMOSPHERE_KPA", "ZERO_C_K", "known_at", "pressure_kpa"]

ZERO_C_K = 273.15
ATMOSPHERE_KPA = 101.325
NEAR_K = 0.5
APART_K = 10.0
Point = tuple[float, float]
#: half widths as a share of the pressure, our choice, wide enough for every solvent that CoolProp has
_HALF_ANTOINE = 0.05
_HALF_BETWEEN = 0.10
_HALF_BEYOND = 0.20
#: taken where nothing at all is recorded: that of pentane at 20 °C, above every listed solvent but ether
_WORST_20C_KPA = 60.0
_WORST_BOILING_C = 35.0


def pressure_kpa(of: Properties, temperature_c: float) -> Estimate:
    """Saturated vapour pressure in kPa with its standard uncertainty; assumptions say what was taken.

    Above the boiling point it goes on rising; whoever asks for an open vessel cuts it at the air pressure.
    """
    kelvin = temperature_c + ZERO_C_K
    if of.antoine is not None and float(of.antoine.min_k) <= kelvin <= float(of.antoine.max_k):
        value = antoine_kpa(of.antoine, kelvin)
        return Estimate(value, value * _HALF_ANTOINE / math.sqrt(3), (), (of.source("antoine-a"),))
    pair = _nearest_two(of, kelvin)
    assumed: tuple[str, ...] = ()
    if pair is None:
        pair = (20 + ZERO_C_K, _WORST_20C_KPA), (_WORST_BOILING_C + ZERO_C_K, ATMOSPHERE_KPA)
        assumed = (
            Phrase(
                "vapour pressure of {name} not recorded: that of the most volatile solvents taken",
                name=of.name,
            ),
        )
    (t1, p1), (t2, p2) = pair
    slope = math.log(p2 / p1) / (1 / t1 - 1 / t2)
    value = p1 * math.exp(slope * (1 / t1 - 1 / kelvin))
    inside = min(t1, t2) <= kelvin <= max(t1, t2)
    half = _HALF_BETWEEN if inside else _HALF_BEYOND
    if known_at(of, temperature_c):
        half = _HALF_ANTOINE
    elif not assumed:
        assumed = (
            Phrase("vapour pressure at {at_c:g} °C by a straight line of ln P in 1/T", at_c=temperature_c),
        )
    return Estimate(value, value * half / math.sqrt(3), assumed, (of.source("vapour-pressure-20c"),))


def known_at(of: Properties, temperature_c: float) -> bool:
    """Whether a pressure is recorded within half a kelvin of this temperature."""
    kelvin = temperature_c + ZERO_C_K
    return any(abs(point - kelvin) <= NEAR_K for point, _ in _points(of))


def antoine_kpa(antoine: Antoine, kelvin: float) -> float:
    """log10(P/Pa) = a - b/(T/K + c); good inside the set's own range only."""
    return float(10 ** (float(antoine.a) - float(antoine.b) / (kelvin + float(antoine.c)))) / 1000


def _nearest_two(of: Properties, kelvin: float) -> tuple[Point, Point] | None:
    """The nearest known points, far enough apart for a slope."""
    points = sorted(_points(of), key=lambda point: abs(point[0] - kelvin))
    apart = [point for point in points if abs(point[0] - points[0][0]) >= APART_K]
    return (points[0], apart[0]) if apart else None


def _points(of: Properties) -> Iterator[Point]:
    """Known pairs of kelvin and kPa, one for each temperature."""
    found: dict[float, float] = {}
    if of.pressure_20c_kpa:
        found[20 + ZERO_C_K] = of.pressure_20c_kpa
    if of.antoine is not None:
        for kelvin in (float(of.antoine.min_k), float(of.antoine.max_k)):
            found.setdefault(kelvin, antoine_kpa(of.antoine, kelvin))
    if of.boiling_point_c is not None and of.boiling_point_c > 20:
        found.setdefault(of.boiling_point_c + ZERO_C_K, ATMOSPHERE_KPA)
    yield from found.items()

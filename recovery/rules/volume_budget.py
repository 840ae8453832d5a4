"""The uncertainty of a volume: instrument, reading, temperature, repeated readings, added as the GUM does.

Type A is from repeated readings (GUM 4.2), type B from what is known otherwise (4.3): a tolerance ±a as a
rectangle a/√3, a triangle a/√6 (where values near the middle are likelier), or a/3 of a normal one told at
three sigma. EURACHEM/CITAC CG 4, example A1, is the model of the temperature part: half width in kelvins
times the expansion, as a rectangle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from inventory.rules.instruments import Instrument, standard_uncertainty
from recovery.rules.budget import COVERAGE, effective_freedom, type_a
from recovery.rules.student import t_quantile

Spread = Literal["rectangular", "triangular", "normal"]
DIVISORS: dict[Spread, float] = {
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "normal": 3.0,
}
LEVEL = 0.9545
FORMULA = "u(V) = root of the sum of u_i²; U = k·u"
SOURCES = (
    "combination: JCGM 100:2008 5.1.2; type A 4.2, type B 4.3; expanded 6.3; effective freedom G.4.1",
    "temperature part: EURACHEM/CITAC CG 4, example A1",
)


@dataclass(frozen=True, slots=True)
class Line:
    """One part. half_width_ml: before the divisor, None for type A. freedom: infinite for type B."""

    name: str
    kind: Literal["A", "B"]
    u_ml: float
    half_width_ml: float | None = None
    spread: Spread | None = None
    freedom: float = math.inf
    source: str = ""


@dataclass(frozen=True, slots=True)
class VolumeBudget:
    """u_ml: combined, k = 1. k_exact: Student's t at 95.45 % for the effective freedom, None below one."""

    volume_ml: float
    u_ml: float
    freedom: float
    k_exact: float | None
    lines: tuple[Line, ...]

    @property
    def expanded_ml(self) -> float:
        """U = k·u with k = 2, or the exact k where few readings make that larger."""
        return max(COVERAGE, self.k_exact or COVERAGE) * self.u_ml


def tolerance_line(half_width_ml: float, spread: Spread, source: str) -> Line:
    """The part of a tolerance."""
    return Line("instrument", "B", half_width_ml / DIVISORS[spread], half_width_ml, spread, source=source)


def instrument_line(instrument: Instrument, volume_ml: float) -> Line:
    """The part of a listed instrument; glassware filled more than once counts for each filling."""
    from decimal import Decimal

    u = standard_uncertainty(instrument, Decimal(repr(volume_ml)), measures="volume", field="instrument")
    shape: Spread = "triangular" if instrument.shape == "triangular" else "rectangular"
    return Line("instrument", "B", float(u), float(u) * DIVISORS[shape], shape, source=instrument.source)


def temperature_line(volume_ml: float, half_width_k: float, expansion_per_k: float, source: str) -> Line:
    """The part of a temperature that is known to ± so many kelvins."""
    half_ml = volume_ml * half_width_k * abs(expansion_per_k)
    return Line("temperature", "B", half_ml / DIVISORS["rectangular"], half_ml, "rectangular", source=source)


def reading_line(half_width_ml: float) -> Line:
    """The part of reading the meniscus, as a triangle: near the line is likelier."""
    u = half_width_ml / DIVISORS["triangular"]
    return Line("reading", "B", u, half_width_ml, "triangular", source="as told")


def repeat_line(readings_ml: Sequence[float]) -> Line:
    """The part of repeated readings: the standard uncertainty of their mean. Two readings at least."""
    _, _, u, freedom = type_a(readings_ml)
    return Line("repeated readings", "A", u, freedom=freedom, source="JCGM 100:2008 4.2.3")


def spread_line(u_ml: float) -> Line:
    """The part of a repeatability found elsewhere, as a standard uncertainty."""
    return Line("repeatability", "B", u_ml, source="as told")


def added(volume_ml: float, lines: Sequence[Line]) -> VolumeBudget:
    """The lines put together, the largest first."""
    u = math.sqrt(math.fsum(line.u_ml**2 for line in lines))
    freedom = effective_freedom([(line.u_ml, line.freedom) for line in lines])
    k = None if freedom < 1 else COVERAGE if math.isinf(freedom) else _k(freedom)
    return VolumeBudget(volume_ml, u, freedom, k, tuple(sorted(lines, key=lambda line: -line.u_ml)))


def _k(freedom: float) -> float:
    """Student's t for 95.45 %, the freedom rounded down as GUM G.4.1 note 1 has it (from memory)."""
    return t_quantile(LEVEL, math.floor(freedom))

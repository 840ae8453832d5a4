"""An uncertainty budget by the GUM for any function of uncorrelated inputs.

Each input is moved by its own standard uncertainty both ways, and half the difference of the results is its
part: JCGM 100:2008 5.1.3 note 2 (from memory); the parts add as variances (5.1.2). For a straight function
that is the usual derivative; where the function bends, it follows the bend further than a derivative does.
Predictions are floats: nothing here is booked, so no microlitre depends on it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

__all__ = ["Budget", "Estimate", "Part", "combined", "effective_freedom", "figures", "text", "type_a"]

COVERAGE = 2  # expanded uncertainty U = k u, k = 2: about 95 %, GUM 6.3
SOURCE = "JCGM 100:2008 (GUM) 5.1.2, parts by 5.1.3 note 2"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A predicted value with its standard uncertainty (k = 1), both in one unit.

    assumptions: what was taken for granted, in words. sources: where it is from.
    """

    value: float
    u: float = 0.0
    assumptions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """What one input adds: its value and uncertainty, and the standard uncertainty of the result by it."""

    name: str
    value: float
    u: float
    u_result: float

    def share(self, u_all: float) -> float:
        """Its share of the variance, 0 to 1."""
        return 0.0 if u_all == 0 else (self.u_result / u_all) ** 2


@dataclass(frozen=True, slots=True)
class Budget:
    """A result with its combined standard uncertainty, and the parts, the largest first."""

    value: float
    u: float
    parts: tuple[Part, ...] = field(default=())

    @property
    def expanded(self) -> float:
        return COVERAGE * self.u


def combined(
    function: Callable[[Mapping[str, float]], float],
    inputs: Mapping[str, tuple[float, float]],
    *,
    lowest: Mapping[str, float] | None = None,
) -> Budget:
    """The function's value at the inputs, with its budget.

    inputs: name → (value, standard uncertainty). lowest: what an input cannot go below, such as 0 for a
    volume; a step that would is cut there, and its part scaled up to the full step.
    """
    floors = lowest or {}
    at = {name: value for name, (value, _) in inputs.items()}
    parts = [_part(function, at, name, *inputs[name], floors.get(name, -math.inf)) for name in inputs]
    u = math.sqrt(math.fsum(part.u_result**2 for part in parts))
    return Budget(function(at), u, tuple(sorted(parts, key=lambda part: -part.u_result)))


def _part(
    function: Callable[[Mapping[str, float]], float],
    at: Mapping[str, float],
    name: str,
    value: float,
    u: float,
    floor: float,
) -> Part:
    low, high = max(floor, value - u), value + u
    if high <= low:  # no uncertainty, or one too small to move the value
        return Part(name, value, u, 0.0)
    moved = function({**at, name: high}) - function({**at, name: low})
    return Part(name, value, u, abs(moved) * u / (high - low))


def type_a(readings: Sequence[float]) -> tuple[float, float, float, int]:
    """(mean, standard deviation of one, standard uncertainty of the mean, degrees of freedom).

    From two readings up: GUM 4.2.2 and 4.2.3. Raises ValueError for fewer.
    """
    if len(readings) < 2:
        raise ValueError("at least two readings are needed")
    mean = math.fsum(readings) / len(readings)
    spread = math.sqrt(math.fsum((x - mean) ** 2 for x in readings) / (len(readings) - 1))
    return mean, spread, spread / math.sqrt(len(readings)), len(readings) - 1


def effective_freedom(parts: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of a combined uncertainty, Welch-Satterthwaite: GUM G.4.1 (from memory).

    parts: (standard uncertainty of the result by it, its degrees of freedom, infinite for type B).
    """
    u = math.sqrt(math.fsum(part**2 for part, _ in parts))
    below = math.fsum(part**4 / freedom for part, freedom in parts)
    return math.inf if below == 0 else u**4 / below


def figures(value: float, digits: int = 4) -> Decimal:
    """A number to so many significant figures, as a decimal."""
    if value == 0 or not math.isfinite(value):
        return Decimal(0)
    return Decimal(f"{value:.{digits - 1}e}").normalize()


def text(value: float, u: float = 0.0, *, digits: int = 4) -> str:
    """Plain decimal text, no exponent: as fine as two figures of the uncertainty, or to `digits` figures."""
    if u > 0:
        places = max(0, 1 - math.floor(math.log10(u)))
        return format(Decimal(f"{value:.{min(places, 15)}f}"), "f")
    return format(figures(value, digits), "f")

"""Control charts of single values: individuals and moving range, EWMA, and the tabular CUSUM.

All work on plain numbers of any unit; what they give has the unit of the values. Formulas are those of the
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
Nothing here is rounded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import fsum, sqrt

SOURCE = "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 to 6.3.2.4"
# For moving ranges of two values, to the digits that the handbook works with: the mean range of two normal
# values in standard deviations, and its upper limit as a multiple of the mean range.
D2 = 1.128
D4 = 3.267
E2 = 3 / D2
SIGMAS = 3.0
NO_CAP = float("inf")


@dataclass(frozen=True, slots=True)
class Individuals:
    """Centre line, spread and limits from single values. range_mean, range_upper: of the moving range."""

    centre: float
    sigma: float
    lower: float
    upper: float
    range_mean: float
    range_upper: float
    count: int


@dataclass(frozen=True, slots=True)
class Band:
    """One point of an EWMA chart with the limits that hold for it. beyond: 1 above, -1 below, 0 within."""

    value: float
    lower: float
    upper: float

    @property
    def beyond(self) -> int:
        return (self.value > self.upper) - (self.value < self.lower)


@dataclass(frozen=True, slots=True)
class Sums:
    """Both sums of a CUSUM after one value, zero or more, in the unit of the values."""

    high: float
    low: float


def moving_ranges(values: Sequence[float]) -> list[float]:
    """How far each value is from the one before: one fewer than there are values."""
    return [abs(after - before) for before, after in pairwise(values)]


def individuals(values: Sequence[float], *, sigma_least: float = 0.0) -> Individuals:
    """Limits for single values by their moving ranges: mean ± 3 · mean range / 1.128.

    sigma_least: no spread is taken as smaller, such as what the readings alone scatter. Raises ValueError for
    fewer than two values.
    """
    if len(values) < 2:
        raise ValueError("an individuals chart needs at least two values")
    ranges = moving_ranges(values)
    range_mean = fsum(ranges) / len(ranges)
    centre, sigma = fsum(values) / len(values), max(range_mean / D2, sigma_least)
    return Individuals(
        centre=centre,
        sigma=sigma,
        lower=centre - SIGMAS * sigma,
        upper=centre + SIGMAS * sigma,
        range_mean=range_mean,
        range_upper=D4 * max(range_mean, sigma_least * D2),
        count=len(values),
    )


def ewma(
    values: Sequence[float],
    *,
    centre: float,
    sigma: float,
    weight: float,
    width: float = SIGMAS,
    exact: bool = True,
    cap: float = NO_CAP,
) -> list[Band]:
    """z = weight · value + (1 - weight) · z before, from the centre on, with centre ± width standard errors.

    exact: the limits as they widen over the first points; otherwise those that they come to. weight: over 0,
    1 at most. cap: values beyond so many sigma count as that far off (Lucas and Crosier, Technometrics 24,
    1982: winsorising, from memory), so that one wild value alone is no lasting change.
    """
    bands: list[Band] = []
    z, kept = centre, 1.0
    for value in values:
        z += weight * (capped(value, centre, NO_CAP if cap == NO_CAP else cap * sigma) - z)
        kept *= (1 - weight) ** 2
        share = weight / (2 - weight) * ((1 - kept) if exact else 1.0)
        reach = width * sigma * sqrt(share)
        bands.append(Band(z, centre - reach, centre + reach))
    return bands


def capped(value: float, centre: float, reach: float) -> float:
    """The value, or the nearest that lies within reach of the centre."""
    return min(max(value, centre - reach), centre + reach)


def cusum(values: Sequence[float], *, centre: float, allowance: float) -> list[Sums]:
    """The tabular CUSUM: what exceeds centre ± allowance, added up and never below zero.

    allowance: k, usually half the shift to be found, in the unit of the values. A sum beyond the decision
    interval h is a signal.
    """
    found: list[Sums] = []
    high = low = 0.0
    for value in values:
        high = max(0.0, high + (value - centre) - allowance)
        low = max(0.0, low - (value - centre) - allowance)
        found.append(Sums(high, low))
    return found


def change_point(values: Sequence[float], *, centre: float, side: int = 0) -> int:
    """Index of the value from which on a lasting change is likeliest to have begun.

    The start for which count · (mean of the values from there on - centre)² is greatest: maximum likelihood
    for a step (Samuel, Pignatiello and Calvin, Quality Engineering 10, 1998, from memory). side: 1 or -1 for
    a change upwards or downwards only. Raises ValueError for no values.
    """
    if not values:
        raise ValueError("a change needs at least one value")
    best, start, total = -1.0, len(values) - 1, 0.0
    for count, index in enumerate(range(len(values) - 1, -1, -1), start=1):
        total += values[index] - centre
        height = total * total / count if side * total >= 0 else -1.0
        if height > best:
            best, start = height, index
    return start

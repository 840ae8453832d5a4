"""A straight line through values of which only bounds are known, by maximum likelihood.

value = intercept + slope * x + scatter, the scatter normal with one standard deviation. A value is known
exactly (equal bounds) or lies between two bounds, either of which may be infinite.

Limits come from the profile likelihood with a cutoff that is right for small samples: for exact values they
are those of ordinary least squares with Student's t (see `_cutoff`). The scatter is never taken as less than
`sd_min`: bounds that happen to leave room for a line without scatter would otherwise claim just that.

This module loads numpy and scipy: import it inside functions, never at start-up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite, log, log1p, pi, sqrt
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import log_ndtr, stdtrit

LOG_ROOT_TWO_PI = log(2 * pi) / 2
LEVEL_TERMS = 2
STEPS_MAX = 200
HALVES_MAX = 40
# A step that promises less than this of log-likelihood is not taken; up to GAIN_LOST rounding may hide it.
GAIN_MIN = 1e-13
GAIN_LOST = 1e-8
RIDGE = 1e-12
# The scatter is at most so many times that about the first guess: 1 / LAST_LEAST.
LAST_LEAST = 1e-3
# Past some 3 ** 7 times twice the scatter there is no limit worth the name.
STRIDES_MAX = 7


class NoFitError(Exception):
    """No likeliest line was found."""


@dataclass(frozen=True)
class Sample:
    """Bounds of a value at each x. lower -inf and upper inf: not bounded on that side."""

    x: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    sd_min: float

    def __len__(self) -> int:
        return len(self.x)

    def with_value(self, x: float, value: float) -> Sample:
        """The same and one exact value more."""
        return Sample((*self.x, x), (*self.lower, value), (*self.upper, value), self.sd_min)

    def less_slope(self, slope: float) -> Sample:
        """What is left of the bounds when a line of that slope is taken off."""
        lower = tuple(low - slope * x for x, low in zip(self.x, self.lower, strict=True))
        upper = tuple(high - slope * x for x, high in zip(self.x, self.upper, strict=True))
        return Sample(self.x, lower, upper, self.sd_min)


@dataclass(frozen=True)
class Line:
    """The likeliest line; sd is the standard deviation of the scatter around it."""

    intercept: float
    slope: float
    sd: float
    log_likelihood: float

    def at(self, x: float) -> float:
        return self.intercept + self.slope * x


def fit(sample: Sample, *, sloped: bool = True, values_to_come: int = 0) -> Line:
    """The likeliest line, level when not `sloped`. Raises NoFitError.

    values_to_come: so many exact values more, each of which will lie on the line whatever it is. It is what
    the likelihood of one value to come is compared with.

    In the terms intercept/sd, slope/sd and 1/sd the likelihood has one hill (R. J. Olsen, Econometrica 46,
    1211, 1978; J. Burridge, J. R. Statist. Soc. B 43, 41, 1981, for bounds on both sides: from memory), so
    no start can miss the top and Newton's steps lead there.
    """
    scaled = _Scaled.of(sample, sloped=sloped, values_to_come=values_to_come)
    with np.errstate(all="ignore"):
        terms, height = _top(scaled.log_likelihood, scaled.start, scaled.unit / sample.sd_min)
    return scaled.line(terms, height)


Hill = Callable[[Any], tuple[float, Any, Any]]


def _top(hill: Hill, start: Any, last_most: float) -> tuple[Any, float]:
    """Where a hill is highest, its last term between bounds; `hill` gives height, slopes and bends.

    Newton's method, by hand: the bounded searches of scipy start threads for matrices of three by three, and
    on a busy machine that took ten times as long as everything else.
    """
    terms, (height, slopes, bends) = start, hill(start)
    for _ in range(STEPS_MAX):
        # Pushed against a bound, the last term is not free.
        free = np.ones(len(terms), bool)
        free[-1] = LAST_LEAST < terms[-1] < last_most or (slopes[-1] < 0) == (terms[-1] >= last_most)
        step = np.zeros(len(terms))
        step[free] = np.linalg.solve(RIDGE * np.eye(free.sum()) - bends[np.ix_(free, free)], slopes[free])
        gain = float(np.dot(slopes, step))
        if not isfinite(gain):
            break
        if gain < GAIN_MIN:
            return terms, height
        moved = _moved(hill, terms, step, height, last_most)
        if moved is None:
            if gain > GAIN_LOST:
                break
            return terms, height
        terms, (height, slopes, bends) = moved
    raise NoFitError("the likelihood has no top within reach")


def _moved(
    hill: Hill, terms: Any, step: Any, height: float, last_most: float
) -> tuple[Any, tuple[float, Any, Any]] | None:
    """The step, or the largest of its halves that leads up; None when rounding hides the way."""
    for halves in range(HALVES_MAX):
        there = terms + step / 2**halves
        there[-1] = min(max(there[-1], terms[-1] / 10, LAST_LEAST), last_most)
        found = hill(there)
        if found[0] > height:
            return there, found
    return None


@dataclass(frozen=True)
class _Scaled:
    """The sample in units of the scatter about a first guess, which the search then improves.

    low_by, high_by: by how much a bound's distance from the line, in scatters, grows with each term.
    """

    low_by: Any
    high_by: Any
    exact: Any
    bounded_low: Any
    bounded_high: Any
    guess: tuple[float, float]
    unit: float
    middle_x: float
    span_x: float
    values_to_come: int

    @classmethod
    def of(cls, sample: Sample, *, sloped: bool, values_to_come: int) -> _Scaled:
        x = np.array(sample.x)
        low, high = np.array(sample.lower), np.array(sample.upper)
        middle, span = float(x.mean()), float(np.ptp(x)) or 1.0
        place = (x - middle) / span
        in_low, in_high = np.isfinite(low), np.isfinite(high)
        values = np.where(in_low, np.where(in_high, (low + high) / 2, low), high)
        slope = float(place @ (values - values.mean()) / (place @ place)) if sloped and place.any() else 0.0
        guess = (float(values.mean()), slope)
        start = guess[0] + guess[1] * place
        unit = max(float(np.sqrt(np.mean((values - start) ** 2))), sample.sd_min)
        line = [-np.ones_like(place), -place] if sloped else [-np.ones_like(place)]
        low_by, high_by = (
            np.column_stack([*line, np.where(known, (bound - start) / unit, 0.0)])
            for known, bound in ((in_low, low), (in_high, high))
        )
        return cls(
            low_by, high_by, low == high, in_low, in_high, guess, unit, middle, span, values_to_come
        )  # fmt: skip

    @property
    def start(self) -> Any:
        return np.append(np.zeros(self.low_by.shape[1] - 1), 1.0)

    def log_likelihood(self, terms: Any) -> tuple[float, Any, Any]:
        """Its value, slopes and bends (second derivatives) by intercept/sd, slope/sd and 1/sd."""
        exact, between = self.exact, ~self.exact
        rows = self.low_by[exact]
        z = rows @ terms
        of_sd = len(z) + self.values_to_come
        total = of_sd * (log(terms[-1]) - log(self.unit) - LOG_ROOT_TWO_PI) - float(np.dot(z, z)) / 2
        slopes, bends = -(z @ rows), -(rows.T @ rows)
        slopes[-1] += of_sd / terms[-1]
        bends[-1, -1] -= of_sd / terms[-1] ** 2
        if between.any():
            chance, more, bent = self._between(terms, between)
            return total + chance, slopes + more, bends + bent
        return total, slopes, bends

    def _between(self, terms: Any, rows: Any) -> tuple[float, Any, Any]:
        """The share of the values that lie between bounds."""
        low_by, high_by = self.low_by[rows], self.high_by[rows]
        low, high = low_by @ terms, high_by @ terms
        in_low, in_high = self.bounded_low[rows], self.bounded_high[rows]
        chance = _log_chance(np.where(in_low, low, -inf), np.where(in_high, high, inf))
        at_low, at_high = (
            np.where(known, np.exp(-z * z / 2 - LOG_ROOT_TWO_PI - chance), 0.0)
            for known, z in ((in_low, low), (in_high, high))
        )
        across = high_by.T @ ((at_high * at_low)[:, None] * low_by)
        bends = (
            high_by.T @ ((-high * at_high - at_high**2)[:, None] * high_by)
            + low_by.T @ ((low * at_low - at_low**2)[:, None] * low_by)
            + across
            + across.T
        )
        return float(chance.sum()), at_high @ high_by - at_low @ low_by, bends

    def line(self, terms: Any, log_likelihood: float) -> Line:
        """Back in the units of the sample."""
        per_sd = float(terms[-1])
        level = self.guess[0] + self.unit * float(terms[0]) / per_sd
        rise = self.unit * float(terms[1]) / per_sd if len(terms) > LEVEL_TERMS else 0.0
        slope = (self.guess[1] + rise) / self.span_x
        return Line(level - slope * self.middle_x, slope, self.unit / per_sd, log_likelihood)


def _log_chance(low: Any, high: Any) -> Any:
    """Log of the normal probability between the bounds, worked out in the tail where no digits are lost."""
    flip = low > 0
    near, far = np.where(flip, -high, low), np.where(flip, -low, high)
    above, below = log_ndtr(far), log_ndtr(near)
    return above + np.log(-np.expm1(np.minimum(below - above, -1e-300)))


def _cutoff(readings: int, values: int, confidence: float) -> float:
    """Twice the drop of the log-likelihood at a one-sided limit.

    For exact values the ratio for `values` of them together is values * log(1 + t² / (readings - 2)) with t
    Student's at readings - 2 degrees of freedom: an identity of least squares. For large samples it is
    the usual chi-squared figure.
    """
    freedom = readings - 2
    t = float(stdtrit(freedom, confidence))
    return values * log1p(t * t / freedom)


def value_limit(sample: Sample, x: float, *, confidence: float, side: int) -> float:
    """One-sided prediction limit of a value to come at x: side 1 upper, -1 lower.

    Infinite when the bounds set none. Raises NoFitError.
    """
    beyond, top = _beyond_value(sample, confidence)
    return _limit(lambda value: beyond(x, value), top.at(x), 2 * top.sd, side)


def value_excluded(sample: Sample, value: float, *, confidence: float) -> Callable[[float], bool]:
    """Whether the upper prediction limit at x stays below that value. May raise NoFitError when called."""
    beyond, top = _beyond_value(sample, confidence)
    return lambda x: top.at(x) < value and beyond(x, value) > 0


def _beyond_value(sample: Sample, confidence: float) -> tuple[Callable[[float, float], float], Line]:
    """How far a value at x lies beyond the limit there, below 0 within it; and the likeliest line."""
    top = fit(sample, values_to_come=1)
    cutoff = _cutoff(len(sample), len(sample) + 1, confidence)

    def beyond(x: float, value: float) -> float:
        drop = top.log_likelihood - fit(sample.with_value(x, value)).log_likelihood
        return _root_of(2 * drop) - sqrt(cutoff)

    return beyond, top


def slope_limit(sample: Sample, *, confidence: float, side: int) -> float:
    """One-sided limit of the slope: side 1 upper, -1 lower; infinite when the bounds set none.

    Raises NoFitError.
    """
    top = fit(sample)
    cutoff = _cutoff(len(sample), len(sample), confidence)
    spread = float(np.std(sample.x)) * sqrt(len(sample))

    def beyond(slope: float) -> float:
        drop = top.log_likelihood - fit(sample.less_slope(slope), sloped=False).log_likelihood
        return _root_of(2 * drop) - sqrt(cutoff)

    return _limit(beyond, top.slope, 2 * top.sd / spread, side)


def _root_of(drop: float) -> float:
    """The square root runs nearly straight where the drop itself bends. Rounding may take it below 0."""
    return sqrt(max(drop, 0.0))


def _limit(beyond: Callable[[float], float], start: float, step: float, side: int) -> float:
    """Where `beyond` turns positive on one side of the top; infinite when it does not within reach.

    Found by strides, each twice the way so far, then by Brent. So far out that no line can be fitted any
    more counts as without a limit too: the wider answer.
    """
    inner, outer = start, start + side * step
    try:
        for _ in range(STRIDES_MAX):
            if beyond(outer) > 0:
                return float(brentq(beyond, inner, outer, xtol=step * 1e-8))
            inner, outer = outer, outer + 2 * (outer - inner)
    except NoFitError:
        return side * inf
    return side * inf

"""How often the band and the date of a forecast are right, in simulated bottles whose truth is known.

    python -m tests.rules.coverage 2000 777

prints the table for that seed. Each bottle has a growth of its own; each reading is its content times a
log-normal factor, read off a strip as the nearest colour or titrated. What no forecast is made for is
counted as "no date": bottles whose last reading had reached the level above all. So those that are judged
late in their lives are the ones that read low so far, and their next readings lie a little higher than they
should.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from math import exp, log

import numpy as np

from inventory.rules import censored
from inventory.rules.forecast import CONFIDENCE, HORIZON_DAYS, Point, _sample, forecast
from inventory.rules.methods import METHODS

START = date(2025, 1, 1)
LEVEL_MG_PER_L = Decimal(25)
AHEAD_DAYS = 60
STRIP, TITRATION = "strip-25", "iodometric-titration"
SEED = 20260310
GROWTHS = ("exponential", "quadratic", "linear", "after-inhibitor")


@dataclass(frozen=True)
class Setting:
    """scatter: standard deviation of the logarithm of a reading. every_days: mean distance of readings."""

    growth: str
    method: str
    readings: int
    scatter: float
    every_days: int = 60


@dataclass
class Found:
    """Counts over many bottles."""

    codes: Counter[str] = field(default_factory=Counter)
    judged: int = 0
    below_upper: int = 0
    above_lower: int = 0
    dated: int = 0
    early_enough: int = 0
    notice_days: list[int] = field(default_factory=list)


def simulate(setting: Setting, bottles: int, *, seed: int = SEED) -> Found:
    """The same seed gives the same bottles."""
    rng = np.random.default_rng(seed)
    found = Found()
    for _ in range(bottles):
        _one(setting, rng, found)
    return found


def _one(setting: Setting, rng: np.random.Generator, found: Found) -> None:
    content = _content(setting, rng)
    gaps = rng.integers(setting.every_days // 2, setting.every_days * 3 // 2 + 1, setting.readings - 1)
    days = np.concatenate([[0], np.cumsum(gaps)])
    read = [content(day) * exp(rng.normal(0, setting.scatter)) for day in days]
    points = [_point(int(day), amount, setting.method) for day, amount in zip(days, read, strict=True)]
    to_come = content(days[-1] + AHEAD_DAYS) * exp(rng.normal(0, setting.scatter))
    told = forecast(points, LEVEL_MG_PER_L)
    found.codes[told.code] += 1
    if told.code not in {"forecast", "beyond-horizon"}:
        return
    sample, ahead = _sample(points), float(days[-1] + AHEAD_DAYS)
    found.judged += 1
    found.below_upper += not censored.value_excluded(sample, log(to_come), confidence=CONFIDENCE)(ahead)
    found.above_lower += not _excluded_below(sample, log(to_come), ahead)
    _judge_date(content, int(days[-1]), told.on, found)


def _excluded_below(sample: censored.Sample, value: float, x: float) -> bool:
    """The lower limit is the upper one of the sample upside down."""
    down = censored.Sample(
        sample.x, tuple(-v for v in sample.upper), tuple(-v for v in sample.lower), sample.sd_min
    )
    return censored.value_excluded(down, -value, confidence=CONFIDENCE)(x)


def _judge_date(content: Callable[[float], float], last: int, on: date | None, found: Found) -> None:
    """Whether the date comes no later than the content reaches the level; one already there is left out."""
    reach = next((day for day in range(last, last + HORIZON_DAYS) if content(day) >= LEVEL_MG_PER_L), None)
    if reach == last:
        return
    warned = last + HORIZON_DAYS if on is None else (on - START).days
    found.dated += 1
    found.early_enough += warned <= (last + HORIZON_DAYS if reach is None else reach)
    found.notice_days.append(warned - last)


def _content(setting: Setting, rng: np.random.Generator) -> Callable[[float], float]:
    """mg/L on a day. Bottles differ: start and growth vary by factors."""
    start = (0.4 if setting.method == STRIP else 4.0) * exp(rng.normal(0, 0.4))
    rate = 0.006 * exp(rng.normal(0, 0.3)) * (1.0 if setting.method == STRIP else 0.4)
    lag = setting.every_days * setting.readings * rng.uniform(0.3, 1.0)
    return {
        "exponential": lambda day: start * exp(rate * day),
        "quadratic": lambda day: start * (1 + rate * day) ** 2,
        "linear": lambda day: start * (1 + 4 * rate * day),
        "after-inhibitor": lambda day: start * exp(rate * (0.2 * day + 4 * max(day - lag, 0.0))),
    }[setting.growth]


def _point(day: int, amount: float, method: str) -> Point:
    on = START + timedelta(days=day)
    if method != STRIP:
        value = Decimal(f"{amount:.4g}")
        return Point(on, value, value, method)
    steps = METHODS[STRIP].steps_mg_per_l
    step = min(steps, key=lambda step: abs(float(step) - amount))
    if step == 0:
        return Point(on, step, steps[1], method)
    return Point(on, step, None if step == steps[-1] else step, method)


def figures(found: Found) -> list[str]:
    """Observed shares of what should be 0.95 or more, and the middle of the days of notice."""
    pairs = (
        (found.below_upper, found.judged),
        (found.above_lower, found.judged),
        (found.early_enough, found.dated),
    )
    shares = [f"{hits / of:.3f}" if of else "-" for hits, of in pairs]
    return [*shares, f"{np.median(found.notice_days):.0f}" if found.notice_days else "-"]


def main(bottles: int, seed: int = SEED) -> None:
    settings = [
        *((STRIP, n, scatter) for n in (4, 6, 10) for scatter in (0.15, 0.3)),
        *((TITRATION, n, scatter) for n in (4, 6, 10) for scatter in (0.1, 0.3)),
    ]
    print(f"{bottles} bottles each, seed {seed}; nominal 0.95 on each side\n{HEADS}")
    for growth in GROWTHS:
        for method, readings, scatter in settings:
            found = simulate(Setting(growth, method, readings, scatter), bottles, seed=seed)
            row = [growth, method, str(readings), str(scatter), str(bottles - found.judged), *figures(found)]
            print(
                "".join(f"{word:<{width}}" for word, width in zip(row, WIDTHS, strict=True)).rstrip(),
                flush=True,
            )


WIDTHS = (17, 22, 10, 9, 9, 13, 13, 14, 14)
NAMES = ("growth", "method", "readings", "scatter", "no date", "below upper", "above lower", "date in time")
HEADS = "".join(f"{name:<{width}}" for name, width in zip((*NAMES, "days of notice"), WIDTHS, strict=True))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))

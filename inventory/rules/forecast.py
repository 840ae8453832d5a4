"""When peroxide in a container may reach an action level, from its readings since the last reset.

The line. Auto-oxidation feeds itself: the hydroperoxide that forms breaks up into the radicals that start
more of it, so the amount grows like t² when it breaks up alone and like e^kt when two meet (chain branching,
textbook kinetics, from memory). Of a constant, a growing and an exponential rate the last one comes first to
a level that lies ahead, so the logarithm of the amount is taken to be a straight line in time.

The scatter. Readings scatter around the line by factors (log-normal): warmth, light and air on one side, the
eye on the other. The band is that of one reading to come, 95 % on each side, not only that of the line: what
part of the scatter is in the bottle and what part in the eye cannot be told apart.

The readings. Each is an interval. A strip's step that was matched stands for everything nearer to that
colour than to the next ones, by difference: who matches by ratio draws the lines lower, so this is the higher
choice for both. A range or a "less than" is taken as told. Off scale and doubtful readings have no upper end.

It brings a test forward and never puts one off: the caller takes the earlier of this and the policy. What it
cannot see is said in `CAUTIONS`. The same readings give the same answer on every day; nothing here raises.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache
from math import exp, inf, log
from typing import TYPE_CHECKING, Literal

from inventory.rules.methods import METHODS, NOT_STATED, PEROXIDE_NUMBER, TITRATION
from inventory.rules.phrases import Phrase

if TYPE_CHECKING:
    from inventory.rules.censored import Line, Sample

__all__ = ["CAUTIONS", "READINGS_MIN", "BandPoint", "Forecast", "ForecastCode", "Growth", "Point", "forecast"]

ForecastCode = Literal[
    "forecast",
    "not-a-former",
    "too-few",
    "same-day",
    "mixed-methods",
    "method-not-stated",
    "below-first-step",
    "level-reached",
    "falling",
    "beyond-horizon",
    "no-fit",
]
ZERO = Decimal(0)
READINGS_MIN = 4
DAYS_MIN = 3
SHOWN_MIN = 2
CONFIDENCE = 0.95
HORIZON_MONTHS = 24
HORIZON_DAYS = 730
# A fall that is smaller than this over the time of the readings is called level: a factor of 0.99.
LEVEL_FALL = 0.01
# Two readings of one bottle on one day differ by about so much, as a fraction: common practice, no source.
SCATTER_MIN = 0.2
SCATTER_MIN_TITRATED = 0.05
TITRATED = frozenset({TITRATION, PEROXIDE_NUMBER})
STEP_DAYS = 30
SEARCH_DAYS = 91
PICTURE_DAYS = 91
# The band is drawn no higher: a million mg/L would be pure peroxide.
LOG_MOST = log(1e6)
CAUTIONS = (
    Phrase(
        "An inhibitor that is used up lets growth set in all at once: no earlier reading shows that coming."
    ),
    Phrase("Warmth, light or more air than so far make it grow faster than this."),
    Phrase("A strip misses polymeric and some dialkyl peroxides, and so does what is worked out from it."),
    Phrase("It only brings a test forward. It never replaces one, and it is no leave to distil or to dry."),
)


@dataclass(frozen=True)
class Point:
    """One reading: the amount lies between the bounds, in mg/L as H2O2; upper None: no bound is known."""

    day: date
    lower_mg_per_l: Decimal
    upper_mg_per_l: Decimal | None
    method: str


@dataclass(frozen=True)
class Growth:
    """Factor by which the amount changes in 30 days: the likeliest, and its limits, 95 % on each side.

    high None: the readings set no limit.
    """

    factor: float
    low: float
    high: float | None


@dataclass(frozen=True)
class BandPoint:
    """The likeliest amount on a day, and between what a reading would lie, 95 % on each side, in mg/L."""

    day: date
    low_mg_per_l: float
    line_mg_per_l: float
    high_mg_per_l: float


@dataclass(frozen=True)
class Forecast:
    """on: the first day on which the upper band is at the level, no earlier than the day after the last
    reading; None when there is no such day, for which `code` and `words` give the reason."""

    code: ForecastCode
    words: str
    on: date | None = None
    readings: int = 0
    growth: Growth | None = None
    band: tuple[BandPoint, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS


def forecast(
    points: Sequence[Point],
    level_mg_per_l: Decimal,
    *,
    today: date | None = None,
    samples: int = 0,
) -> Forecast:
    """The forecast from the readings since the last reset; `code` says why there is none. Never raises.

    today: readings dated later are left out; None: all count. samples: into so many steps the band is cut,
    from the first reading to the forecast or three months past the last reading; 0: no band and no growth,
    which take most of the time.
    """
    told = sorted(
        (point for point in points if (today is None or point.day <= today) and _says_something(point)),
        key=lambda point: (point.day, point.lower_mg_per_l),
    )
    return _hindrance(told, level_mg_per_l) or _worked_out(tuple(told), level_mg_per_l, samples)


def _says_something(point: Point) -> bool:
    return _bounds(point) != (-inf, inf)


def _bounds(point: Point) -> tuple[float, float]:
    """Logarithms of the bounds in mg/L, a matched step widened to what it stands for."""
    low, high = point.lower_mg_per_l, point.upper_mg_per_l
    if not low.is_finite() or low < ZERO or (high is not None and not high >= low):
        return -inf, inf
    method = METHODS.get(point.method)
    if high == ZERO:
        high = None if method is None else method.first_step_mg_per_l
    if method is not None and method.steps_mg_per_l and low == high:
        low, high = _matched(low, method.steps_mg_per_l)
    return (log(low) if low > ZERO else -inf), (inf if high is None else log(high))


def _matched(value: Decimal, steps: Sequence[Decimal]) -> tuple[Decimal, Decimal | None]:
    """What a matched colour stands for; a value between two steps lies between them."""
    below = max((step for step in steps if step < value), default=ZERO)
    above = min((step for step in steps if step > value), default=None)
    if value not in steps:
        return below, above
    return (below + value) / 2, None if above is None else (value + above) / 2


def _hindrance(told: Sequence[Point], level_mg_per_l: Decimal) -> Forecast | None:
    """Why no line should be drawn through the readings, the gravest reason first; None: one may."""
    checks: tuple[tuple[ForecastCode, bool, str], ...] = (
        (
            "level-reached",
            bool(told) and max(p.lower_mg_per_l for p in told if p.day == told[-1].day) >= level_mg_per_l,
            Phrase("The last reading has reached the level already."),
        ),
        (
            "mixed-methods",
            len({p.method for p in told}) > 1,
            Phrase("The readings were made by different methods, whose errors differ."),
        ),
        (
            "method-not-stated",
            any(p.method == NOT_STATED for p in told),
            Phrase("It is not known by which method the readings were made."),
        ),
        (
            "too-few",
            len(told) < READINGS_MIN,
            Phrase(
                "{told} of the {readings_min} dated readings that are needed since the last reset.",
                told=len(told),
                readings_min=READINGS_MIN,
            ),
        ),
        (
            "same-day",
            len({p.day for p in told}) < DAYS_MIN,
            Phrase("The readings are of fewer than {days_min} different days.", days_min=DAYS_MIN),
        ),
        (
            "below-first-step",
            sum(_bounds(p)[0] > -inf for p in told) < SHOWN_MIN,
            Phrase("Fewer than two readings lie above the least amount that the method shows."),
        ),
    )
    found = next(((code, words) for code, holds, words in checks if holds), None)
    return (
        None
        if found is None
        else Forecast(found[0], Phrase("No forecast. {found}", found=found[1]), readings=len(told))
    )


# A container's date is worked out anew whenever any of its facts changes, mostly from the same readings.
@lru_cache(maxsize=1024)
def _worked_out(told: tuple[Point, ...], level_mg_per_l: Decimal, samples: int) -> Forecast:
    # numpy and scipy are loaded only where they are needed.
    from inventory.rules import censored

    try:
        sample = _sample(told)
        line = censored.fit(sample)
        if line.slope * max(sample.x) < -LEVEL_FALL:
            words = Phrase(
                "No forecast. The readings fall, and peroxide does not go away by itself: was it treated?"
            )
            return Forecast("falling", words, readings=len(told))
        excluded = censored.value_excluded(sample, log(level_mg_per_l), confidence=CONFIDENCE)
        found = _told(told, level_mg_per_l, _first_day(excluded, int(max(sample.x))))
    except (censored.NoFitError, ArithmeticError, ValueError):
        words = Phrase("No forecast. No line was found that fits the readings.")
        return Forecast("no-fit", words, readings=len(told))
    return _pictured(found, told[0].day, sample, line, samples) if samples else found


def _sample(told: Sequence[Point]) -> Sample:
    from inventory.rules.censored import Sample

    bounds = [_bounds(point) for point in told]
    days = tuple(float((point.day - told[0].day).days) for point in told)
    scatter = SCATTER_MIN_TITRATED if told[0].method in TITRATED else SCATTER_MIN
    return Sample(days, tuple(low for low, _ in bounds), tuple(high for _, high in bounds), scatter)


def _first_day(excluded: Callable[[float], bool], last: int) -> int | None:
    """The first day after the last reading on which the level is not excluded any more; None: beyond reach.

    Looked for by steps of a quarter of a year and then by halves, in whole days.
    """
    clear, end = last, last + HORIZON_DAYS
    while clear < end:
        day = min(clear + SEARCH_DAYS, end)
        if not excluded(float(day)):
            break
        clear = day
    else:
        return None
    while day - clear > 1:
        middle = (clear + day) // 2
        clear, day = (middle, day) if excluded(float(middle)) else (clear, middle)
    return day


def _told(told: Sequence[Point], level_mg_per_l: Decimal, days: int | None) -> Forecast:
    start = told[0].day
    if days is None or days > (date.max - start).days:
        words = Phrase(
            "No forecast. By {told} readings it stays below {level_mg_per_l} mg/L for {horizon_months} "
            "months after the last one, which is as far as is looked. That is no reason to test later.",
            told=len(told),
            level_mg_per_l=level_mg_per_l,
            horizon_months=HORIZON_MONTHS,
        )
        return Forecast("beyond-horizon", words, readings=len(told))
    on = start + timedelta(days=days)
    words = Phrase(
        "By {told} readings since {start} it may reach {level_mg_per_l} mg/L by {on}.",
        told=len(told),
        start=start,
        level_mg_per_l=level_mg_per_l,
        on=on,
    )
    return Forecast("forecast", words, on, len(told))


def _pictured(found: Forecast, start: date, sample: Sample, line: Line, samples: int) -> Forecast:
    """With growth and band; without, when they cannot be worked out: the date stands all the same."""
    from inventory.rules.censored import NoFitError

    last = start + timedelta(days=int(max(sample.x)))
    wanted = max(found.on or date.min, _later(last, PICTURE_DAYS))
    end = (wanted - start).days
    places = sorted({round(end * step / samples) for step in range(samples + 1)})
    try:
        band = tuple(_band_point(start, sample, line, place) for place in places)
        return replace(found, growth=_growth(sample, line), band=band)
    except (NoFitError, ArithmeticError, ValueError):
        return found


def _later(day: date, days: int) -> date:
    return day + timedelta(days=min(days, (date.max - day).days))


def _growth(sample: Sample, line: Line) -> Growth:
    from inventory.rules.censored import slope_limit

    low, high = (slope_limit(sample, confidence=CONFIDENCE, side=side) for side in (-1, 1))
    factor, least, most = (exp(min(STEP_DAYS * slope, LOG_MOST)) for slope in (line.slope, low, high))
    return Growth(factor, least, None if high == inf else most)


def _band_point(start: date, sample: Sample, line: Line, place: int) -> BandPoint:
    from inventory.rules.censored import value_limit

    low, high = (value_limit(sample, place, confidence=CONFIDENCE, side=side) for side in (-1, 1))
    amounts = (exp(min(value, LOG_MOST)) for value in (low, line.at(place), high))
    return BandPoint(start + timedelta(days=place), *amounts)

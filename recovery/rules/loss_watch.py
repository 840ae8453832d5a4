"""Does a series of runs lose more than it did? Limits from a baseline, frozen, and when that is a signal.

One value per run: the fraction lost of what was charged. The first runs are the baseline; what comes after is
held against it by an EWMA. Its limits are wider than those for a process that is known, because a centre and
a spread from ten runs are not known: `width` says by how much. The published run rules and the CUSUM are
shown beside it and open nothing by themselves.

A repair or a change of the apparatus begins a new baseline. After a repair the old limits hold until the new
baseline is complete, so that a leak that is still there is not taken for the new measure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Literal

from recovery.rules.charts import (
    Band,
    Individuals,
    Sums,
    capped,
    change_point,
    cusum,
    ewma,
    individuals,
    moving_ranges,
)
from recovery.rules.run_rules import NELSON_RULES, WESTERN_ELECTRIC_RULES, Broken, RunRule, broken_rules

Reset = Literal["repaired", "changed"]
Phase = Literal["gathering", "baseline", "watched"]

# All of these are our choice. Ten runs are what the handbook's own example of such a chart has.
BASELINE_RUNS, BASELINE_LEAST, BASELINE_MOST = 10, 5, 100
WEIGHT = 0.2
# For a process that is known: mean run between false alarms of 500 (Lucas and Saccucci, Technometrics 32, 1,
# 1990, from memory). What a baseline of so many runs adds was found by simulation, so that about one series
# in twenty that has not changed signals upwards within its next fifty runs; the tests repeat it.
WIDTH_KNOWN, WIDTH_PER_RUN = 2.962, 17.0
CAP_SIGMAS = 4.0
# A signal ends once the EWMA has come back to within this share of its limits.
END_SHARE = 1 / 3
CUSUM_ALLOWANCE, CUSUM_INTERVAL = 0.5, 5.0
# Readings of a cylinder alone scatter a loss fraction by about so much: 2 mL of 200 mL (class B, ASTM E1272).
SIGMA_LEAST = 0.01
RULES: tuple[RunRule, ...] = (*WESTERN_ELECTRIC_RULES, *NELSON_RULES)


def width(baseline_runs: int) -> float:
    """Half the width of the EWMA's limits, in its standard errors, after a baseline of so many runs."""
    return WIDTH_KNOWN + WIDTH_PER_RUN / baseline_runs


@dataclass(frozen=True, slots=True)
class Point:
    """One run on the chart. None: there is no limit yet, or the run is in the baseline.

    fraction, centre, limits and sums: fractions of what was charged. broken: keys of the run rules that this
    run completes; "ewma" and "cusum" where it lies beyond those limits.
    """

    fraction: float
    phase: Phase
    stretch: int
    centre: float | None = None
    sigma: float | None = None
    lower: float | None = None
    upper: float | None = None
    moved: float | None = None
    moved_upper: float | None = None
    ewma: float | None = None
    ewma_lower: float | None = None
    ewma_upper: float | None = None
    cusum_high: float | None = None
    cusum_low: float | None = None
    cusum_limit: float | None = None
    broken: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Signal:
    """A lasting change. Indices of runs: since when, found with which, ended with which (None: it stands).

    A repair after the last run ends it with the run to come, whose index is the number of runs.
    side: 1 loses more, -1 loses less. ended_by: "in-control", "repaired" or "changed". begins: first run of
    the stretch whose runs before `since` it is compared with.
    """

    side: int
    since: int
    found: int
    begins: int
    ended: int | None = None
    ended_by: str = ""


@dataclass(frozen=True, slots=True)
class Watched:
    """A series worked through. missing: runs that the baseline still lacks; 0 once limits hold."""

    points: tuple[Point, ...]
    breaks: tuple[Broken, ...]
    signals: tuple[Signal, ...]
    baseline_runs: int
    missing: int
    width: float

    @property
    def standing(self) -> Signal | None:
        return next((one for one in self.signals if one.ended is None), None)


@dataclass
class _Stretch:
    """Runs held against the same limits. watch: where the EWMA begins, behind the baseline."""

    begins: int
    limits: Individuals | None
    watch: int
    bands: list[Band] = field(default_factory=list)


@dataclass
class _Watch:
    """Goes through a series once, run by run, as the runs came in."""

    values: Sequence[float]
    baseline: int
    resets: Mapping[int, Reset]
    stretches: list[_Stretch] = field(default_factory=list)
    signals: list[Signal] = field(default_factory=list)
    gathered: int | None = 0  # where the baseline that is being gathered begins
    beyond: int = 0  # the last run beyond the limits of the signal that stands

    @property
    def standing(self) -> Signal | None:
        return self.signals[-1] if self.signals and self.signals[-1].ended is None else None

    def stretch(self, begins: int, limits: Individuals | None, watch: int) -> _Stretch:
        if limits is None:
            return _Stretch(begins, None, watch)
        how: Any = {"weight": WEIGHT, "width": width(self.baseline), "cap": CAP_SIGMAS}
        bands = ewma(self.values[watch:], centre=limits.centre, sigma=limits.sigma, **how)
        return _Stretch(begins, limits, watch, bands)

    def work(self) -> None:
        self.stretches.append(self.stretch(0, None, 0))
        for at in range(len(self.values)):
            if at and at in self.resets:
                self.reset(at, self.resets[at])
            if self.stretches[-1].limits is not None:
                self.look(at)
            if self.gathered is not None and at + 1 - self.gathered == self.baseline:
                self.complete(at + 1)
        if self.values and len(self.values) in self.resets:
            self.reset(len(self.values), self.resets[len(self.values)])
        if self.standing is not None:
            self.signals[-1] = self.dated(self.standing)

    def reset(self, at: int, why: Reset) -> None:
        """A new baseline is gathered; after a repair, the old limits hold until it is complete."""
        if self.standing is not None:
            self.signals[-1] = replace(self.dated(self.standing), ended=at, ended_by=why)
        self.gathered = at
        self.stretches.append(self.stretch(at, self.stretches[-1].limits if why == "repaired" else None, at))

    def complete(self, behind: int) -> None:
        """The baseline is there. While a signal stands, what was before it stays the measure."""
        assert self.gathered is not None
        begins, self.gathered = self.gathered, None
        if self.standing is None:
            limits = individuals(self.values[begins:behind], sigma_least=SIGMA_LEAST)
            self.stretches[-1] = self.stretch(begins, limits, behind)

    def look(self, at: int) -> None:
        """Whether with this run a signal begins, goes on or ends."""
        stretch, standing = self.stretches[-1], self.standing
        assert stretch.limits is not None
        band = stretch.bands[at - stretch.watch]
        if standing is not None and standing.side * (band.value - stretch.limits.centre) <= self.near(
            stretch
        ):
            self.signals[-1] = replace(self.dated(standing), ended=at, ended_by="in-control")
        elif standing is None and band.beyond:
            self.signals.append(Signal(band.beyond, at, at, stretch.begins))
            self.beyond = at
        elif standing is not None and band.beyond == standing.side:
            self.beyond = at

    def near(self, stretch: _Stretch) -> float:
        """How near to the centre the EWMA must come for a signal to end."""
        assert stretch.limits is not None
        how: Any = {"weight": WEIGHT, "width": width(self.baseline), "exact": False}
        return END_SHARE * ewma([0.0], centre=0.0, sigma=stretch.limits.sigma, **how)[0].upper

    def dated(self, signal: Signal) -> Signal:
        """The signal with the run from which on it is likeliest, none of an earlier signal.

        Up to the last run beyond its limits: what came back to them later is not part of the change.
        """
        stretch = self.stretches[-1]
        assert stretch.limits is not None
        centre, reach = stretch.limits.centre, CAP_SIGMAS * stretch.limits.sigma
        ended = [
            one.ended + 1 for one in self.signals if one.ended is not None and one.ended_by == "in-control"
        ]
        first = max([stretch.watch, *ended])
        values = [capped(value, centre, reach) for value in self.values[first : self.beyond + 1]]
        return replace(signal, since=first + change_point(values, centre=centre, side=signal.side))


def _worked(values: Sequence[float], baseline: int, resets: Mapping[int, Reset]) -> _Watch:
    if not BASELINE_LEAST <= baseline <= BASELINE_MOST:
        raise ValueError(f"a baseline has {BASELINE_LEAST} to {BASELINE_MOST} runs")
    watch = _Watch(values, baseline, resets)
    watch.work()
    return watch


def signals_in(
    values: Sequence[float], *, baseline: int = BASELINE_RUNS, resets: Mapping[int, Reset] | None = None
) -> tuple[Signal, ...]:
    """The signals alone, as `watched` has them, without the chart."""
    return tuple(_worked(values, baseline, resets or {}).signals)


def watched(
    values: Sequence[float], *, baseline: int = BASELINE_RUNS, resets: Mapping[int, Reset] | None = None
) -> Watched:
    """Work a series through from its first run to its last. values: fraction lost per run, in order.

    resets: index of the first run after a repair or change → which of the two. The same series always gives
    the same answer, whenever it is asked. Raises ValueError for a baseline outside 5 to 100 runs.
    """
    watch = _worked(values, baseline, resets or {})
    ends = [*(stretch.begins for stretch in watch.stretches[1:]), len(values)]
    points: list[Point] = []
    breaks: list[Broken] = []
    for number, (stretch, end) in enumerate(zip(watch.stretches, ends, strict=True)):
        broken = _broken(values, stretch, end)
        breaks += broken
        sums = _sums(values, stretch, end, watch.signals)
        points += _points(values, stretch, end, number, broken, sums)
    held = [] if watch.gathered is None else values[watch.gathered :]
    return Watched(
        points=tuple(points),
        breaks=tuple(breaks),
        signals=tuple(watch.signals),
        baseline_runs=baseline,
        missing=0 if watch.gathered is None else baseline - len(held),
        width=width(baseline),
    )


def _broken(values: Sequence[float], stretch: _Stretch, end: int) -> list[Broken]:
    """Rules broken among the runs of a stretch, with indices of the whole series."""
    limits, begins = stretch.limits, stretch.begins
    if limits is None:
        return []
    found = broken_rules(values[begins:end], centre=limits.centre, sigma=limits.sigma, rules=RULES)
    return [
        replace(one, at=one.at + begins, indices=tuple(index + begins for index in one.indices))
        for one in found
    ]


def _sums(values: Sequence[float], stretch: _Stretch, end: int, signals: Sequence[Signal]) -> list[Sums]:
    """The CUSUM behind the baseline; it begins anew once a signal has ended."""
    if stretch.limits is None:
        return []
    ends = [one.ended + 1 for one in signals if one.ended is not None]
    cuts = [stretch.watch, *(cut for cut in ends if stretch.watch < cut < end), end]
    how = {"centre": stretch.limits.centre, "allowance": CUSUM_ALLOWANCE * stretch.limits.sigma}
    return [one for first, last in pairwise(cuts) for one in cusum(values[first:last], **how)]


def _points(
    values: Sequence[float],
    stretch: _Stretch,
    end: int,
    number: int,
    broken: Sequence[Broken],
    sums: Sequence[Sums],
) -> list[Point]:
    limits, begins, watch = stretch.limits, stretch.begins, stretch.watch
    moved = [None, *moving_ranges(values[begins:end])] if end > begins else []
    if limits is None:
        return [
            Point(value, "gathering", number, moved=range_)
            for value, range_ in zip(values[begins:end], moved, strict=True)
        ]
    interval = CUSUM_INTERVAL * limits.sigma
    points: list[Point] = []
    for at, value in enumerate(values[begins:end], start=begins):
        here = Point(
            value,
            "baseline" if at < watch else "watched",
            number,
            limits.centre,
            limits.sigma,
            limits.lower,
            limits.upper,
            moved[at - begins],
            limits.range_upper,
            broken=tuple(one.rule for one in broken if one.at == at),
        )
        points.append(
            here if at < watch else _charted(here, stretch.bands[at - watch], sums[at - watch], interval)
        )
    return points


def _charted(point: Point, band: Band, sums: Sums, interval: float) -> Point:
    """The same point with its EWMA and its CUSUM."""
    beyond = ["ewma"] if band.beyond else []
    beyond += ["cusum"] if max(sums.high, sums.low) > interval else []
    return replace(
        point,
        ewma=band.value,
        ewma_lower=band.lower,
        ewma_upper=band.upper,
        cusum_high=sums.high,
        cusum_low=sums.low,
        cusum_limit=interval,
        broken=(*point.broken, *beyond),
    )

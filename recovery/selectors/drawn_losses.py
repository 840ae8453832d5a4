"""A chart of losses as its picture wants it: per cent, runs in order, short names for the rules."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from itertools import groupby
from typing import Literal

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.words import short_day
from recovery.rules.loss_watch import Point
from recovery.rules.loss_words import runs_words
from recovery.rules.pictures.loss_chart import (
    ChartBreak,
    ChartLine,
    ChartPanel,
    ChartPoint,
    ChartSpan,
)
from recovery.rules.pictures.loss_chart import LossChart as Picture
from recovery.rules.run_rules import RULES, RunRule
from recovery.selectors.loss_series import ChartReset, ChartRun, ChartSignal, LossChart

Panel = Literal["runs", "moving-range", "ewma", "cusum"]
PANELS: tuple[Panel, ...] = ("runs", "moving-range", "ewma", "cusum")
SHORT = {"ewma": "E", "cusum": "C", "western-electric": "W", "nelson": "N"}
FAMILIES = tuple(SHORT)
# Nelson took these over.
SAME = {
    "nelson-1": "western-electric-1",
    "nelson-5": "western-electric-2",
    "nelson-6": "western-electric-3",
}
OWN_RULES = {
    "ewma": Phrase("the EWMA beyond its limits (NIST/SEMATECH 6.3.2.4, limits widened for the baseline)"),
    "cusum": Phrase("the CUSUM beyond five sigma (NIST/SEMATECH 6.3.2.3)"),
}
UNIT = Phrase("% of charge")

Of = Callable[[Point], "float | None"]


def drawn(chart: LossChart, *, panels: Sequence[Panel] = ("runs", "ewma"), last: int) -> Picture:
    """The picture of a chart with its last runs; signals that ended before them are left out."""
    start = max(len(chart.runs) - last, 0)
    runs = chart.runs[start:]
    left = Phrase("The last {n} of {all} runs.", n=len(runs), all=len(chart.runs)) if start else ""
    return Picture(
        title=_title(chart.name, chart.solvent_name),
        panels=tuple(_panel(name, runs) for name in panels),
        words=tuple(words for words in (chart.words, left) if words),
        rules=tuple(_rules(runs)),
        spans=(*_baselines(runs), *_signals(chart, start)),
        breaks=tuple(
            ChartBreak(reset.index - start, _reset(reset))
            for reset in chart.resets
            if 0 < reset.index - start < len(runs)
        ),
        few=_few(chart),
        notes=chart.notes,
    )


def _title(name: str, solvent: str) -> Phrase:
    """What is drawn, the solvent said once."""
    named = name if name.startswith(f"{solvent}, ") else Phrase.joined((name, solvent), by=", ")
    return Phrase("Losses: {series}", series=named)


def _reset(reset: ChartReset) -> Phrase:
    day = short_day(reset.on)
    return Phrase("repaired {day}", day=day) if reset.what == "repaired" else Phrase("changed {day}", day=day)


def _few(chart: LossChart) -> str:
    if not chart.missing:
        return ""
    counts = {"runs": len(chart.runs), "missing": chart.missing}
    return Phrase("few runs: {runs} so far, the limits need {missing} more", **counts)


def _panel(name: Panel, runs: Sequence[ChartRun]) -> ChartPanel:
    build = {"runs": _individuals, "moving-range": _moving, "ewma": _ewma, "cusum": _cusum}
    return build[name](runs)


def _individuals(runs: Sequence[ChartRun]) -> ChartPanel:
    points = tuple(
        ChartPoint(
            run.started_on, run.point.fraction * 100, rules=_named(run.point),
            name=_run_name(run),
        )
        for run in runs
    )  # fmt: skip
    lines = (
        _line(Phrase("upper limit (3 sigma)"), runs, lambda p: p.upper),
        _line(Phrase("mean of the baseline"), runs, lambda p: p.centre, "centre"),
        _line(Phrase("lower limit (3 sigma)"), runs, lambda p: p.lower),
    )
    return ChartPanel(Phrase("Runs"), UNIT, points, lines)


def _moving(runs: Sequence[ChartRun]) -> ChartPanel:
    upper = _line(Phrase("upper limit"), runs, lambda p: p.moved_upper)
    name = Phrase("From each run to the next (moving range)")
    return ChartPanel(name, UNIT, _points(runs, lambda p: p.moved), (upper,))


def _ewma(runs: Sequence[ChartRun]) -> ChartPanel:
    lines = (
        _line(Phrase("upper limit"), runs, lambda p: p.ewma_upper),
        _line(Phrase("mean of the baseline"), runs, lambda p: p.centre, "centre"),
        _line(Phrase("lower limit"), runs, lambda p: p.ewma_lower),
    )
    return ChartPanel(Phrase("Weighted mean so far (EWMA)"), UNIT, _points(runs, lambda p: p.ewma), lines)


def _cusum(runs: Sequence[ChartRun]) -> ChartPanel:
    lines = (
        _line(Phrase("limit"), runs, lambda p: p.cusum_limit),
        _line(Phrase("sum of what is less"), runs, lambda p: p.cusum_low, "other"),
    )
    points = _points(runs, lambda p: p.cusum_high)
    return ChartPanel(Phrase("Sum of what is more (CUSUM)"), UNIT, points, lines)


def _points(runs: Sequence[ChartRun], of: Of) -> tuple[ChartPoint, ...]:
    return tuple(
        ChartPoint(run.started_on, _percent(of(run.point)), name=Phrase("run {run}", run=run.run))
        for run in runs
    )


def _run_name(run: ChartRun) -> Phrase:
    if run.is_history:
        return Phrase("run {run}, from an older log", run=run.run)
    return Phrase("run {run}", run=run.run)


def _line(
    words: str, runs: Sequence[ChartRun], of: Of, role: Literal["centre", "limit", "other"] = "limit"
) -> ChartLine:
    return ChartLine(words, tuple(_percent(of(run.point)) for run in runs), role)


def _percent(fraction: float | None) -> float | None:
    return None if fraction is None else fraction * 100


def _named(point: Point) -> tuple[str, ...]:
    """Short names, as "W1"; a rule that two publications have is named by the older one."""
    broken = [key for key in point.broken if SAME.get(key) not in point.broken]
    return tuple(_short(key) for key in sorted(broken, key=_order))


def _order(key: str) -> tuple[int, str]:
    """The charts first: by the EWMA alerts are opened."""
    family = key if key in SHORT else key.rpartition("-")[0]
    return FAMILIES.index(family) if family in FAMILIES else len(FAMILIES), key


def _short(key: str) -> str:
    name, _, count = key.rpartition("-")
    return f"{SHORT[name]}{count}" if name in SHORT else SHORT.get(key, key)


def _rules(runs: Sequence[ChartRun]) -> Iterator[tuple[str, str]]:
    """Every rule that a name on the chart stands for."""
    named = {name for run in runs for name in _named(run.point)}
    for key in sorted({key for run in runs for key in run.point.broken}, key=_order):
        rule = RULES.get(key)
        if _short(key) in named:
            yield _short(key), _with_source(rule) if rule else OWN_RULES.get(key, key)


def _with_source(rule: RunRule) -> Phrase:
    return Phrase("{words} ({source})", words=rule.words, source=rule.source)


def rules_of(point: Point) -> Phrase:
    """The rules that one run breaks, each with its short name."""
    own = {
        "ewma": Phrase("the EWMA beyond its limits"),
        "cusum": Phrase("the CUSUM beyond five sigma"),
    }
    told = []
    for key in sorted({one for one in point.broken if SAME.get(one) not in point.broken}, key=_order):
        words = RULES[key].words if key in RULES else own.get(key, key)
        told.append(Phrase("{words} ({short})", short=_short(key), words=words))
    return Phrase.joined(told, by="; ")


def _baselines(runs: Sequence[ChartRun]) -> Iterator[ChartSpan]:
    """Runs in a row with one phase and one set of limits."""
    place = 0
    for (phase, _), group in groupby(runs, key=lambda run: (run.point.phase, run.point.stretch)):
        count = len(list(group))
        if phase == "baseline":
            words = Phrase("baseline: {runs}", runs=runs_words(count))
            yield ChartSpan(place, place + count - 1, words)
        place += count


def _signals(chart: LossChart, start: int) -> Iterator[ChartSpan]:
    for signal in chart.signals:
        last = len(chart.runs) - 1 if signal.ended is None else min(signal.ended - 1, len(chart.runs) - 1)
        if last < start:
            continue
        first = chart.runs[signal.since].started_on
        words = _since(signal, first) if signal.ended is None else _for(signal, last - signal.since + 1)
        yield ChartSpan(max(signal.since - start, 0), last - start, words, "signal")


def _since(signal: ChartSignal, day: date) -> Phrase:
    said = short_day(day)
    return (
        Phrase("more since {day}", day=said)
        if signal.direction == "more"
        else Phrase("less since {day}", day=said)
    )


def _for(signal: ChartSignal, count: int) -> Phrase:
    said = runs_words(count)
    return (
        Phrase("more for {runs}", runs=said)
        if signal.direction == "more"
        else Phrase("less for {runs}", runs=said)
    )

"""A control chart of what runs lost: runs in their order, centre and limits, baseline, and signals.

A run that breaks a rule is a diamond with the rule's short name; a lasting change is a bracket with its
words. Limits may change from run to run, as those of an EWMA do, or stop. One chart may have several panels
one below the other, such as runs and moving ranges: each run stands at the same place in all of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from math import isfinite
from typing import Any, Literal

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.frame import (
    Frame,
    Label,
    heading,
    labels,
    notes,
    room_for,
    say_in,
    ticks_below,
    ticks_left,
)
from inventory.rules.pictures.scales import Linear, linear_ticks, padded
from inventory.rules.pictures.sheet import Box, Sheet, shortened, width_of, wrapped
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import all_said, day_text, isolated, number, plus_minus, short_day
from recovery.rules.loss_words import runs_words

__all__ = ["ChartLine", "ChartPanel", "ChartPoint", "LossChart", "draw_loss_chart", "loss_chart_sheet"]

ERROR_BARS_MOST = 120
DOTS_MOST = 150
RULES_SHOWN = 2


@dataclass(frozen=True)
class ChartPoint:
    """One run. value None: nothing to draw here. half_width: of its uncertainty, in the panel's unit.

    rules: short names of the rules that it breaks. left_out: drawn hollow; it counts for no limit.
    """

    day: date
    value: float | None
    half_width: float | None = None
    rules: tuple[str, ...] = ()
    left_out: bool = False
    name: str = ""


@dataclass(frozen=True)
class ChartLine:
    """values: one for each point, None where there is none. words: such as "upper limit (3 sigma)"."""

    words: str
    values: tuple[float | None, ...]
    role: Literal["centre", "limit", "other"] = "limit"


@dataclass(frozen=True)
class ChartPanel:
    """name: what is drawn, such as "Moving range". unit: with what it counts, such as "% of charge"."""

    name: str
    unit: str
    points: tuple[ChartPoint, ...]
    lines: tuple[ChartLine, ...] = ()


@dataclass(frozen=True)
class ChartSpan:
    """Runs from first to last, both included: of the baseline, or of a lasting change."""

    first: int
    last: int
    words: str
    role: Literal["baseline", "signal"] = "baseline"


@dataclass(frozen=True)
class ChartBreak:
    """Before run `index` something was repaired or changed."""

    index: int
    words: str


@dataclass(frozen=True)
class LossChart:
    """words: sentences above the chart. rules: short name and words of each rule, with its publication.

    few: why the limits are not sure yet, as "few runs: 6 of the 20 that make limits sure"; "" when they are.
    half_width_words: what the bars are, such as "k = 2".
    """

    title: str
    panels: tuple[ChartPanel, ...]
    words: tuple[str, ...] = ()
    rules: tuple[tuple[str, str], ...] = ()
    spans: tuple[ChartSpan, ...] = ()
    breaks: tuple[ChartBreak, ...] = ()
    few: str = ""
    half_width_words: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Scale:
    low: float
    high: float
    ticks: tuple[float, ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class _Plot:
    chart: LossChart
    panel: ChartPanel
    frame: Frame
    x: Linear
    y: Linear
    index: int

    def name(self, what: str) -> str:
        return f"{what}-{self.index}"


@lru_cache(maxsize=32)
def draw_loss_chart(chart: LossChart, look: Look) -> bytes:
    """The chart as bytes of the kind that the look names."""
    return loss_chart_sheet(chart, look).bytes()


def loss_chart_sheet(chart: LossChart, look: Look) -> Sheet:
    chart = all_said(chart, look.say)
    sheet = Sheet(look, isolated(chart.title), _told(chart))
    size = look.size
    y = heading(sheet, chart.words)
    if chart.few:
        few = wrapped(chart.few, size.text, size.width - 2 * size.margin, bold=True)
        y = sheet.lines_of_text(size.margin, y, few, bold=True) + 4
    scales = [_scale(panel, 7 if index == 0 else 5) for index, panel in enumerate(chart.panels)]
    left = max((room_for(sheet, scale.words) for scale in scales), default=size.margin)
    lined = any(panel.lines for panel in chart.panels)
    aside = (106 if look.width == "small" else 190) if lined else size.margin
    for index, panel in enumerate(chart.panels):
        if len(chart.panels) > 1:
            name = wrapped(isolated(panel.name), size.text, size.width - 2 * size.margin, bold=True)
            y = sheet.lines_of_text(size.margin, y, name, bold=True)
        y = _panel(sheet, chart, index, scales[index], Frame(left, y + size.line, size.width - aside, 0))
    notes(sheet, y, [*_key(chart), *chart.notes])
    return sheet


def _scale(panel: ChartPanel, most: int) -> _Scale:
    low, high = padded(list(_values(panel)), with_zero=True)
    ticks = linear_ticks(low, high, most) if panel.points else []
    step = ticks[1] - ticks[0] if len(ticks) > 1 else None
    return _Scale(low, high, tuple(ticks), tuple(number(value, step) for value in ticks))


def _panel(sheet: Sheet, chart: LossChart, index: int, scale: _Scale, room: Frame) -> float:
    """room: its sides and where it may begin; returns where the rest may begin."""
    panel, size, top = chart.panels[index], sheet.look.size, room.top
    if index == 0 and any(span.role == "signal" for span in chart.spans):
        top += size.line * 1.2
    height = size.plot_height if index == 0 else size.plot_height * 0.6
    frame = Frame(room.left, top, room.right, top + height)
    count = len(panel.points)
    x = Linear(-0.7, max(count - 0.3, 0.7), frame.left, frame.right)
    plot = _Plot(chart, panel, frame, x, Linear(scale.low, scale.high, frame.bottom, frame.top), index)
    _spans(sheet, plot)
    at = [plot.y(value) for value in scale.ticks]
    ticks_left(sheet, frame, list(zip(at, scale.words, strict=True)), panel.unit)
    _breaks(sheet, plot)
    _lines(sheet, plot)
    _points(sheet, plot)
    if not any(point.value is not None for point in panel.points):
        say_in(sheet, frame, Phrase("No closed run yet.") if index == 0 else Phrase("Nothing to draw yet."))
    return ticks_below(sheet, frame, _days(plot, sheet.look.width == "small"))


def _values(panel: ChartPanel) -> Iterator[float]:
    for point in panel.points:
        if point.value is not None:
            half = point.half_width or 0.0
            yield from (point.value - half, point.value + half)
    for line in panel.lines:
        yield from (value for value in line.values if value is not None)


def _days(plot: _Plot, small: bool) -> list[tuple[float, str]]:
    """The day of some of the runs, first and last among them where there is room."""
    points = plot.panel.points
    most = 4 if small else 8
    step = max(-(-(len(points) - 1) // (most - 1)), 1) if len(points) > 1 else 1
    found: list[tuple[float, str]] = []
    year = 0
    for place in range(0, len(points), step):
        day = points[place].day
        words = short_day(day)
        same = day.year == year
        found.append((plot.x(place), words if same else Phrase.joined([words, str(day.year)], by="\n")))
        year = day.year
    return found


def _spans(sheet: Sheet, plot: _Plot) -> None:
    look, frame, size = sheet.look.palette, plot.frame, sheet.look.size
    for place, span in enumerate(plot.chart.spans):
        left, right = plot.x(span.first - 0.5), plot.x(span.last + 0.5)
        if span.role == "baseline":
            name = plot.name(f"baseline{place}")
            how = {"alpha": 0.35, "above": 0.2, "name": name, "hint": Phrase("The runs that set the limits")}
            sheet.box(left, frame.top, right - left, frame.height, look.grid, **how)
            fits = (
                w
                for w in (span.words, sheet.say(Phrase("baseline")), "")
                if width_of(w, size.text) < right - left - 6 or not w
            )
            words = next(fits) if plot.index == 0 else ""
            sheet.text(left + 4, frame.bottom - size.text * 0.5, words, look.faint, above=3)
        else:
            _signal(sheet, plot, span, (left, right), place)


def _signal(sheet: Sheet, plot: _Plot, span: ChartSpan, sides: tuple[float, float], place: int) -> None:
    """A bracket above the first panel and a hatched ground, so that the change is seen at once."""
    look, frame, size = sheet.look.palette, plot.frame, sheet.look.size
    left, right = sides
    how = {"alpha": 0.1, "above": 0.3, "name": plot.name(f"signal{place}"), "hint": span.words}
    sheet.box(left, frame.top, right - left, frame.height, look.alarm, **how)
    if plot.index:
        return
    y = frame.top - 6
    bracket = [(left, y + 5), (left, y), (right, y), (right, y + 5)]
    sheet.line(bracket, look.alarm, 2, above=3)
    words = shortened(span.words, size.text, frame.width, bold=True)
    end = left + width_of(words, size.text, True) > size.width - size.margin
    sheet.text(right if end else left, y - 5, words, bold=True, anchor="end" if end else "start", backed=True)


def _breaks(sheet: Sheet, plot: _Plot) -> None:
    look, frame, size = sheet.look.palette, plot.frame, sheet.look.size
    for place, found in enumerate(plot.chart.breaks):
        x = plot.x(found.index - 0.5)
        how = {"name": plot.name(f"break{place}"), "hint": found.words}
        sheet.line([(x, frame.top), (x, frame.bottom)], look.ink, 1.2, dash=(1, 3), above=1.2, **how)
        if plot.index == 0:
            words = shortened(found.words, size.text, frame.width / 2)
            end = x > frame.left + frame.width / 2
            base = frame.bottom - size.line * 1.5
            sheet.text(x - 4 if end else x + 4, base, words, backed=True, anchor="end" if end else "start")


def _lines(sheet: Sheet, plot: _Plot) -> None:
    look, frame, found = sheet.look.palette, plot.frame, []
    for place, line in enumerate(plot.panel.lines):
        known = [value for value in line.values if value is not None and isfinite(value)]
        if not known:
            continue
        colour = {"centre": look.ink, "limit": look.alarm, "other": look.value}[line.role]
        dash = {"centre": (), "limit": (8, 4), "other": (2, 2)}[line.role]
        name = plot.name(f"line{place}")
        for part, steps in enumerate(_steps(plot, line.values)):
            how = {"name": f"{name}-{part}" if part else name, "hint": line.words}
            sheet.line(steps, colour, 1.5, dash=dash, above=1.5, **how)
        step = (plot.y.high - plot.y.low) / 100
        unit = plot.panel.unit.split(" ")[0].rstrip(",")
        words = _valued(line.words, number(known[-1], step), unit)
        found.append(Label(plot.y(known[-1]), words, colour))
    labels(sheet, frame, found)


def _steps(plot: _Plot, values: Sequence[float | None]) -> list[list[tuple[float, float]]]:
    """Level from run to run, with a gap where there is no value."""
    found: list[list[tuple[float, float]]] = [[]]
    for place, value in enumerate(values):
        if value is None or not isfinite(value):
            found.append([])
        else:
            found[-1] += [(plot.x(place - 0.5), plot.y(value)), (plot.x(place + 0.5), plot.y(value))]
    return [steps for steps in found if steps]


def _points(sheet: Sheet, plot: _Plot) -> None:
    look = sheet.look.palette
    drawn = [(i, p, p.value) for i, p in enumerate(plot.panel.points) if p.value is not None]
    kept = [(plot.x(i), plot.y(value)) for i, p, value in drawn if not p.left_out]
    if len(kept) > 1:
        sheet.line(kept, look.value, 1, alpha=0.6, above=2)
    placed = [Box(plot.x(i) - 5, plot.y(value) - 5, 10, 10, "") for i, _, value in drawn]
    for i, point, value in drawn:
        x, y = plot.x(i), plot.y(value)
        if point.half_width and len(drawn) <= ERROR_BARS_MOST:
            ends = (plot.y(value - point.half_width), plot.y(value + point.half_width))
            sheet.line([(x, ends[0]), (x, ends[1])], look.faint, 1, above=2.5)
            for end in ends:
                sheet.line([(x - 2.5, end), (x + 2.5, end)], look.faint, 1, above=2.5)
        _dot(sheet, plot, point, i, (x, y))
    for i, point, value in drawn:
        if point.rules:
            _rules(sheet, plot, point, (plot.x(i), plot.y(value)), placed)


def _dot(sheet: Sheet, plot: _Plot, point: ChartPoint, i: int, place: tuple[float, float]) -> None:
    look = sheet.look.palette
    how: dict[str, Any] = {"name": plot.name(f"run{i}"), "hint": _point_words(plot.panel, point)}
    if point.rules:
        sheet.mark("diamond", *place, 5, look.alarm, edge=look.ink, width=1.2, above=4, **how)
    elif point.left_out:
        sheet.mark("circle", *place, 3.5, look.paper, edge=look.value, width=1.4, above=3.5, **how)
    else:
        radius = 3.6 if len(plot.panel.points) <= DOTS_MOST else 2.2
        sheet.mark("circle", *place, radius, look.value, edge=look.paper, width=0.8, above=3.5, **how)


def _rules(
    sheet: Sheet, plot: _Plot, point: ChartPoint, place: tuple[float, float], placed: list[Box]
) -> None:
    """The first rules above the mark or below it, where nothing stands yet; its hint tells them all."""
    size, (x, y) = sheet.look.size, place
    more = len(point.rules) - RULES_SHOWN
    words = ", ".join(point.rules[:RULES_SHOWN]) + (f" +{more}" if more > 0 else "")
    width = width_of(words, size.text, True) + 4
    for base in (y - 10, y + size.line + 4, y - 10 - size.line, y + 2 * size.line + 4):
        box = Box(x - width / 2, base - size.text, width, size.line, words)
        inside = plot.frame.top - 4 < box.top and box.top + box.height < plot.frame.bottom
        if inside and x + width / 2 < size.width and not any(_covers(box, other) for other in placed):
            placed.append(box)
            sheet.text(x, base, words, bold=True, anchor="middle", backed=True)
            return


def _covers(one: Box, other: Box) -> bool:
    across = abs(one.left + one.width / 2 - other.left - other.width / 2) < (one.width + other.width) / 2
    down = abs(one.top + one.height / 2 - other.top - other.height / 2) < (one.height + other.height) / 2
    return across and down


def _valued(words: str, value: Phrase, unit: str) -> Phrase:
    return Phrase("{words}: {value} {unit}", words=words, value=value, unit=unit)


def _point_words(panel: ChartPanel, point: ChartPoint) -> Phrase:
    none = point.value is None
    value = Phrase("nothing") if none else plus_minus(point.value or 0.0, point.half_width, panel.unit)
    words: list[str] = [Phrase("{day}: {value}", day=day_text(point.day), value=value), isolated(point.name)]
    words += [Phrase("not counted for the limits")] if point.left_out else []
    rules = ", ".join(point.rules)
    words += [Phrase("signal by rule {rules}", rules=rules)] if rules else []
    return Phrase.joined(words, by=", ")


def _key(chart: LossChart) -> Iterator[str]:
    points = [point for panel in chart.panels for point in panel.points]
    parts = [Phrase("● one run")]
    parts += [Phrase("○ not counted for the limits")] if any(p.left_out for p in points) else []
    parts += [Phrase("◆ signal, with its rule")] if any(p.rules for p in points) else []
    bars = any(p.half_width for p in points) and len(chart.panels[0].points) <= ERROR_BARS_MOST
    told = chart.half_width_words
    parts += [Phrase.joined([Phrase("bars: uncertainty"), told], by=", ")] if bars else []
    if points:
        yield Phrase("{parts}.", parts=Phrase.joined(parts, by=" · "))
    broken = {rule for point in points for rule in point.rules}
    yield from (f"{key}: {words}" for key, words in chart.rules if key in broken)


def _told(chart: LossChart) -> Phrase:
    lines: list[str] = [*chart.words, chart.few]
    for panel in chart.panels:
        count = sum(point.value is not None for point in panel.points)
        lines.append(Phrase("{panel}, {runs}.", panel=isolated(panel.name), runs=runs_words(count)))
        for line in panel.lines:
            known = [value for value in line.values if value is not None]
            lines += [_valued(line.words, number(known[-1]), f"{panel.unit}.")] if known else []
        signals = [_point_words(panel, point) for point in panel.points if point.rules]
        lines += [Phrase("Signal {words}.", words=words) for words in signals]
        lines += [Phrase("No signal.")] if panel.points and not signals else []
    return Phrase.joined([*lines, *chart.notes], by="\n")

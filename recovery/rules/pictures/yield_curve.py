"""What a number of portions yields: one large against several small ones, with the yield that is wanted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

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
from inventory.rules.pictures.sheet import Shape, Sheet, shortened, width_of, wrapped
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import Unit, all_said, isolated, number, volume_unit

__all__ = ["Need", "YieldCurve", "YieldPoint", "draw_yield_curve", "yield_curve_sheet"]

FRACTION_MOST = 1.0
NO_POINTS = Phrase("Nothing to compare.")
Tick = tuple[float, str]


@dataclass(frozen=True)
class YieldPoint:
    """So many portions of one size yield this part of what was there, 0 to 1; low, high: its limits."""

    portions: int
    fraction: float
    low: float | None = None
    high: float | None = None
    words: str = ""


@dataclass(frozen=True)
class Need:
    """So much solvent it takes for the wanted yield: charged, and not back again afterwards. In mL.

    fits: it can be done so, with portions that can still be run off.
    """

    portions: int
    total_ml: float
    net_ml: float
    fits: bool = True


@dataclass(frozen=True)
class YieldCurve:
    """wanted: part that is to be reached. chosen: the number of portions that the plan proposes.

    needs: drawn below, where there are any.
    """

    title: str
    points: tuple[YieldPoint, ...]
    needs: tuple[Need, ...] = ()
    wanted: float | None = None
    chosen: int | None = None
    words: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    limit_words: str = ""


@dataclass(frozen=True)
class _Plot:
    frame: Frame
    x: Linear
    y: Linear


@lru_cache(maxsize=32)
def draw_yield_curve(curve: YieldCurve, look: Look) -> bytes:
    """The curve as bytes of the kind that the look names."""
    return yield_curve_sheet(curve, look).bytes()


def yield_curve_sheet(curve: YieldCurve, look: Look) -> Sheet:
    curve = all_said(curve, look.say)
    sheet = Sheet(look, isolated(curve.title), _told(curve))
    size = look.size
    low, high = padded([v for need in curve.needs for v in (need.total_ml, need.net_ml)], with_zero=True)
    unit = volume_unit(high)
    ticks = linear_ticks(low / unit.size, high / unit.size, 5)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else None
    said: list[Tick] = [(value * unit.size, number(value, step)) for value in ticks]
    left = room_for(sheet, [words for _, words in said] if curve.needs else [])
    y = _yields(sheet, curve, _frame(sheet, left, heading(sheet, curve.words) + size.line))
    if curve.needs:
        y = _needs(sheet, curve, left, y + size.line * 2, (low, high, unit, said))
    bars = any(point.low is not None for point in curve.points)
    notes(sheet, y + size.line, [curve.limit_words if bars else "", *curve.notes])
    return sheet


def _frame(sheet: Sheet, left: float, top: float, share: float = 1.0) -> Frame:
    size = sheet.look.size
    right = size.width - (106 if sheet.look.width == "small" else 190)
    return Frame(left, top, right, top + size.plot_height * share)


def _most(curve: YieldCurve) -> int:
    portions = [point.portions for point in curve.points] + [need.portions for need in curve.needs]
    return max(portions, default=1)


def _counts(sheet: Sheet, plot: _Plot, most: int) -> float:
    """The numbers of portions below the frame; returns where the rest may begin."""
    size, frame = sheet.look.size, plot.frame
    every = max(1, -(-most // (8 if sheet.look.width == "small" else 16)))
    counts = [n for n in range(1, most + 1) if n == 1 or n % every == 0]
    y = ticks_below(sheet, frame, [(plot.x(n), str(n)) for n in counts])
    middle = (frame.left + frame.right) / 2
    sheet.text(middle, y + size.text * 0.5, Phrase("portions"), sheet.look.palette.faint, anchor="middle")
    return y


def _yields(sheet: Sheet, curve: YieldCurve, frame: Frame) -> float:
    most, low = _most(curve), _lowest(curve)
    high = FRACTION_MOST * 100 + (100 - low) * 0.04
    x = Linear(0.5, most + 0.5, frame.left, frame.right)
    plot = _Plot(frame, x, Linear(low, high, frame.bottom, frame.top))
    ticks = linear_ticks(low, 100, 7)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else None
    ticks_left(sheet, frame, [(plot.y(value), number(value, step)) for value in ticks], Phrase("yield, %"))
    _wanted(sheet, plot, curve)
    _points(sheet, plot, curve)
    if not curve.points:
        say_in(sheet, frame, NO_POINTS)
    return _counts(sheet, plot, most)


def _needs(
    sheet: Sheet, curve: YieldCurve, left: float, top: float, scale: tuple[float, float, Unit, list[Tick]]
) -> float:
    """Charged as squares, what does not come back as triangles; what cannot be done so is hollow."""
    low, high, unit, ticks = scale
    look, size = sheet.look.palette, sheet.look.size
    words = sheet.say(Phrase("Solvent for the wanted yield"))
    told = wrapped(words, size.text, size.width - 2 * size.margin, bold=True)
    top = sheet.lines_of_text(size.margin, top, told, bold=True) + size.line
    frame, most = _frame(sheet, left, top, 0.7), _most(curve)
    x = Linear(0.5, most + 0.5, frame.left, frame.right)
    plot = _Plot(frame, x, Linear(low, high, frame.bottom, frame.top))
    ticks_left(sheet, frame, [(plot.y(value), words) for value, words in ticks], unit.name)
    found = []
    series: tuple[tuple[str, Phrase, Shape, str, tuple[float, ...]], ...] = (
        ("charged", Phrase("charged"), "square", look.value, tuple(need.total_ml for need in curve.needs)),
        ("not", Phrase("not back again"), "down", look.alarm, tuple(need.net_ml for need in curve.needs)),
    )
    for key, name, shape, colour, values in series:
        places = [(plot.x(need.portions), plot.y(v)) for need, v in zip(curve.needs, values, strict=True)]
        if len(places) > 1:
            sheet.line(places, colour, 1.2, alpha=0.7, above=2)
        for need, place, value in zip(curve.needs, places, values, strict=True):
            hint = _need_words(need, name, unit.text(value))
            fill = colour if need.fits else look.paper
            how: dict[str, Any] = {"name": f"{key}-{need.portions}", "hint": hint}
            sheet.mark(shape, *place, 4.5, fill, edge=colour, width=1.2, above=4, **how)
        found.append(Label(places[-1][1], name, colour, places[-1][0]))
    labels(sheet, frame, found)
    return _counts(sheet, plot, most)


def _need_words(need: Need, name: Phrase, amount: Phrase) -> Phrase:
    how: dict[str, Any] = {"portions": need.portions, "name": name, "amount": amount}
    if need.fits:
        return Phrase("{portions} portions, {name}: {amount}", **how)
    return Phrase("{portions} portions, {name}: {amount}, too small", **how)


def _lowest(curve: YieldCurve) -> float:
    """From 0, or from tens of per cent where all yields lie high: the differences are what matters."""
    told = [p.low if p.low is not None else p.fraction for p in curve.points]
    told += [curve.wanted] if curve.wanted is not None else []
    least = min(told, default=0.0) * 100
    return 0.0 if least < 40 else float(int((least - 8) // 10 * 10))


def _wanted(sheet: Sheet, plot: _Plot, curve: YieldCurve) -> None:
    if curve.wanted is None:
        return
    look, frame = sheet.look.palette, plot.frame
    y = plot.y(curve.wanted * 100)
    sheet.line(
        [(frame.left, y), (frame.right, y)], look.alarm, 1.6, dash=(8, 4), name="wanted",
        hint=Phrase("Wanted yield"), above=1.5,
    )  # fmt: skip
    labels(
        sheet,
        frame,
        [Label(y, Phrase("wanted: {percent} %", percent=number(curve.wanted * 100)), look.alarm)],
    )


def _points(sheet: Sheet, plot: _Plot, curve: YieldCurve) -> None:
    look = sheet.look.palette
    places = [(plot.x(p.portions), plot.y(p.fraction * 100)) for p in curve.points]
    if len(places) > 1:
        sheet.line(places, look.value, 1.4, alpha=0.7, above=2)
    for point, (x, y) in zip(curve.points, places, strict=True):
        if point.low is not None and point.high is not None:
            ends = [plot.y(point.low * 100), plot.y(point.high * 100)]
            sheet.line([(x, ends[0]), (x, ends[1])], look.faint, 1.2, above=2.5)
            for end in ends:
                sheet.line([(x - 3, end), (x + 3, end)], look.faint, 1.2, above=2.5)
        chosen = point.portions == curve.chosen
        how = {"name": f"portions-{point.portions}", "hint": _words(point), "edge": look.paper, "above": 4}
        if chosen:
            sheet.mark("diamond", x, y, 6, look.leaf, **{**how, "edge": look.ink})
            _proposed(sheet, plot, point, (x, y))
        else:
            sheet.mark("circle", x, y, 4.5, look.value, **how)


def _proposed(sheet: Sheet, plot: _Plot, point: YieldPoint, place: tuple[float, float]) -> None:
    """At the foot of the mark, where a curve that rises leaves room."""
    size, look, (x, y) = sheet.look.size, sheet.look.palette, place
    foot = plot.frame.bottom - 10
    sheet.line([(x, y), (x, plot.frame.bottom)], look.ink, 1, dash=(2, 3), above=1.8)
    percent = number(point.fraction * 100)
    words = sheet.say(Phrase("proposed: {portions}, {percent} %", portions=point.portions, percent=percent))
    right, left = size.width - x - 12, x - plot.frame.left - 12
    end = width_of(words, size.text, True) > right and left > right
    words = shortened(words, size.text, left if end else right, True)
    sheet.text(x - 7 if end else x + 7, foot, words, bold=True, backed=True, anchor="end" if end else "start")


def _words(point: YieldPoint) -> Phrase:
    count = Phrase("{n} portions", n=point.portions) if point.portions != 1 else Phrase("1 portion")
    how = {"count": Phrase.joined([count, point.words]), "percent": number(point.fraction * 100)}
    if point.low is None or point.high is None:
        return Phrase("{count}: {percent} %", **how)
    low, high = number(point.low * 100), number(point.high * 100)
    return Phrase("{count}: {percent} % ({low} to {high} %)", **how, low=low, high=high)


def _told(curve: YieldCurve) -> Phrase:
    lines: list[str] = [
        *curve.words,
        "" if curve.points else NO_POINTS,
        *(Phrase("{point}.", point=_words(point)) for point in curve.points),
    ]
    if curve.wanted is not None:
        lines.append(Phrase("Wanted: {percent} %.", percent=number(curve.wanted * 100)))
    if curve.chosen is not None:
        lines.append(Phrase("Proposed: {n} portions.", n=curve.chosen))
    for need in curve.needs:
        lines.append(
            Phrase(
                "For the wanted yield {n} portions: {total} mL charged, {net} mL not back again.",
                n=need.portions,
                total=number(need.total_ml),
                net=number(need.net_ml),
            )
        )
    return Phrase.joined([*lines, *curve.notes], by="\n")

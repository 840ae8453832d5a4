"""What a number of portions yields: one large against several small ones, with the yield that is wanted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from inventory.rules.pictures.frame import (
    Frame,
    Label,
    heading,
    labels,
    notes,
    say_in,
    ticks_below,
    ticks_left,
)
from inventory.rules.pictures.scales import Linear, linear_ticks
from inventory.rules.pictures.sheet import Sheet
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import isolated, number

__all__ = ["YieldCurve", "YieldPoint", "draw_yield_curve", "yield_curve_sheet"]

FRACTION_MOST = 1.0


@dataclass(frozen=True)
class YieldPoint:
    """So many portions of one size yield this part of what was there, 0 to 1; low, high: its limits."""

    portions: int
    fraction: float
    low: float | None = None
    high: float | None = None
    words: str = ""


@dataclass(frozen=True)
class YieldCurve:
    """wanted: part that is to be reached. chosen: the number of portions that the plan proposes."""

    title: str
    points: tuple[YieldPoint, ...]
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
    sheet = Sheet(look, isolated(curve.title), _told(curve))
    size = look.size
    top = heading(sheet, curve.words) + size.line
    right = size.width - (106 if look.width == "small" else 190)
    frame = Frame(size.margin + 34, top, right, top + size.plot_height)
    most = max([point.portions for point in curve.points], default=1)
    low = _lowest(curve)
    plot = _Plot(
        frame,
        Linear(0.5, most + 0.5, frame.left, frame.right),
        Linear(low, FRACTION_MOST * 100 + (100 - low) * 0.04, frame.bottom, frame.top),
    )
    ticks = linear_ticks(low, 100, 7)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else None
    ticks_left(sheet, frame, [(plot.y(value), number(value, step)) for value in ticks], "yield, %")
    _wanted(sheet, plot, curve)
    _points(sheet, plot, curve)
    if not curve.points:
        say_in(sheet, frame, "Nothing to compare.")
    every = max(1, -(-most // (8 if look.width == "small" else 16)))
    counts = [n for n in range(1, most + 1) if n == 1 or n % every == 0]
    y = ticks_below(sheet, frame, [(plot.x(n), str(n)) for n in counts])
    sheet.text(
        (frame.left + frame.right) / 2, y + size.text * 0.5, "portions", look.palette.faint, anchor="middle"
    )
    bars = any(point.low is not None for point in curve.points)
    notes(sheet, y + size.line, [curve.limit_words if bars else "", *curve.notes])
    return sheet


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
        hint="Wanted yield", above=1.5,
    )  # fmt: skip
    labels(sheet, frame, [Label(y, f"wanted: {number(curve.wanted * 100)} %", look.alarm)])


def _points(sheet: Sheet, plot: _Plot, curve: YieldCurve) -> None:
    look, size = sheet.look.palette, sheet.look.size
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
            right = x > plot.frame.left + plot.frame.width / 2
            told = f"proposed: {point.portions}, {number(point.fraction * 100)} %"
            anchor_x = x + 10 if not right else x - 10
            sheet.text(
                anchor_x, y + size.line + 6, told, bold=True, backed=True, anchor="end" if right else "start"
            )
        else:
            sheet.mark("circle", x, y, 4.5, look.value, **how)


def _words(point: YieldPoint) -> str:
    count = f"{point.portions} portion{'' if point.portions == 1 else 's'}"
    limits = ""
    if point.low is not None and point.high is not None:
        limits = f" ({number(point.low * 100)} to {number(point.high * 100)} %)"
    return f"{count}{' ' + point.words if point.words else ''}: {number(point.fraction * 100)} %{limits}"


def _told(curve: YieldCurve) -> str:
    lines = [*curve.words, *(f"{_words(point)}." for point in curve.points)]
    if curve.wanted is not None:
        lines.append(f"Wanted: {number(curve.wanted * 100)} %.")
    if curve.chosen is not None:
        lines.append(f"Proposed: {curve.chosen} portions.")
    return "\n".join([*lines, *curve.notes])

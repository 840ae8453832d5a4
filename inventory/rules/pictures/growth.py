"""The growth of peroxide in a container: readings, the line through them with its band, and the levels.

The scale is by the logarithm, as the line is straight there. A reading is an interval: a bar from bound to
bound with a mark on each bound that is known. One that says "less than" hangs from its bound with an arrow
downwards, one beyond the scale stands on its bound with an arrow upwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

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
from inventory.rules.pictures.scales import Linear, Log, day_ticks, log_ticks
from inventory.rules.pictures.sheet import Shape, Sheet, shortened
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import all_said, day_text, isolated, number

__all__ = ["ActionLevel", "Band", "Growth", "Reading", "draw_growth"]

LEAST_MG_PER_L, MOST_MG_PER_L = 1e-3, 1e6
UNIT = Phrase("mg/L as H₂O₂")
NO_READING = Phrase("No dated test since the last reset.")


@dataclass(frozen=True)
class Reading:
    """The amount lies between the bounds, in mg/L; lower 0: no lower bound; upper None: no upper bound."""

    day: date
    lower_mg_per_l: float
    upper_mg_per_l: float | None
    method: str = ""


@dataclass(frozen=True)
class Band:
    """The line and between what a reading to come would lie, 95 % on each side, in mg/L."""

    day: date
    low_mg_per_l: float
    line_mg_per_l: float
    high_mg_per_l: float


@dataclass(frozen=True)
class ActionLevel:
    """words: what it is, such as "do not use from 25 mg/L". decides: the forecast is made for this one."""

    amount_mg_per_l: float
    words: str
    decides: bool = False


@dataclass(frozen=True)
class Growth:
    """What is drawn. words: the forecast, or why there is none. reached_on: when the band meets the level."""

    container: str
    solvent: str
    readings: tuple[Reading, ...]
    levels: tuple[ActionLevel, ...]
    band: tuple[Band, ...] = ()
    words: str = ""
    reached_on: date | None = None
    next_test_on: date | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Plot:
    frame: Frame
    x: Linear
    y: Log

    def at(self, day: date, amount_mg_per_l: float) -> tuple[float, float]:
        return self.x(day.toordinal()), self.y(amount_mg_per_l)


@lru_cache(maxsize=32)
def draw_growth(growth: Growth, look: Look) -> bytes:
    """The picture as bytes of the kind that the look names."""
    return growth_sheet(growth, look).bytes()


def growth_sheet(growth: Growth, look: Look) -> Sheet:
    growth = all_said(growth, look.say)
    title = Phrase("Peroxide in {container}", container=isolated(growth.container))
    sheet = Sheet(look, title, _told(growth))
    size = look.size
    top = heading(sheet, [part for part in (isolated(growth.solvent), growth.words) if part])
    right = size.width - (106 if look.width == "small" else 190)
    ticks = [(value, number(value)) for value in log_ticks(*_amounts(growth), 8)]
    left = room_for(sheet, [words for _, words in ticks])
    top += size.line * (1 + len(_days_told(growth)))
    frame = Frame(left, top, right, top + size.plot_height)
    plot = _plot(growth, frame)
    _band(sheet, plot, growth.band)
    _levels(sheet, plot, growth)
    _days(sheet, plot, growth)
    for place, reading in enumerate(growth.readings):
        _reading(sheet, plot, reading, place)
    if not growth.readings:
        say_in(sheet, frame, NO_READING)
    rows = size.line * len(_days_told(growth))
    ticks_left(sheet, frame, [(plot.y(value), words) for value, words in ticks], UNIT, above=rows)
    days = day_ticks(_day(plot.x.low), _day(plot.x.high), 5 if look.width == "small" else 9)
    y = ticks_below(sheet, frame, [(plot.x(day.toordinal()), words) for day, words in days])
    notes(sheet, y, list(_key(growth)))
    return sheet


def _day(ordinal: float) -> date:
    return date.fromordinal(min(max(int(ordinal), 1), date.max.toordinal()))


def _plot(growth: Growth, frame: Frame) -> _Plot:
    days = [r.day for r in growth.readings] + [b.day for b in growth.band]
    days += [day for day in (growth.reached_on, growth.next_test_on) if day is not None]
    days = days or [date(2000, 1, 1), date(2000, 12, 31)]
    first, last = min(days).toordinal(), max(days).toordinal()
    room = max((last - first) * 0.04, 3)
    x = Linear(first - room, last + room, frame.left, frame.right)
    low, high = _amounts(growth)
    return _Plot(frame, x, Log(low, high, frame.bottom, frame.top))


def _amounts(growth: Growth) -> tuple[float, float]:
    """From a third of the least that is told to twice the greatest; the band may leave the frame above."""
    told = [v for r in growth.readings for v in (r.lower_mg_per_l, r.upper_mg_per_l) if v]
    told += [level.amount_mg_per_l for level in growth.levels if level.amount_mg_per_l > 0]
    told += [point.line_mg_per_l for point in growth.band]
    known = [min(max(value, LEAST_MG_PER_L), MOST_MG_PER_L) for value in told] or [1.0, 100.0]
    return min(known) / 3, max(known) * 2


def _band(sheet: Sheet, plot: _Plot, band: Sequence[Band]) -> None:
    if len(band) < 2:
        return
    look = sheet.look.palette
    high = [plot.at(point.day, point.high_mg_per_l) for point in band]
    low = [plot.at(point.day, point.low_mg_per_l) for point in band]
    sheet.area([*high, *reversed(low)], look.band, alpha=0.28, name="band", above=1)
    sheet.line(high, look.value, 1, dash=(5, 3), name="band-high", above=1.2)
    sheet.line(low, look.value, 1, dash=(5, 3), name="band-low", above=1.2)
    line = [plot.at(point.day, point.line_mg_per_l) for point in band]
    sheet.line(line, look.value, 2, name="line", hint=Phrase("Likeliest amount"), above=1.5)


def _levels(sheet: Sheet, plot: _Plot, growth: Growth) -> None:
    look, found = sheet.look.palette, []
    for place, level in enumerate(growth.levels):
        y = plot.y(level.amount_mg_per_l)
        dash = () if level.decides else (7, 3)
        sheet.line(
            [(plot.frame.left, y), (plot.frame.right, y)], look.alarm, 2 if level.decides else 1.2,
            dash=dash, name=f"level-{place}", hint=level.words, above=1.8,
        )  # fmt: skip
        found.append(Label(y, level.words, look.alarm))
    if len(growth.band) > 1:
        last = growth.band[-1]
        ends = (
            (last.high_mg_per_l, Phrase("upper 95 %")),
            (last.line_mg_per_l, Phrase("likeliest")),
            (last.low_mg_per_l, Phrase("lower 95 %")),
        )
        x = plot.x(last.day.toordinal())
        found += [Label(plot.y(amount), words, look.value, x) for amount, words in ends]
    labels(sheet, plot.frame, found)


def _days_told(growth: Growth) -> list[tuple[date, str, Shape]]:
    """The next test, and when the band meets the level where that is another day."""
    found: list[tuple[date, str, Shape]] = []
    if growth.next_test_on is not None:
        found.append((growth.next_test_on, Phrase("next test"), "square"))
    if growth.reached_on is not None and growth.reached_on != growth.next_test_on:
        found.append((growth.reached_on, Phrase("level reached"), "down"))
    return found


def _days(sheet: Sheet, plot: _Plot, growth: Growth) -> None:
    """A line down to the axis for each, with its words in a row of its own above the frame."""
    look, size, frame = sheet.look.palette, sheet.look.size, plot.frame
    for row, (day, words, shape) in enumerate(_days_told(growth)):
        x = plot.x(day.toordinal())
        y = frame.top - 8 - row * size.line
        sheet.line([(x, y), (x, frame.bottom)], look.ink, 1, dash=(2, 3), above=1.6)
        sheet.mark(shape, x, y, 4, look.ink, name=f"day-{row}", hint=_dated(words, day), above=4)
        end = x > size.width / 2
        room = (x if end else size.width - x) - size.margin - 10
        words = shortened(sheet.say(_dated(words, day)), size.text, room)
        sheet.text(x - 9 if end else x + 9, y + 4, words, anchor="end" if end else "start", backed=True)


def _reading(sheet: Sheet, plot: _Plot, reading: Reading, place: int) -> None:
    look, x = sheet.look.palette, plot.x(reading.day.toordinal())
    low = reading.lower_mg_per_l
    high = reading.upper_mg_per_l
    top = plot.frame.top + 8 if high is None else plot.y(max(high, plot.y.low))
    bottom = plot.frame.bottom - 8 if low <= 0 else plot.y(low)
    hint = Phrase(
        "{day}: {amount} {method}", day=day_text(reading.day), amount=_amount(reading), method=reading.method
    )
    how = {"name": f"reading-{place}", "hint": hint}
    if high is not None and low > 0 and abs(bottom - top) < 3:
        sheet.mark("circle", x, (top + bottom) / 2, 5, look.value, edge=look.paper, above=4, **how)
        return
    sheet.line([(x, top), (x, bottom)], look.value, 2.4, above=3.8, **how)
    if high is None:
        sheet.mark("up", x, top, 5, look.value, edge=look.paper, above=4)
    else:
        sheet.line([(x - 5, top), (x + 5, top)], look.value, 2.4, above=4)
    if low <= 0:
        sheet.mark("down", x, bottom, 5, look.value, edge=look.paper, above=4)
    else:
        sheet.line([(x - 5, bottom), (x + 5, bottom)], look.value, 2.4, above=4)


def _dated(words: str, day: date) -> Phrase:
    return Phrase("{words} {day}", words=words, day=day_text(day))


def _amount(reading: Reading) -> Phrase:
    low, high = reading.lower_mg_per_l, reading.upper_mg_per_l
    if high is None:
        return Phrase("{low} mg/L or more, no upper bound", low=number(low))
    if low <= 0:
        return Phrase("less than {high} mg/L", high=number(high)) if high > 0 else Phrase("0 mg/L")
    if low == high:
        return Phrase("{amount} mg/L", amount=number(low))
    return Phrase("{low} to {high} mg/L", low=number(low), high=number(high))


def _key(growth: Growth) -> Iterable[str]:
    if growth.readings:
        yield Phrase(
            "● one amount · ├─┤ between two bounds · ▼ less than the bar · ▲ at least the bar, no upper "
            "bound. Logarithmic scale."
        )
    if growth.band:
        yield Phrase("Shaded: where a reading to come would lie, 95 % on each side.")
    if growth.band and growth.cautions:
        yield from growth.cautions


def _told(growth: Growth) -> Phrase:
    """The picture in words, for those who cannot see it."""
    lines = [growth.words, "" if growth.readings else NO_READING]
    lines += [Phrase("{day}: {amount}.", day=day_text(r.day), amount=_amount(r)) for r in growth.readings]
    lines += [Phrase("Level: {level}.", level=level.words) for level in growth.levels]
    if len(growth.band) > 1:
        last = growth.band[-1]
        low, high = number(last.low_mg_per_l), number(last.high_mg_per_l)
        bounds = Phrase("{low} to {high} mg/L", low=low, high=high)
        lines.append(Phrase("Band on {day}: {bounds}.", day=day_text(last.day), bounds=bounds))
    if growth.next_test_on is not None:
        lines.append(Phrase("Next test {day}.", day=day_text(growth.next_test_on)))
    return Phrase.joined(lines, by="\n")

"""Where the charge of a run went: what came back, what is recorded as lost, what is explained, and the rest.

Each row begins where the one above it ended. The rows that explain the remainder stand below on a scale of
their own, as they are small beside the charge; two lines lead from the one scale to the other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.frame import heading, notes
from inventory.rules.pictures.scales import Linear, linear_ticks, padded
from inventory.rules.pictures.sheet import Sheet, width_of, wrapped
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import MINUS, Unit, all_said, isolated, number, volume_unit
from recovery.rules.balance_words import amounts_in, plus_minus
from recovery.rules.waterfall import Bar, Waterfall

__all__ = ["draw_waterfall", "run_title", "waterfall_sheet"]

UL_PER_ML = 1000
BAR = 16.0
NAMES = 300.0
NO_BARS = Phrase("Nothing was charged.")
# Smaller enlargements are not worth a scale of their own.
ENLARGED_FROM = 1.6
HATCHES = {"recorded": "", "worked-out": "///", "assumed": "...", "fitted": "\\\\\\", "rest": "xx"}
STATES = {
    "recorded": Phrase("plain: recorded"),
    "worked-out": Phrase("/// worked out"),
    "assumed": Phrase("dotted: assumed"),
    "fitted": Phrase("\\\\\\ from the lab's own runs"),
    "not-told": Phrase("dashed: not told, so not drawn as nothing"),
    "rest": Phrase("crossed: unexplained"),
}
SPOKEN = {
    "recorded": Phrase("recorded"),
    "worked-out": Phrase("worked out"),
    "assumed": Phrase("assumed"),
    "fitted": Phrase("fitted"),
    "not-told": Phrase("not told"),
    "rest": Phrase("rest"),
}


@dataclass(frozen=True)
class _Block:
    """Rows on one scale. left, right: where the bars may stand."""

    bars: tuple[Bar, ...]
    x: Linear
    unit: Unit
    k: float


def run_title(run: int, purpose: str) -> Phrase:
    """What the picture of a run's balance is called."""
    return (
        Phrase("Run {run}: {purpose}", run=run, purpose=purpose) if purpose else Phrase("Run {run}", run=run)
    )


@lru_cache(maxsize=32)
def draw_waterfall(fall: Waterfall, look: Look, title: str = "") -> bytes:
    """The waterfall of one solvent in one run, as bytes of the kind that the look names."""
    return waterfall_sheet(fall, look, title).bytes()


def waterfall_sheet(fall: Waterfall, look: Look, title: str = "") -> Sheet:
    unit = volume_unit(max((abs(bar.value_ul) for bar in fall.bars), default=0) / UL_PER_ML, look.unit)
    fall, size = all_said(_in_unit(_known(fall), unit), look.say), look.size
    head = isolated(look.say(title)) or Phrase("Where the {solvent} went", solvent=isolated(fall.solvent))
    sheet = Sheet(look, head, _told(fall, unit))
    y = heading(sheet, [isolated(fall.solvent)] if title else [])
    told = wrapped(fall.words, size.text, size.width - 2 * size.margin, bold=True)
    y = sheet.lines_of_text(size.margin, y, told, bold=True) + size.line * 0.6
    upper = tuple(bar for bar in fall.bars if bar.role in {"start", "out"})
    lower = tuple(bar for bar in fall.bars if bar.role in {"predicted", "rest"})
    first = _block(sheet, upper, unit, fall.k, None)
    y = _rows(sheet, first, y) if upper else y
    if not fall.bars:
        notes(sheet, y, [NO_BARS])
        return sheet
    if lower:
        second = _block(sheet, lower, unit, fall.k, first)
        y = _lens(sheet, first, second, y)
        y = _rows(sheet, second, y)
    notes(sheet, y + 4, list(_key(fall)))
    return sheet


def _known(fall: Waterfall) -> Waterfall:
    """Of a run that is open what is recorded: there is no rest yet for anything else to explain."""
    if fall.code != "still-open":
        return fall
    return replace(fall, bars=tuple(bar for bar in fall.bars if bar.role in {"start", "out"}))


def _in_unit(fall: Waterfall, unit: Unit) -> Waterfall:
    """What is said of the bars, in their unit."""
    bars = tuple(replace(bar, note=amounts_in(bar.note, unit)) for bar in fall.bars)
    notes = tuple(amounts_in(note, unit) for note in fall.notes)
    return replace(fall, words=amounts_in(fall.words, unit), bars=bars, notes=notes)


def _block(sheet: Sheet, bars: tuple[Bar, ...], unit: Unit, k: float, above: _Block | None) -> _Block:
    """On the scale of the rows above where that is hardly coarser."""
    left, right = _sides(sheet, bars, unit, k)
    ends = [end for bar in bars for end in _ends(bar, k)]
    low, high = padded([end / UL_PER_ML for end in ends], with_zero=True, part=0.04)
    if above is not None and (above.x.high - above.x.low) < ENLARGED_FROM * (high - low):
        low, high = min(low, above.x.low), max(high, above.x.high)
    return _Block(bars, Linear(low, high, left, right), unit, k)


def _ends(bar: Bar, k: float) -> tuple[float, ...]:
    return bar.begins_ul, bar.ends_ul, *_whisker(bar, k)


def _whisker(bar: Bar, k: float) -> tuple[float, float]:
    """Round the end that the bar leads to; of the rest, which leads to nothing, round where it begins."""
    at, half = (bar.begins_ul if bar.role == "rest" else bar.ends_ul), k * bar.u_ul
    return at - half, at + half


def _sides(sheet: Sheet, bars: Sequence[Bar], unit: Unit, k: float) -> tuple[float, float]:
    """Where the bars stand: between names and volumes, or below both on a small picture."""
    size = sheet.look.size
    if sheet.look.width == "small":
        return size.margin, size.width - size.margin
    widest = max((width_of(sheet.say(_value(unit, bar, k)), size.text, True) for bar in bars), default=0.0)
    return size.margin + NAMES + 12, size.width - size.margin - min(widest + 20, 300)


def _rows(sheet: Sheet, block: _Block, y: float) -> float:
    """One row below the other, with the scale under them; returns where the rest may begin."""
    size, look = sheet.look.size, sheet.look.palette
    names = [_name(sheet, block, bar) for bar in block.bars]
    tops = []
    for lines in names:
        # Above the bar on a small picture, beside it on a large one.
        tall = len(lines) * size.line
        y += tall + 2 if sheet.look.width == "small" else max(tall - BAR, 0.0) / 2 + 4
        tops.append(y)
        y += BAR + (8 if sheet.look.width == "small" else max(tall - BAR, 0.0) / 2 + 6)
    _scale(sheet, block, [(top - 4, BAR + 8) for top in tops])
    for place, (bar, top) in enumerate(zip(block.bars, tops, strict=True)):
        _words(sheet, block, bar, names[place], top)
        _bar(sheet, block, bar, top)
        if place + 1 < len(tops):
            x = block.x(bar.ends_ul / UL_PER_ML)
            sheet.line([(x, top + BAR), (x, tops[place + 1])], look.faint, 1, dash=(2, 2), above=1.5)
    return y + size.line + 10


def _name(sheet: Sheet, block: _Block, bar: Bar) -> list[str]:
    """In one or two lines."""
    size = sheet.look.size
    value = width_of(sheet.say(_value(block.unit, bar, block.k)), size.text, _bold(bar))
    room = size.width - 2 * size.margin - value - 10 if sheet.look.width == "small" else NAMES
    return wrapped(isolated(bar.words), size.text, room, _bold(bar), most=2)


def _bold(bar: Bar) -> bool:
    return bar.role in {"start", "rest"}


def _scale(sheet: Sheet, block: _Block, spans: Sequence[tuple[float, float]]) -> None:
    """Lines behind each bar and the values below. spans: upper edge and height of each row."""
    size, look, x = sheet.look.size, sheet.look.palette, block.x
    ml = block.unit.size
    ticks = linear_ticks(x.low / ml, x.high / ml, 5 if sheet.look.width == "small" else 8)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else None
    for place, value in enumerate(ticks):
        at = x(value * ml)
        for top, height in spans:
            thick = 1.6 if abs(value) < 1e-12 else 0.8
            sheet.line([(at, top), (at, top + height)], look.grid, thick, above=0.5)
        unit = block.unit.name if place == len(ticks) - 1 else ""
        words = Phrase.joined([number(value, step), unit])
        anchor: Any = "start" if at < size.margin + 20 else "middle"
        if at > size.width - size.margin - 24:
            anchor = "end"
        sheet.text(at, sum(spans[-1]) + size.line * 0.9, words, look.faint, anchor=anchor)


def _words(sheet: Sheet, block: _Block, bar: Bar, name: Sequence[str], top: float) -> None:
    """Left the name, right the volume."""
    size = sheet.look.size
    # Base lines: above the bar, the last line close to it, or with the middle of the bar.
    last = top - size.text * 0.5
    if sheet.look.width == "large":
        last = top + BAR / 2 + size.text * 0.36 + (len(name) - 1) * size.line / 2
    for place, line in enumerate(reversed(name)):
        sheet.text(size.margin, last - place * size.line, line, bold=_bold(bar), backed=True)
    at = last if sheet.look.width == "small" else top + BAR / 2 + size.text * 0.36
    value = _value(block.unit, bar, block.k)
    sheet.text(size.width - size.margin, at, value, anchor="end", bold=_bold(bar), backed=True)


def _value(unit: Unit, bar: Bar, k: float) -> Phrase:
    if bar.state == "not-told":
        return SPOKEN["not-told"]
    sign = MINUS if bar.role in {"out", "predicted"} and bar.value_ul > 0 else ""
    return Phrase.joined([sign, plus_minus(bar.value_ul, k * bar.u_ul, unit)], by="")


def _bar(sheet: Sheet, block: _Block, bar: Bar, top: float) -> None:
    look = sheet.look.palette
    begin, end = block.x(bar.begins_ul / UL_PER_ML), block.x(bar.ends_ul / UL_PER_ML)
    how: dict[str, Any] = {"name": f"bar-{bar.code}", "hint": _spoken(block.unit, bar, block.k), "above": 2}
    if bar.state == "not-told":
        corners = [(end - 14, top), (end, top), (end, top + BAR), (end - 14, top + BAR), (end - 14, top)]
        sheet.line(corners, look.faint, 1.2, dash=(3, 2), **how)
        return
    width = max(abs(end - begin), 1.5)
    fill, hatch = _fill(sheet, bar), HATCHES.get(bar.state, "")
    sheet.box(min(begin, end), top, width, BAR, fill, edge=look.ink, hatch=hatch, **how)
    if bar.u_ul:
        ends = [block.x(end / UL_PER_ML) for end in _whisker(bar, block.k)]
        middle = top + BAR / 2
        whisker = [(ends[0], middle), (ends[1], middle)]
        sheet.line(whisker, look.paper, 4, above=3)
        sheet.line(whisker, look.ink, 1.6, above=3.1, name=f"whisker-{bar.code}")
        for x in ends:
            sheet.line([(x, middle - 4), (x, middle + 4)], look.ink, 1.6, above=3.1)


def _fill(sheet: Sheet, bar: Bar) -> str:
    look = sheet.look.palette
    if bar.role == "start":
        return look.value
    if bar.role == "rest":
        return look.alarm
    return {"returned": look.leaf, "held": look.cool}.get(bar.code, look.warm)


def _lens(sheet: Sheet, first: _Block, second: _Block, y: float) -> float:
    """Leads from the remainder on the upper scale to the ends of the lower one."""
    size, look = sheet.look.size, sheet.look.palette
    span = [(block.x.high - block.x.low) / (block.x.end - block.x.start) for block in (first, second)]
    times = span[0] / span[1]
    if times < ENLARGED_FROM:
        return y
    height = size.line * 1.6
    ends = [(first.x(value), second.x(value)) for value in (second.x.low, second.x.high)]
    corners = [(ends[0][0], y), (ends[1][0], y), (ends[1][1], y + height), (ends[0][1], y + height)]
    sheet.area(corners, look.grid, alpha=0.45, above=0.4)
    words = Phrase("what is left, enlarged {times} times", times=number(float(f"{times:.2g}")))
    middle = size.width / 2 if sheet.look.width == "small" else (second.x.start + second.x.end) / 2
    sheet.text(middle, y + height * 0.68, words, anchor="middle")
    return y + height + 4


def _spoken(unit: Unit, bar: Bar, k: float) -> Phrase:
    state = SPOKEN.get(bar.state) or Phrase(bar.state.replace("-", " "))
    words = Phrase(
        "{step}: {value}, {state}", step=isolated(bar.words), value=_value(unit, bar, k), state=state
    )
    return Phrase.joined([words, bar.note], by="; ")


def _key(fall: Waterfall) -> Iterator[str]:
    states = {bar.state for bar in fall.bars}
    told = Phrase.joined([words for state, words in STATES.items() if state in states], by=" · ")
    yield Phrase("{states}.", states=told)
    if any(bar.u_ul for bar in fall.bars):
        yield Phrase("Whiskers and ±: expanded uncertainty, k = {k}.", k=number(fall.k))
    # What was not told has a row of its own.
    rows = [bar.words for bar in fall.bars if bar.state == "not-told"]
    yield from (note for note in fall.notes if not any(note.endswith(f": {words}") for words in rows))


def _told(fall: Waterfall, unit: Unit) -> Phrase:
    lines = [fall.words, "" if fall.bars else NO_BARS, *_lines(fall.bars, unit, fall.k)]
    return Phrase.joined(lines, by="\n")


def _lines(bars: Sequence[Bar], unit: Unit, k: float) -> list[Phrase]:
    return [Phrase("{step}.", step=_spoken(unit, bar, k)) for bar in bars]

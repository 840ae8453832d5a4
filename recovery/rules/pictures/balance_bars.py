"""What came in and what went out by solvent: two bars for each, in parts, on one scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import isfinite

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.frame import heading, notes
from inventory.rules.pictures.scales import Linear, linear_ticks
from inventory.rules.pictures.sheet import Sheet, width_of, wrapped
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import all_said, isolated, number

__all__ = ["BarRow", "SolventBars", "balance_bars", "balance_bars_sheet"]

HATCHES = ("", "///", "..", "\\\\\\", "xx", "--", "++", "||", "oo", "**")
BAR = 15.0
NO_ROWS = Phrase("Nothing came in or went out.")
PART_GAP = 8.0
Part = tuple[str, float]


@dataclass(frozen=True)
class BarRow:
    """One solvent: parts with their names and amounts, in the order in which they are drawn."""

    name: str
    inputs: tuple[Part, ...]
    outputs: tuple[Part, ...]


@dataclass(frozen=True)
class SolventBars:
    """unit: of all amounts, such as "kg". in_words, out_words: what the two bars are."""

    title: str
    unit: str
    rows: tuple[BarRow, ...]
    words: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    # The empty part keeps it apart from the "in" of a place.
    in_words: str = Phrase("in{which}", which="")
    out_words: str = Phrase("out")


@lru_cache(maxsize=32)
def balance_bars(bars: SolventBars, look: Look) -> bytes:
    """The picture as bytes of the kind that the look names."""
    return balance_bars_sheet(bars, look).bytes()


def balance_bars_sheet(bars: SolventBars, look: Look) -> Sheet:
    bars = all_said(bars, look.say)
    sheet = Sheet(look, isolated(bars.title), _told(bars))
    size = look.size
    y = heading(sheet, bars.words)
    totals = [_total(parts) for row in bars.rows for parts in (row.inputs, row.outputs)]
    largest = max(totals, default=0.0)
    if largest <= 0:
        notes(sheet, y, [NO_ROWS, *bars.notes])
        return sheet
    left = size.margin + max(width_of(words, size.text) for words in (bars.in_words, bars.out_words)) + 8
    ends = max(width_of(_amount(t, bars), size.text, True) for t in totals) + 10
    x = Linear(0.0, largest, left, size.width - size.margin - ends)
    keys = _keys(bars)
    top = y
    empty = [row.name for row in bars.rows if not _total(row.inputs) and not _total(row.outputs)]
    for place, row in enumerate(bars.rows):
        if row.name in empty:
            continue
        name = wrapped(isolated(row.name), size.text, size.width - 2 * size.margin, bold=True, most=1)
        y = sheet.lines_of_text(size.margin, y, name, bold=True)
        for words, parts, side in ((bars.in_words, row.inputs, "in"), (bars.out_words, row.outputs, "out")):
            _bar(sheet, bars, parts, x, y, keys, f"{side}-{place}")
            sheet.text(size.margin, y + BAR * 0.8, words, look.palette.faint)
            y += BAR + 4
        y += PART_GAP
    _scale(sheet, bars, x, top, y)
    y = _legend(sheet, keys, y + size.line + 8)
    names = ", ".join(isolated(name) for name in empty)
    left_out = [Phrase("Nothing in or out: {names}", names=names)] if empty else []
    notes(sheet, y, [*bars.notes, *left_out])
    return sheet


def _amount(amount: float, bars: SolventBars) -> Phrase:
    return Phrase("{amount} {unit}", amount=number(amount), unit=bars.unit)


def _total(parts: Sequence[Part]) -> float:
    return sum(amount for _, amount in parts if isfinite(amount) and amount > 0)


def _keys(bars: SolventBars) -> dict[str, tuple[int, str]]:
    """A hatch and a colour's place for each name, in the order of first use."""
    names: dict[str, None] = {}
    for row in bars.rows:
        for name, amount in (*row.inputs, *row.outputs):
            if amount > 0:
                names.setdefault(name)
    return {name: (place, HATCHES[place % len(HATCHES)]) for place, name in enumerate(names)}


def _colour(sheet: Sheet, place: int) -> str:
    look = sheet.look.palette
    fills = (look.value, look.leaf, look.warm, look.plum, look.alarm, look.sun, look.grid)
    return fills[place % len(fills)]


def _bar(
    sheet: Sheet, bars: SolventBars, parts: Sequence[Part], x: Linear, y: float,
    keys: dict[str, tuple[int, str]], name: str,
) -> None:  # fmt: skip
    look, size = sheet.look.palette, sheet.look.size
    begin = 0.0
    for part, (words, amount) in enumerate(parts):
        if not isfinite(amount) or amount <= 0:
            continue
        place, hatch = keys[words]
        hint = Phrase("{part}: {amount}", part=isolated(words), amount=_amount(amount, bars))
        left, right = x(begin), x(begin + amount)
        sheet.box(
            left, y, max(right - left, 1.0), BAR, _colour(sheet, place), edge=look.ink, hatch=hatch, above=2,
            name=f"part-{name}-{part}", hint=hint,
        )  # fmt: skip
        begin += amount
    told = _amount(_total(parts), bars)
    sheet.text(x(begin) + 6, y + BAR * 0.5 + size.text * 0.36, told, bold=True)


def _scale(sheet: Sheet, bars: SolventBars, x: Linear, top: float, bottom: float) -> None:
    size, look = sheet.look.size, sheet.look.palette
    ticks = linear_ticks(0.0, x.high, 4 if sheet.look.width == "small" else 8)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else None
    for place, value in enumerate(ticks):
        sheet.line([(x(value), top + size.line), (x(value), bottom)], look.grid, 0.8, above=0.5)
        unit = bars.unit if place == len(ticks) - 1 else ""
        words = Phrase.joined([number(value, step), unit])
        sheet.text(x(value), bottom + size.line * 0.8, words, look.faint, anchor="middle")


def _legend(sheet: Sheet, keys: dict[str, tuple[int, str]], y: float) -> float:
    """A box with colour and hatch for each part, as many in a row as fit."""
    size, look = sheet.look.size, sheet.look.palette
    x = float(size.margin)
    for name, (place, hatch) in keys.items():
        words = wrapped(isolated(name), size.text, size.width - 2 * size.margin - 26, most=1)[0]
        width = 26 + width_of(words, size.text) + 14
        if x > size.margin and x + width > size.width - size.margin:
            x, y = float(size.margin), y + size.line + 4
        sheet.box(x, y, 20, 12, _colour(sheet, place), edge=look.ink, hatch=hatch, name=f"key-{place}")
        sheet.text(x + 26, y + 10.5, words)
        x += width
    return y + size.line + 8


def _told(bars: SolventBars) -> Phrase:
    lines = [*bars.words, "" if bars.rows else NO_ROWS, *_lines(bars), *bars.notes]
    return Phrase.joined(lines, by="\n")


def _lines(bars: SolventBars) -> Iterator[Phrase]:
    for row in bars.rows:
        for words, parts in ((bars.in_words, row.inputs), (bars.out_words, row.outputs)):
            told = [
                Phrase("{part} {amount}", part=isolated(n), amount=_amount(a, bars))
                for n, a in parts
                if a > 0
            ]
            parted = Phrase.joined(told, by=", ") if told else Phrase("nothing")
            yield Phrase("{name}, {side}: {parts}.", name=isolated(row.name), side=words, parts=parted)

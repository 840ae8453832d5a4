"""What every picture has round its marks: a heading, a frame with ticks, labels beside lines, notes below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from inventory.rules.pictures.scales import spread
from inventory.rules.pictures.sheet import Sheet, width_of, wrapped
from inventory.rules.pictures.words import sentence

__all__ = ["Frame", "Label", "heading", "labels", "notes", "room_for", "say_in", "ticks_below", "ticks_left"]

Tick = tuple[float, str]
TICK_GAP = 6.0


@dataclass(frozen=True)
class Frame:
    """Where the marks stand, in CSS pixels."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.bottom - self.top


@dataclass(frozen=True)
class Label:
    """Words beside a place: `at` is the height in pixels that they belong to, `start` where it is left."""

    at: float
    words: str
    colour: str
    start: float | None = None


def heading(sheet: Sheet, lines: Sequence[str]) -> float:
    """The title and what is to be read before the marks; returns where the rest may begin."""
    size, look = sheet.look.size, sheet.look.palette
    room = size.width - 2 * size.margin
    title = wrapped(sheet.say(sheet.title), size.title, room, bold=True, most=3)
    y = sheet.lines_of_text(size.margin, size.margin, title, size=size.title, bold=True)
    for words in lines:
        y = sheet.lines_of_text(size.margin, y + 2, wrapped(sheet.say(words), size.text, room), look.faint)
    return y + size.line * 0.6


def notes(sheet: Sheet, y: float, lines: Sequence[str]) -> None:
    """Words below the marks; they end the picture."""
    size, look = sheet.look.size, sheet.look.palette
    for words in lines:
        told = wrapped(sentence(sheet.say(words)), size.text, size.width - 2 * size.margin, most=8)
        y = sheet.lines_of_text(size.margin, y, told, look.faint) + 3
    sheet.height = y + size.margin * 0.7


def room_for(sheet: Sheet, words: Sequence[str]) -> float:
    """Where a frame may begin that has these words for ticks on its left."""
    size = sheet.look.size
    widest = max((width_of(each, size.text) for each in words), default=0.0)
    return size.margin + max(widest + TICK_GAP, 34.0)


def ticks_left(sheet: Sheet, frame: Frame, ticks: Sequence[Tick], unit: str, above: float = 0.0) -> None:
    """Lines across with their values left of the frame, and the unit so far above it."""
    size, look = sheet.look.size, sheet.look.palette
    for y, words in ticks:
        sheet.line([(frame.left, y), (frame.right, y)], look.grid, 0.8, above=0.5)
        sheet.text(frame.left - TICK_GAP, y + size.text * 0.35, words, look.faint, anchor="end")
    sheet.text(size.margin, frame.top - size.text * 0.6 - above, unit, look.faint)


def ticks_below(sheet: Sheet, frame: Frame, ticks: Sequence[Tick]) -> float:
    """Marks below the frame with one or two lines of words each; returns where the rest may begin.

    Words that would run into the ones before them, or out of the picture, are left out.
    """
    size, look = sheet.look.size, sheet.look.palette
    edge, deep = 0.0, 1
    for x, words in ticks:
        told = sheet.say(words).split("\n")
        half = max(width_of(line, size.text) for line in told) / 2
        sheet.line([(x, frame.bottom), (x, frame.bottom + 4)], look.faint, 1)
        middle = min(max(x, half + 2), size.width - half - 2)
        if middle - half < edge + 4:
            continue
        edge, deep = middle + half, max(deep, len(told))
        sheet.lines_of_text(middle, frame.bottom + TICK_GAP, told, look.faint, anchor="middle")
    sheet.line([(frame.left, frame.bottom), (frame.right, frame.bottom)], look.faint, 1)
    return frame.bottom + TICK_GAP + deep * size.line + size.line * 0.4


def labels(sheet: Sheet, frame: Frame, found: Sequence[Label]) -> None:
    """Words right of the frame, moved apart where they would cover each other, each led to its height."""
    size = sheet.look.size
    x = frame.right + 12
    room = size.width - 6 - x
    told = [wrapped(sheet.say(label.words), size.text, room, most=4) for label in found]
    heights = [len(lines) * size.line + 2 for lines in told]
    middles = spread([label.at for label in found], heights, frame.top - size.line, frame.bottom + size.line)
    for label, lines, height, middle in zip(found, told, heights, middles, strict=True):
        start = frame.right if label.start is None else label.start
        sheet.line([(start, label.at), (frame.right + 2, label.at), (x - 3, middle)], label.colour, 1)
        sheet.lines_of_text(x, middle - height / 2 + 2, lines, sheet.look.palette.ink)


def say_in(sheet: Sheet, frame: Frame, words: str, **more: Any) -> None:
    """Words in the middle of the frame, as for a picture without marks."""
    size = sheet.look.size
    lines = wrapped(sheet.say(words), size.text, frame.width - 20, most=8)
    top = frame.top + (frame.height - len(lines) * size.line) / 2
    middle = frame.left + frame.width / 2
    sheet.lines_of_text(middle, top, lines, anchor="middle", backed=True, **more)

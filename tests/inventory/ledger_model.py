"""The rules of the ledger once more in plain Python: own dicts, no database, none of the product's code.

A bottle is named by its number, a boundary by its kind; all volumes are microlitres.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

Place = int | str
Opened = Literal["unopened", "opened", "unknown"]


class RefusedError(Exception):
    """The rules forbid it; nothing was changed."""


@dataclass
class Bottle:
    capacity: int
    lot: int | None
    held: int
    opened: Opened
    opened_on: date | None
    discarded: bool = False


@dataclass(frozen=True)
class Lot:
    solvent: str
    made_on: date | None = None
    parts: tuple[int, ...] = ()


@dataclass(frozen=True)
class Line:
    lot: int
    source: Place
    destination: Place
    volume: int


@dataclass
class Entry:
    """What was booked together, and which lot each bottle held before and after."""

    lines: list[Line]
    day: date
    month: date
    before: dict[int, int | None]
    after: dict[int, int | None]
    blended: dict[int, int] = field(default_factory=dict)  # bottle → volume of the blend made in it
    final: bool = False  # reversed, or a reversal
    disposal: bool = False  # the bottle left with its content


def demand(allowed: bool) -> None:
    if not allowed:
        raise RefusedError


class Model:
    def __init__(self) -> None:
        self.bottles: list[Bottle] = []
        self.lots: list[Lot] = []
        self.entries: list[Entry] = []
        self.balance: Counter[tuple[Place, int]] = Counter()
        self.flows: Counter[tuple[str, date, str, str]] = Counter()

    # -- what people do

    def receive(self, solvent: str, volume: int, capacity: int, opened: Opened, opened_on: date | None,
                day: date) -> None:  # fmt: skip
        demand(0 < volume <= capacity)
        self.lots.append(Lot(solvent))
        self.bottles.append(Bottle(capacity, None, 0, opened, opened_on))
        lot, bottle = len(self.lots) - 1, len(self.bottles) - 1
        self._book([Line(lot, "supplier", bottle, volume)], day, {bottle: lot})

    def draw(self, number: int, volume: int, day: date) -> None:
        bottle = self._usable(number)
        demand(0 < volume <= self._least_since(number, day))
        self._book([Line(self._lot(bottle), number, "reaction", volume)], day, {number: bottle.lot})
        self._was_open(number, day)

    def put_back(self, number: int, volume: int, day: date) -> None:
        bottle = self._usable(number)
        lot = self._lot(bottle)
        demand(0 < volume <= bottle.capacity - bottle.held)
        since = bottle.opened_on
        if bottle.held:
            since = self._earliest([self._age(bottle), since, *self._making(lot)])
        self._book([Line(lot, "unaccounted", number, volume)], day, {number: lot})
        self._open_since(bottle, since, day)

    def pour(self, giver: int, taker: int, volume: int | None, day: date) -> None:
        demand(giver != taker)
        source, into = self._usable(giver), self._usable(taker)
        volume = source.held if volume is None else volume
        demand(0 < volume <= self._least_since(giver, day) and into.held + volume <= into.capacity)
        lot = self._lot(source)
        demand(not into.held or self.lots[self._lot(into)].solvent == self.lots[lot].solvent)
        self._was_open(giver, day)
        arrival = Line(lot, giver, taker, volume)
        if not into.held or into.lot == lot:
            since = source.opened_on
            if not into.held and into.lot == lot:
                since = self._earliest([self._age(into), since])
            elif into.held:
                since = self._earliest([self._age(into), since, *self._making(lot)])
            self._book([arrival], day, {giver: lot, taker: lot})
        else:
            since = self._blend(arrival, giver, taker, day)
        self._open_since(into, since, day)

    def _blend(self, arrival: Line, giver: int, taker: int, day: date) -> date | None:
        source, into = self.bottles[giver], self.bottles[taker]
        held, there = self._lot(into), into.held
        since = self._earliest(
            [self._age(into), source.opened_on, *self._making(held), *self._making(arrival.lot)]
        )
        self.lots.append(Lot(self.lots[held].solvent, made_on=day, parts=(held, arrival.lot)))
        blend, total = len(self.lots) - 1, there + arrival.volume
        lines = [
            arrival,
            Line(held, taker, "blending", there),
            Line(arrival.lot, taker, "blending", arrival.volume),
            Line(blend, "blending", taker, total),
        ]
        self._book(lines, day, {giver: arrival.lot, taker: blend}, {taker: total})
        return since

    def count(self, number: int, found: int, day: date) -> None:
        bottle = self._usable(number)
        lot = self._lot(bottle)
        demand(found <= bottle.capacity)
        change = found - bottle.held
        if change > 0:
            self._book([Line(lot, "count-difference", number, change)], day, {number: lot})
        elif change < 0:
            self._book([Line(lot, number, "count-difference", -change)], day, {number: lot})

    def discard(self, number: int, day: date) -> None:
        bottle = self._usable(number)
        if bottle.held:
            lot = self._lot(bottle)
            self._book([Line(lot, number, "waste-contractor", bottle.held)], day, {number: lot})
            self.entries[-1].disposal = True
        bottle.discarded = True

    def reverse(self, number: int) -> None:
        entry = self.entries[number]
        demand(not entry.final)
        change: Counter[int] = Counter()
        for line in entry.lines:
            for place, sign in ((line.source, 1), (line.destination, -1)):
                if isinstance(place, int):
                    change[place] += sign * line.volume
        for at, lot in entry.after.items():
            bottle = self.bottles[at]
            demand((entry.disposal or not bottle.discarded) and bottle.lot == lot)
            demand(bottle.held + change[at] <= bottle.capacity)
            demand(self._least_since(at, entry.day) + change[at] >= 0)
            demand(at not in entry.blended or bottle.held == entry.blended[at])
        back = [replace(x, source=x.destination, destination=x.source) for x in reversed(entry.lines)]
        for line in entry.lines:
            self._flow(line, entry.month, -1)
        self._move(back)
        entry.final = True
        self.entries.append(Entry(back, entry.day, entry.month, {}, {}, final=True))
        for at in entry.after:
            self.bottles[at].discarded = False  # as it was, or taken back with its content
            self._give_lot_back(number, at, change[at])

    def _give_lot_back(self, number: int, at: int, change: int) -> None:
        """A blend is parted; a bottle that the reversal empties holds what it held before."""
        entry, bottle = self.entries[number], self.bottles[at]
        if at in entry.blended:
            bottle.lot = entry.before[at]
        elif change < 0 and not bottle.held:
            standing = [e.after[at] for e in self.entries[:number] if at in e.after and not e.final]
            lot = standing[-1] if standing else None
            if lot is not None and lot != bottle.lot:
                bottle.opened, bottle.opened_on = "opened", None
            bottle.lot = lot

    # -- how it is kept

    def _usable(self, number: int) -> Bottle:
        demand(not self.bottles[number].discarded)
        return self.bottles[number]

    def _lot(self, bottle: Bottle) -> int:
        if bottle.lot is None:
            raise RefusedError
        return bottle.lot

    def _book(self, lines: list[Line], day: date, after: dict[int, int | None],
              blended: dict[int, int] | None = None) -> None:  # fmt: skip
        before = {number: self.bottles[number].lot for number in after}
        month = day.replace(day=1)
        self.entries.append(Entry(lines, day, month, before, after, blended or {}))
        for line in lines:
            self._flow(line, month, 1)
        self._move(lines)
        for number, lot in after.items():
            self.bottles[number].lot = lot

    def _least_since(self, number: int, day: date) -> int:
        """The least that a bottle held at the end of that day or of any later one."""
        later: Counter[date] = Counter()
        for entry in self.entries:
            for line in entry.lines if entry.day > day and not entry.final else []:
                later[entry.day] += line.volume * ((line.destination == number) - (line.source == number))
        held = least = self.bottles[number].held
        for each in sorted(later, reverse=True):
            held -= later[each]
            least = min(least, held)
        return least

    def _move(self, lines: list[Line]) -> None:
        for line in lines:
            for place, sign in ((line.source, -1), (line.destination, 1)):
                self.balance[place, line.lot] += sign * line.volume
                if isinstance(place, int):
                    self.bottles[place].held += sign * line.volume

    def _flow(self, line: Line, month: date, sign: int) -> None:
        kinds = ["container" if isinstance(p, int) else p for p in (line.source, line.destination)]
        self.flows[self.lots[line.lot].solvent, month, kinds[0], kinds[1]] += sign * line.volume

    # -- since when it is open: the earliest day known, and not known beats every day

    def _was_open(self, number: int, day: date) -> None:
        bottle = self.bottles[number]
        if bottle.opened == "unopened":
            bottle.opened, bottle.opened_on = "opened", day
        elif bottle.opened_on is not None and bottle.opened_on > day:
            self._open_earlier(number, day)

    def _open_earlier(self, number: int, day: date) -> None:
        """What was poured from it was open as early, wherever it stands now."""
        self.bottles[number].opened_on = day
        for line in [line for entry in self.entries if not entry.final for line in entry.lines]:
            if line.source != number or not isinstance(line.destination, int):
                continue
            taker = self.bottles[line.destination]
            stale = taker.opened_on is not None and taker.opened_on > day
            if stale and not taker.discarded and taker.lot is not None and self._holds(taker.lot, line.lot):
                self._open_earlier(line.destination, day)

    def _holds(self, lot: int, part: int) -> bool:
        return lot == part or any(self._holds(each, part) for each in self.lots[lot].parts)

    def _open_since(self, bottle: Bottle, since: date | None, day: date) -> None:
        bottle.opened = "opened"
        bottle.opened_on = None if since is None else min(since, day)

    def _age(self, bottle: Bottle) -> date | None:
        return date.max if bottle.opened == "unopened" else bottle.opened_on

    def _making(self, lot: int) -> list[date]:
        made_on = self.lots[lot].made_on
        return [] if made_on is None else [made_on]

    def _earliest(self, days: list[date | None]) -> date | None:
        known = [day for day in days if day is not None]
        return min(known) if len(known) == len(days) else None

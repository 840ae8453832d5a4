"""Where the liquid of one lot is by now: standing somewhere, or gone, to the last fraction of a microlitre.

A lot that was poured into others lives on in them with its share (`lineage.shares_of`). What a lot's own
movements say is told by its balance at each place; what a run lost is told by the run, since a run holds
many lots and its losses are booked on one of them: each lot charged bears its part of what did not come back.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

HOLDING = "container"
# What was put into a waste container may have gone to the contractor since: one end, wherever it is by now.
WASTE = {"waste-container": "waste", "waste-contractor": "waste"}
SOURCES = ("supplier", "made-here", "before-counting")
INSIDE = ("blending", "run")
IN_RUN, ROUNDING = "run", "rounding"


@dataclass(frozen=True, slots=True)
class Balance:
    """What came to a place of one lot less what left it, in µl. place: its id."""

    lot: int
    place: int
    kind: str
    volume_ul: int


@dataclass(frozen=True)
class RunFlows:
    """What went through one run, in µl, entries booked back left out.

    charged, made: by lot, in and distilled (or taken) back out. booked_on: kind of place → lot → what was
    lost to it, below zero where more came back. held: what is still in it.
    """

    place: int
    charged: Mapping[int, int]
    made: Mapping[int, int]
    booked_on: Mapping[str, Mapping[int, int]]

    @property
    def lost(self) -> dict[str, int]:
        found: dict[str, int] = defaultdict(int)
        for kind, by_lot in self.booked_on.items():
            found[WASTE.get(kind, kind)] += sum(by_lot.values())
        return found

    @property
    def held(self) -> int:
        return sum(self.charged.values()) - sum(self.made.values()) - sum(self.lost.values())


@dataclass(frozen=True)
class Whereabouts:
    """All that ever came in of the lot, and where it is: both sides are equal, exactly.

    standing: container's place → µl. gone: kind of boundary → µl, what was put back taken off. lost_in:
    run's place → kind → µl.
    """

    came_in_ul: Fraction
    standing: Mapping[int, Fraction]
    gone: Mapping[str, Fraction]
    lost_in: Mapping[int, Mapping[str, Fraction]]

    @property
    def lost(self) -> Mapping[str, Fraction]:
        """Over all runs, by kind of boundary."""
        found: dict[str, Fraction] = defaultdict(Fraction)
        for losses in self.lost_in.values():
            for kind, volume_ul in losses.items():
                found[kind] += volume_ul
        return found


def whereabouts(
    start: int,
    whole_ul: int,
    shares: Mapping[int, Fraction],
    balances: Iterable[Balance],
    runs: Sequence[RunFlows],
) -> Whereabouts:
    """Where the liquid of `start` is. shares, balances: of `start` and of all that was made of it.

    whole_ul: what its own parents came to, none for a lot that was bought. What is put back is taken off what
    had gone to that boundary, which may so be below zero.
    """
    came_in = Fraction(whole_ul)
    standing: dict[int, Fraction] = defaultdict(Fraction)
    gone: dict[str, Fraction] = defaultdict(Fraction)
    for balance in balances:
        part = shares.get(balance.lot, Fraction()) * balance.volume_ul
        if balance.kind == HOLDING:
            standing[balance.place] += part
        elif balance.kind in SOURCES:
            came_in -= part
        elif balance.kind not in INSIDE:
            gone[WASTE.get(balance.kind, balance.kind)] += part
    lost_in = {run.place: _lost(start, whole_ul, shares, run) for run in runs}
    # A loss in a run is booked on one lot of the run: it stands with the run, not with that lot.
    for run in runs:
        for kind, by_lot in run.booked_on.items():
            booked = sum((shares.get(lot, Fraction()) * ul for lot, ul in by_lot.items()), Fraction())
            gone[WASTE.get(kind, kind)] -= booked
    return Whereabouts(came_in, _some(standing), _some(gone), {p: x for p, x in lost_in.items() if x})


def _lost(start: int, whole_ul: int, shares: Mapping[int, Fraction], run: RunFlows) -> dict[str, Fraction]:
    """Of what went in and did not come back, by kind of boundary in the proportions of the whole run."""
    missing = sum((shares.get(lot, Fraction()) * ul for lot, ul in run.charged.items()), Fraction())
    for lot, volume_ul in run.made.items():
        if lot != start or not whole_ul:  # what it was made of came in as a whole
            missing -= shares.get(lot, Fraction()) * volume_ul
    parts = {kind: ul for kind, ul in {**run.lost, IN_RUN: run.held}.items() if ul}
    total = sum(parts.values())
    if not total:
        return _some({ROUNDING: missing})
    return _some({kind: missing * Fraction(ul, total) for kind, ul in parts.items()})


Key = TypeVar("Key", int, str)


def _some(found: Mapping[Key, Fraction]) -> dict[Key, Fraction]:
    return {key: volume_ul for key, volume_ul in found.items() if volume_ul}

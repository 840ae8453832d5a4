"""What a lot is made of and where it went, as exact shares: pure arithmetic over lots and their parents.

An edge says how much of a parent went into a lot. A lot is never its own ancestor: it is made after its
parents, and of them. What would be a circle all the same is refused, never walked.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from graphlib import CycleError, TopologicalSorter
from math import lcm

from recovery.rules.shares import split_in_proportion

RECOVERED, BLEND = "recovered", "blend"
DENOMINATOR_BITS, FINEST = 2048, 2**128


class CircleError(ValueError):
    """Some lots are their own ancestors."""


@dataclass(frozen=True, slots=True)
class Edge:
    """`volume_ul` (> 0) of `parent` went into `lot`, all of whose parents come to `whole_ul`."""

    lot: int
    parent: int
    volume_ul: int
    whole_ul: int = 0


@dataclass(frozen=True)
class Lineage:
    """Lots with their parents, `start` among them or not."""

    edges: tuple[Edge, ...]

    @cached_property
    def parents(self) -> Mapping[int, Sequence[Edge]]:
        found: dict[int, list[Edge]] = defaultdict(list)
        for edge in sorted(self.edges, key=lambda edge: (edge.lot, edge.parent)):
            found[edge.lot].append(edge)
        return found

    @cached_property
    def parents_first(self) -> Sequence[int]:
        """Every lot after all its parents. Raises CircleError."""
        graph = TopologicalSorter({lot: [e.parent for e in edges] for lot, edges in self.parents.items()})
        try:
            return tuple(graph.static_order())
        except CycleError as error:
            raise CircleError(f"lots in a circle: {error.args[1]}") from error


def generations(lineage: Lineage, start: int, *, back: bool) -> dict[int, int]:
    """Lot → the least number of steps from `start`, back to parents or forth to what was made of it."""
    towards: dict[int, list[int]] = defaultdict(list)
    for edge in lineage.edges:
        near, far = (edge.lot, edge.parent) if back else (edge.parent, edge.lot)
        towards[near].append(far)
    found, frontier, steps = {start: 0}, [start], 0
    while frontier:
        steps += 1
        frontier = list(dict.fromkeys(far for near in frontier for far in towards[near] if far not in found))
        found.update(dict.fromkeys(frontier, steps))
    return found


def made_of(lineage: Lineage, start: int) -> dict[int, int]:
    """Ancestor → how many whole µl of the liquid of `start` went through it, `start` itself included.

    What its parents came to is split over them in proportion, and so on back, with nothing lost to rounding:
    over the lots without parents it sums to the whole again. Raises CircleError.
    """
    carried: dict[int, int] = defaultdict(int)
    carried[start] = sum(edge.volume_ul for edge in lineage.parents.get(start, ()))
    for lot in reversed(lineage.parents_first):
        edges = lineage.parents.get(lot, ())
        if not edges or lot not in carried:
            continue
        parts = split_in_proportion(carried[lot], [edge.volume_ul for edge in edges])
        for edge, part in zip(edges, parts, strict=True):
            carried[edge.parent] += part
    return dict(carried)


def shares_of(lineage: Lineage, start: int) -> dict[int, Fraction]:
    """Lot → which part of it is liquid of `start`, for what was made of `start`. Raises CircleError.

    Each edge must carry its `whole_ul`, since other parents need not be among the edges.
    """
    share: dict[int, Fraction] = defaultdict(Fraction)
    share[start] = Fraction(1)
    for lot in lineage.parents_first:
        for edge in lineage.parents.get(lot, ()):
            if lot != start:
                share[lot] += share[edge.parent] * Fraction(edge.volume_ul, edge.whole_ul)
        share[lot] = bounded(share[lot])
    return dict(share)


def bounded(share: Fraction) -> Fraction:
    """The share itself, unless a bottle topped up hundreds of times has made it unwieldy: then to 2^-128.

    That is exact far below a microlitre of the largest container, and keeps the cost of a step from growing.
    """
    if share.denominator.bit_length() <= DENOMINATOR_BITS:
        return share
    return Fraction(round(share * FINEST), FINEST)


def recovered_share(lineage: Lineage, start: int, origins: Mapping[int, str]) -> Fraction:
    """Which part of a lot was distilled back here: all of a recovered one, of a blend what its parts are.

    Whole µl of each part, rounded down: less is the worse. Anything else, and a blend without known parts,
    is none: what is not known is not counted.
    """
    shares: dict[int, Fraction] = {}
    for lot in dict.fromkeys([*lineage.parents_first, start]):
        origin, edges = origins.get(lot, ""), lineage.parents.get(lot, ())
        if origin == BLEND and edges:
            whole = sum(edge.volume_ul for edge in edges)
            held = sum(int(edge.volume_ul * shares.get(edge.parent, Fraction())) for edge in edges)
            shares[lot] = Fraction(held, whole)
        else:
            shares[lot] = Fraction(int(origin == RECOVERED))
    return shares[start]


@dataclass(frozen=True, slots=True)
class LotFact:
    """What is asked of a lot. times_distilled: as recorded, the most of any of its parts."""

    origin: str
    times_distilled: int


def times_distilled(lineage: Lineage, start: int, facts: Mapping[int, LotFact]) -> dict[int, Fraction]:
    """How often distilled → which part of the lot. Distilling adds one to all that went in.

    A lot without known parents is all as its own record says. Raises CircleError.
    """
    spread: dict[int, dict[int, Fraction]] = {}
    for lot in dict.fromkeys([*lineage.parents_first, start]):
        fact, edges = facts[lot], lineage.parents.get(lot, ())
        spread[lot] = _mixed(spread, edges, fact) if edges else {fact.times_distilled: Fraction(1)}
    return dict(sorted(spread[start].items()))


def _mixed(
    spread: Mapping[int, Mapping[int, Fraction]], edges: Iterable[Edge], fact: LotFact
) -> dict[int, Fraction]:
    edges = list(edges)
    whole = sum(edge.volume_ul for edge in edges)
    once_more = int(fact.origin == RECOVERED)
    found: dict[int, Fraction] = defaultdict(Fraction)
    for edge in edges:
        for times, part in spread[edge.parent].items():
            found[times + once_more] += part * Fraction(edge.volume_ul, whole)
    return {times: bounded(part) for times, part in found.items()}


def split_by_shares(total_ul: int, shares: Mapping[int, Fraction]) -> dict[int, int]:
    """Whole µl in proportion to exact shares, nothing lost to rounding."""
    common = lcm(*(share.denominator for share in shares.values()))
    parts = split_in_proportion(total_ul, [int(share * common) for share in shares.values()])
    return dict(zip(shares, parts, strict=True))

"""Shares of lots in lots, by small cases worked out by hand and by what must always hold."""

from __future__ import annotations

import time
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.lineage import (
    CircleError,
    Edge,
    Lineage,
    LotFact,
    generations,
    made_of,
    recovered_share,
    shares_of,
    split_by_shares,
    times_distilled,
)


def lineage(*edges: tuple[int, int, int]) -> Lineage:
    whole: dict[int, int] = {}
    for lot, _, volume_ul in edges:
        whole[lot] = whole.get(lot, 0) + volume_ul
    return Lineage(tuple(Edge(lot, parent, ul, whole[lot]) for lot, parent, ul in edges))


# Lot 3 is 300 of lot 1 and 100 of lot 2; lot 4 was distilled from 200 of it; lot 5 is 100 of 4 and 100 of 1.
FAMILY = lineage((3, 1, 300), (3, 2, 100), (4, 3, 200), (5, 4, 100), (5, 1, 100))


def test_back() -> None:
    assert made_of(FAMILY, 5) == {5: 200, 4: 100, 1: 175, 3: 100, 2: 25}
    assert generations(FAMILY, 5, back=True) == {5: 0, 1: 1, 4: 1, 3: 2, 2: 3}


def test_forth() -> None:
    assert shares_of(FAMILY, 2) == {2: 1, 3: Fraction(1, 4), 4: Fraction(1, 4), 5: Fraction(1, 8), 1: 0}
    assert shares_of(FAMILY, 1)[5] == Fraction(1, 2) + Fraction(1, 2) * Fraction(3, 4)
    assert generations(FAMILY, 2, back=False) == {2: 0, 3: 1, 4: 2, 5: 3}


def test_nothing_is_made_of_a_lot_without_edges() -> None:
    assert made_of(lineage(), 7) == {7: 0}
    assert shares_of(lineage(), 7) == {7: 1}


def test_odd_microlitres_are_not_lost() -> None:
    thirds = lineage((4, 1, 1), (4, 2, 1), (4, 3, 1), (5, 4, 2), (5, 1, 1))
    found = made_of(thirds, 5)
    assert found[1] + found[2] + found[3] == 3


def test_circles_are_refused() -> None:
    circle = lineage((1, 2, 5), (2, 3, 5), (3, 1, 5))
    for work in (made_of, shares_of):
        with pytest.raises(CircleError):
            work(circle, 1)
    assert generations(circle, 1, back=True) == {1: 0, 2: 1, 3: 2}


def test_what_was_distilled_here() -> None:
    origins = {1: "purchased", 2: "recovered", 3: "blend", 4: "recovered", 5: "blend", 6: "not-known"}
    assert recovered_share(FAMILY, 3, origins) == Fraction(1, 4)
    assert recovered_share(FAMILY, 4, origins) == 1
    assert recovered_share(FAMILY, 5, origins) == Fraction(1, 2)
    assert recovered_share(lineage(), 6, origins) == 0
    assert recovered_share(lineage(), 9, {9: "blend"}) == 0


def test_parts_of_a_microlitre_are_not_counted_as_distilled() -> None:
    """A third of 10 µl is 3: less put back in is the worse."""
    twice = lineage((3, 1, 1), (3, 2, 2), (4, 3, 10), (4, 2, 10))
    origins = {1: "recovered", 2: "purchased", 3: "blend", 4: "blend"}
    assert recovered_share(twice, 4, origins) == Fraction(3, 20)


def test_a_bottle_topped_up_thousands_of_times_costs_little() -> None:
    """Exact shares of so long a line have numbers of tens of thousands of digits; they are cut to 2^-128."""
    tops = 3000
    edges = [
        edge for lot in range(2, tops) for edge in ((lot, lot - 1, 900_001), (lot, 10_000 + lot, 99_991))
    ]
    line = lineage(*edges)
    began = time.process_time()
    shares = shares_of(line, 1)
    assert float(shares[tops - 1]) == pytest.approx((900_001 / 999_992) ** (tops - 2), rel=1e-6)
    assert max(share.denominator.bit_length() for share in shares.values()) <= 2048 + 64
    assert generations(line, 1, back=False)[tops - 1] == tops - 2
    facts = {lot: LotFact("blend", lot % 2) for lot in {e for edge in edges for e in edge[:2]}}
    spread = times_distilled(line, tops - 1, facts)
    assert abs(sum(spread.values(), Fraction()) - 1) < Fraction(1, 2**100)
    assert time.process_time() - began < 10


def test_how_often_distilled() -> None:
    facts = {
        1: LotFact("purchased", 0),
        2: LotFact("recovered", 2),
        3: LotFact("blend", 2),
        4: LotFact("recovered", 3),
        5: LotFact("blend", 3),
    }
    assert times_distilled(FAMILY, 5, facts) == {
        0: Fraction(1, 2), 1: Fraction(3, 8), 3: Fraction(1, 8),
    }  # fmt: skip
    assert times_distilled(FAMILY, 2, facts) == {2: 1}


def test_shares_of_a_volume() -> None:
    assert split_by_shares(100, {0: Fraction(1, 3), 1: Fraction(2, 3)}) == {0: 33, 1: 67}
    assert split_by_shares(0, {4: Fraction(1)}) == {4: 0}


@st.composite
def families(draw: st.DrawFn) -> Lineage:
    """Lots from 1 on; the first three have no parents, each later one up to three among those before it."""
    edges = []
    for lot in range(4, 4 + draw(st.integers(1, 12))):
        for parent in draw(st.sets(st.integers(1, lot - 1), min_size=1, max_size=3)):
            edges.append((lot, parent, draw(st.integers(1, 10**9))))
    return lineage(*edges)


@given(family=families())
def test_back_to_the_roots_nothing_is_lost(family: Lineage) -> None:
    newest = max(family.parents)
    found = made_of(family, newest)
    assert sum(ul for lot, ul in found.items() if lot not in family.parents) == found[newest]
    assert set(found) == set(generations(family, newest, back=True))


@given(family=families())
def test_shares_of_all_roots_make_a_whole(family: Lineage) -> None:
    newest = max(family.parents)
    everything = {edge.parent for edge in family.edges}
    roots = [lot for lot in everything if lot not in family.parents]
    assert sum(shares_of(family, root).get(newest, Fraction()) for root in roots) == 1


@given(family=families())
def test_forth_and_back_agree(family: Lineage) -> None:
    """Two ways to the same figure: along the parents in whole µl, and along what was made in exact shares."""
    newest = max(family.parents)
    back = made_of(family, newest)
    for root in {edge.parent for edge in family.edges} - set(family.parents):
        exact = shares_of(family, root).get(newest, Fraction()) * back[newest]
        assert abs(exact - back.get(root, 0)) <= len(family.edges)


@given(family=families(), distilled=st.sets(st.integers(1, 16)))
def test_the_spread_of_distillations_is_whole(family: Lineage, distilled: set[int]) -> None:
    lots = {edge.lot for edge in family.edges} | {edge.parent for edge in family.edges}
    facts = {lot: LotFact("recovered" if lot in distilled else "blend", 0) for lot in lots}
    found = times_distilled(family, max(family.parents), facts)
    assert sum(found.values()) == 1
    assert sum(split_by_shares(12_345_679, found).values()) == 12_345_679

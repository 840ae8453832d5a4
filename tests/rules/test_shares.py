"""Splitting in proportion: nothing is lost to rounding, and nobody is off by a whole part."""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.shares import split_in_proportion

WEIGHTS = st.lists(st.integers(0, 10**12), min_size=1, max_size=12).filter(any)


@given(total=st.integers(0, 10**12), weights=WEIGHTS)
def test_parts_sum_exactly_and_are_fair_within_one(total: int, weights: list[int]) -> None:
    """The quota rule, which the largest remainder method meets (Balinski and Young; from memory)."""
    parts = split_in_proportion(total, weights)
    assert sum(parts) == total
    for part, weight in zip(parts, weights, strict=True):
        assert abs(part - Fraction(total * weight, sum(weights))) < 1


@given(total=st.integers(0, 10**9), weights=WEIGHTS)
def test_a_larger_weight_never_gets_less(total: int, weights: list[int]) -> None:
    by_weight = sorted(zip(weights, split_in_proportion(total, weights), strict=True))
    for (light, less), (heavy, more) in itertools.pairwise(by_weight):
        assert light == heavy or less <= more


def test_the_largest_remainders_get_what_is_left() -> None:
    """By hand: 10 by 1 : 1 : 1 are 3⅓ each; 7 by 2 : 3 : 5 are 1.4, 2.1 and 3.5."""
    assert split_in_proportion(10, [1, 1, 1]) == [4, 3, 3]
    assert split_in_proportion(7, [2, 3, 5]) == [1, 2, 4]
    assert split_in_proportion(5, [0, 1]) == [0, 5]
    assert split_in_proportion(0, [3, 4]) == [0, 0]


@pytest.mark.parametrize(("total", "weights"), [(-1, [1]), (1, [0, 0]), (1, []), (1, [2, -1])])
def test_what_cannot_be_split_is_refused(total: int, weights: list[int]) -> None:
    with pytest.raises(ValueError, match="positive sum"):
        split_in_proportion(total, weights)

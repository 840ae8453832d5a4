"""The day to reorder: by hand where the use is even, and against a simulation where it is not."""

from __future__ import annotations

import random
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.consumption import MONTH_DAYS, outlook

TODAY = date(2026, 3, 10)


def test_an_even_use_has_no_band() -> None:
    """100 mL a month, 500 mL above the minimum: five months of 30.4375 days."""
    found = outlook([100_000] * 6, stock_ul=700_000, minimum_ul=200_000, today=TODAY)
    assert found.code == "forecast"
    assert found.reorder_on == found.earliest_on == found.latest_on == TODAY + timedelta(days=152)
    assert (found.low_ul, found.high_ul) == (100_000, 100_000)


def test_the_band_of_the_next_month_against_scipy() -> None:
    """Prediction interval of one further value, by SciPy's t."""
    stats = pytest.importorskip("scipy.stats")
    uses = [120_000, 80_000, 95_000, 110_000, 101_000]
    found = outlook(uses, stock_ul=10**6, minimum_ul=0, today=TODAY)
    mean = sum(uses) / 5
    spread = (sum((use - mean) ** 2 for use in uses) / 4) ** 0.5
    low, high = stats.t.interval(0.95, 4, loc=mean, scale=spread * (1 + 1 / 5) ** 0.5)
    assert found.low_ul == pytest.approx(low, rel=1e-6)
    assert found.high_ul == pytest.approx(high, rel=1e-6)


def test_few_months_give_no_forecast() -> None:
    for uses in ([], [1], [1, 2]):
        found = outlook(uses, stock_ul=10**6, minimum_ul=0, today=TODAY)
        assert (found.code, found.reorder_on, found.spread_ul) == ("few-months", None, None)
    assert "band is wide" in outlook([9, 8, 7], stock_ul=100, minimum_ul=0, today=TODAY).words


def test_no_use_and_no_room() -> None:
    for stock in (0, 10):
        assert outlook([0] * 12, stock_ul=stock, minimum_ul=0, today=TODAY).code == "no-use"
    assert outlook([0] * 12, stock_ul=0, minimum_ul=5, today=TODAY).code == "reached"
    assert outlook([1] * 12, stock_ul=0, minimum_ul=0, today=TODAY).code == "reached"
    found = outlook([5, 6, 7], stock_ul=10, minimum_ul=10, today=TODAY)
    assert (found.code, found.reorder_on, found.earliest_on) == ("reached", TODAY, TODAY)


def test_an_uneven_use_may_last_for_ever() -> None:
    found = outlook([0, 0, 600_000], stock_ul=10**6, minimum_ul=0, today=TODAY)
    assert found.latest_on is None and found.earliest_on is not None
    assert "beyond ten years" in found.words


def test_only_the_last_twelve_months_count() -> None:
    assert outlook([10**9, *[100] * 12], stock_ul=10**6, minimum_ul=0, today=TODAY).mean_ul == 100


@given(
    uses=st.lists(st.integers(0, 10**9), min_size=3, max_size=12),
    stock=st.integers(1, 10**10),
    more=st.integers(0, 10**9),
)
def test_the_days_are_in_order_and_more_stock_never_brings_them_forward(
    uses: list[int], stock: int, more: int
) -> None:
    found = outlook(uses, stock_ul=stock, minimum_ul=0, today=TODAY)
    days = [day or date.max for day in (found.earliest_on, found.reorder_on, found.latest_on)]
    assert days == sorted(days)
    richer = outlook(uses, stock_ul=stock + more, minimum_ul=0, today=TODAY)
    assert (richer.earliest_on or date.max) >= (found.earliest_on or date.max)


def test_the_band_holds_as_often_as_it_says() -> None:
    """1500 stocks used up by normal months from the same source as the months on record: 95 % within."""
    chance = random.Random(20260310)
    n, within, tried = 8, 0, 1500
    for _ in range(tried):
        uses = [round(chance.gauss(100_000, 20_000)) for _ in range(n)]
        found = outlook(uses, stock_ul=600_000, minimum_ul=0, today=TODAY)
        assert found.earliest_on is not None
        # The band is of what a given number of months uses: six months, the room there is at the mean.
        t_half = (found.high_ul or 0) - found.mean_ul
        spread = t_half / (1 + 1 / n) ** 0.5
        used = sum(chance.gauss(100_000, 20_000) for _ in range(6))
        within += abs(used - 6 * found.mean_ul) <= spread * (6 + 36 / n) ** 0.5
    assert 0.935 <= within / tried <= 0.965


def test_the_earliest_day_is_where_the_upper_band_reaches_the_stock() -> None:
    uses, stock = [120_000, 80_000, 95_000, 110_000, 101_000], 900_000
    found = outlook(uses, stock_ul=stock, minimum_ul=0, today=TODAY)
    spread = ((found.high_ul or 0) - found.mean_ul) / (1 + 1 / 5) ** 0.5
    for day, sign in ((found.earliest_on, 1), (found.latest_on, -1)):
        assert day is not None
        h = (day - TODAY).days / MONTH_DAYS
        reached = h * found.mean_ul + sign * spread * (h + h * h / 5) ** 0.5
        assert reached == pytest.approx(stock, abs=found.mean_ul / 10)

"""Turnover and savings by hand, and what must hold for any months."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.solvent_balance import Cell, SolventFlows, balance_of
from recovery.rules.solvent_terms import load_terms
from recovery.rules.solvent_use import Month, Price, Use, months_of, ratio, spared

TABLE = load_terms()
JANUARY, FEBRUARY, MARCH = (date(2026, month, 1) for month in (1, 2, 3))
KINDS = ("container", "run", "supplier", "air", "product", "reaction", "unaccounted", "waste-container")


def month(of: date, reused_ul: int) -> Month:
    return Month(of, 0, 0, 0, 0, 0, reused_ul, 0)


def price(since: date, per_litre: str, waste: str | None = None, currency: str = "EUR") -> Price:
    return Price(since, Decimal(per_litre), Decimal(waste) if waste else None, currency)


def test_each_month_has_the_price_at_its_end() -> None:
    """1 L at 30 in January, 2 L at 40 from the last day of February on; waste 5 a litre from then."""
    prices = [price(date(2025, 12, 31), "30"), price(date(2026, 2, 28), "40", "5")]
    (found,) = spared([month(JANUARY, 1_000_000), month(FEBRUARY, 2_000_000)], prices)
    assert (found.not_bought, found.not_thrown_away, found.priced_ul) == (
        Decimal(110),
        Decimal(10),
        3_000_000,
    )


def test_months_before_the_first_price_count_nothing() -> None:
    found = spared([month(JANUARY, 10), month(FEBRUARY, 500_000)], [price(FEBRUARY, "1")])
    assert [(each.not_bought, each.priced_ul) for each in found] == [(Decimal("0.50"), 500_000)]
    assert spared([month(JANUARY, 10)], []) == []


def test_unlike_currencies_are_not_added() -> None:
    prices = [price(JANUARY, "10"), price(MARCH, "12", currency="SEK")]
    found = spared([month(JANUARY, 10**6), month(MARCH, 10**6)], prices)
    assert [(each.currency, each.not_bought) for each in found] == [
        ("EUR", Decimal(10)),
        ("SEK", Decimal(12)),
    ]


def test_december_ends_with_the_year() -> None:
    (found,) = spared([month(date(2025, 12, 1), 10**6)], [price(date(2025, 12, 31), "7")])
    assert found.not_bought == 7


def test_ratios() -> None:
    assert ratio(1, 3) == Decimal("0.3333")
    assert ratio(1, 0) is None
    assert Use(()).turnover is None


@given(
    cells=st.lists(st.builds(Cell, st.sampled_from(KINDS), st.sampled_from(KINDS), st.integers(0, 10**9))),
    cut=st.integers(0, 20),
)
def test_months_add_up_to_the_balance_of_the_period(cells: list[Cell], cut: int) -> None:
    """Two ways to I1: month by month from the outputs, and from the stock at both ends."""
    moved = {JANUARY: cells[:cut], MARCH: cells[cut:]}
    use = Use(months_of(moved, {MARCH: 7}, (JANUARY, FEBRUARY, MARCH), TABLE, standing_ul=0))
    whole = balance_of(SolventFlows("e", "E", Decimal(700), (), tuple(cells)), TABLE)
    assert use.used_up_ul == whole.volume.i1
    assert use.reused_ul == 7
    held = sum(c.volume_ul for c in cells if c.destination == "container")
    assert use.months[-1].standing_ul == held - sum(c.volume_ul for c in cells if c.source == "container")
    assert use.months[1].used_up_ul == 0

"""How long strips and solutions last: our choices, except that nothing runs past the maker's expiry."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.methods import METHODS
from inventory.rules.reagent_life import LIVES, REAGENT_METHODS, expired_on, fits, use_by

days = st.dates(date(2020, 1, 1), date(2032, 12, 31))
maybe = st.none() | days
NONE = {"expiry_on": None, "opened_on": None, "standardised_on": None}


@pytest.mark.parametrize(
    ("method", "dates", "on"),
    [
        ("strip-25", {"opened_on": date(2026, 1, 31)}, date(2026, 7, 31)),
        ("strip-25", {"opened_on": date(2025, 8, 31)}, date(2026, 2, 28)),
        ("strip-100", {"opened_on": date(2026, 1, 31), "expiry_on": date(2026, 3, 31)}, date(2026, 3, 31)),
        ("strip-25", {"standardised_on": date(2026, 1, 31)}, None),
        ("iodide-visual", {"opened_on": date(2026, 2, 28)}, date(2026, 3, 1)),
        ("iodometric-titration", {"standardised_on": date(2026, 1, 31)}, date(2026, 2, 28)),
        ("peroxide-number", {"opened_on": date(2026, 1, 31)}, None),
        ("peroxide-number", {}, None),
    ],
)
def test_use_by(method: str, dates: dict[str, date], on: date | None) -> None:
    found = use_by(method, **(NONE | dates))
    assert found.on == on
    assert found.words
    assert found.source


@given(st.sampled_from(REAGENT_METHODS), maybe, maybe, maybe)
def test_nothing_runs_past_the_makers_expiry(
    method: str, expiry_on: date | None, opened_on: date | None, standardised_on: date | None
) -> None:
    found = use_by(method, expiry_on=expiry_on, opened_on=opened_on, standardised_on=standardised_on)
    if expiry_on is not None:
        assert found.on is not None
        assert found.on <= expiry_on
    sooner = use_by(
        method,
        expiry_on=expiry_on and expiry_on - timedelta(days=3),
        opened_on=opened_on and opened_on - timedelta(days=3),
        standardised_on=standardised_on,
    )
    assert (sooner.on or date.max) <= (found.on or date.max)


@given(maybe, maybe, days)
def test_the_last_day_is_good_and_a_missing_date_is_not_known(
    use_by_on: date | None, tested_on: date | None, recorded_on: date
) -> None:
    found = expired_on(use_by_on, tested_on, recorded_on=recorded_on)
    assert (found is None) == (use_by_on is None)
    if use_by_on is not None:
        assert found == (use_by_on < (tested_on or recorded_on))


def test_every_method_with_a_reagent_has_a_life() -> None:
    assert set(LIVES) == {key for key, method in METHODS.items() if method.reagent} == set(REAGENT_METHODS)
    assert fits("peroxide-number", "iodometric-titration")
    assert not fits("strip-25", "strip-100")

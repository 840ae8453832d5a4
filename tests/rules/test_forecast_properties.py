"""What must hold for the forecast of any readings."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.rules.forecast import READINGS_MIN, Point, forecast
from inventory.rules.methods import METHODS

DAYS = st.dates(date(2020, 1, 1), date(2026, 12, 31))
AMOUNTS = st.decimals(0, 120, places=2)
WILD = st.decimals(0, 10**9, places=6) | st.sampled_from([Decimal("NaN"), Decimal("Infinity"), Decimal(-1)])
STEPS = st.sampled_from(METHODS["strip-25"].steps_mg_per_l[1:-1])


def points(amounts: st.SearchStrategy[Decimal], methods: st.SearchStrategy[str]) -> st.SearchStrategy[Point]:
    return st.builds(
        lambda day, low, width, method: Point(day, low, None if width is None else low + width, method),
        st.dates() | DAYS,
        amounts,
        st.none() | st.just(Decimal(0)) | AMOUNTS,
        methods,
    )


STRIPS = st.lists(
    st.builds(lambda day, step: Point(day, step, step, "strip-25"), DAYS, STEPS),
    min_size=READINGS_MIN,
    max_size=7,
)


@settings(deadline=None)
@given(
    st.lists(points(AMOUNTS | WILD, st.sampled_from([*METHODS, "one-that-is-not"])), max_size=8),
    st.decimals(-1, 1000, places=3),
)
def test_nothing_is_raised_and_the_words_are_there(told: list[Point], level: Decimal) -> None:
    got = forecast(told, level)
    assert got.words
    assert (got.on is not None) == (got.code == "forecast")


@settings(deadline=None, max_examples=30)
@given(st.lists(points(AMOUNTS, st.just("strip-25")), min_size=4, max_size=8))
def test_a_picture_changes_nothing_of_what_is_said(told: list[Point]) -> None:
    plain, drawn = forecast(told, Decimal(25)), forecast(told, Decimal(25), samples=2)
    assert (plain.code, plain.words, plain.on) == (drawn.code, drawn.words, drawn.on)
    assert all(p.low_mg_per_l <= p.line_mg_per_l <= p.high_mg_per_l for p in drawn.band)


@settings(deadline=None, max_examples=60)
@given(STRIPS, st.integers(-2000, 2000), st.randoms(use_true_random=False))
def test_other_days_shift_it_and_another_order_does_not(told: list[Point], days: int, random: object) -> None:
    shift = timedelta(days=days)
    moved = [Point(p.day + shift, p.lower_mg_per_l, p.upper_mg_per_l, p.method) for p in told]
    random.shuffle(moved)  # type: ignore[attr-defined]
    here, there = forecast(told, Decimal(25)), forecast(moved, Decimal(25))
    assert here.code == there.code
    assert there.on == (None if here.on is None else here.on + shift)


@settings(deadline=None, max_examples=60)
@given(STRIPS)
def test_it_comes_after_the_last_reading_and_no_later_for_a_lower_level(told: list[Point]) -> None:
    high, low = forecast(told, Decimal(50)), forecast(told, Decimal(25))
    if high.on is not None and low.code != "level-reached":
        assert low.on is not None
        assert max(p.day for p in told) < low.on <= high.on


@settings(deadline=None, max_examples=60)
@given(STRIPS, st.data())
def test_what_says_nothing_changes_nothing(told: list[Point], data: st.DataObject) -> None:
    """A doubtful reading without bounds, even of another method."""
    empty = Point(data.draw(DAYS), Decimal(0), None, data.draw(st.sampled_from(sorted(METHODS))))
    assert forecast([*told, empty], Decimal(25)) == forecast(told, Decimal(25))

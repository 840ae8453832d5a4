"""Which bottles to take: never more than there is, only what is fit, first to expire first."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.levels import LEVELS
from recovery.rules.stock_choice import Bottle, choose

DAY = date(2026, 3, 10)
bottles = st.lists(
    st.builds(
        Bottle,
        container_id=st.integers(1, 10_000),
        code=st.just("B"),
        volume_ul=st.integers(1, 2_000_000),
        recovered=st.booleans(),
        times_distilled=st.integers(0, 3),
        opened=st.booleans(),
        ends_on=st.none() | st.integers(0, 900).map(lambda n: DAY + timedelta(days=n)),
        level=st.sampled_from(LEVELS),
        allowed=st.booleans(),
    ),
    max_size=12,
)


@given(bottles, st.integers(0, 5_000_000))
def test_what_is_taken_is_fit_and_adds_up(held: list[Bottle], needed_ul: int) -> None:
    found = choose(held, needed_ul)
    assert all(take.bottle.allowed for take in found.takes)
    assert all(0 < take.volume_ul <= take.bottle.volume_ul for take in found.takes)
    assert sum(take.volume_ul for take in found.takes) + found.missing_ul == needed_ul
    fit = [bottle for bottle in held if bottle.allowed]
    assert found.fit_ul == sum(bottle.volume_ul for bottle in fit)
    assert (found.missing_ul == 0) == (found.fit_ul >= needed_ul)
    assert len(found.after_test) + len(found.not_fit) + len(fit) == len(held)
    assert all(bottle.level == "test-first" for bottle in found.after_test)


@given(bottles, st.integers(1, 5_000_000))
def test_first_to_expire_first(held: list[Bottle], needed_ul: int) -> None:
    found = choose(held, needed_ul)
    ends = [take.bottle.ends_on or date.max for take in found.takes]
    assert ends == sorted(ends)
    taken = [take.bottle for take in found.takes]
    left = [bottle for bottle in held if bottle.allowed and bottle not in taken]
    assert all((bottle.ends_on or date.max) >= ends[-1] for bottle in left if ends)
    assert all(take.volume_ul == take.bottle.volume_ul for take in found.takes[:-1])


def test_opened_before_sealed_and_rests_before_full_ones() -> None:
    def bottle(number: int, volume_ul: int, *, opened: bool) -> Bottle:
        return Bottle(number, f"B-{number}", volume_ul, False, 0, opened, DAY, "use", True)

    held = [bottle(1, 500, opened=False), bottle(2, 900, opened=True), bottle(3, 100, opened=True)]
    found = choose(held, 1100)
    assert [(take.bottle.container_id, take.volume_ul) for take in found.takes] == [
        (3, 100),
        (2, 900),
        (1, 100),
    ]

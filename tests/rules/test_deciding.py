"""Which test counts: a later reading answers an earlier one only when it decides something.

The level of 25 mg/L is that of Michigan State EHS; that expired strips may harm and never help is our choice.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from inventory.rules.deciding import Held, Judge, counting_test, deciding
from inventory.rules.deciding import Tested as Row
from inventory.rules.deciding import Tests as Known
from inventory.rules.peroxide import Reading
from inventory.rules.policy_data import load_policies

JUDGE = Judge(load_policies()["cautious-default"], Decimal("889"))
DAY = date(2026, 3, 10)
MADE_AT = datetime(2026, 1, 1, tzinfo=UTC)
HERE = Held(1, 1, None, MADE_AT)


def at(
    number: int, days: int | None, lower: str, upper: str | None, *, expired: bool = False, **where: int
) -> Row:
    """A test on the given day after the first; None: undated. number: in which order it was recorded."""
    tested_on = None if days is None else DAY + timedelta(days=days)
    top = None if upper is None else Decimal(upper)
    reading = Reading(Decimal(lower), top, "strip-100", tested_on, expired)
    recorded = datetime(2026, 3, 10, 12, tzinfo=UTC) + timedelta(days=max(days or 0, 0), minutes=number)
    place = {"container_id": 1, "lot_id": 1, **where}
    return Row(
        number, place["container_id"], place["lot_id"], reading, recorded, recorded.date(), None, MADE_AT
    )


GOOD, BAD, DOUBTFUL = ("0", "1"), ("50", "50"), ("1", None)


@pytest.mark.parametrize(
    ("tests", "counts"),
    [
        ([at(1, 0, *GOOD), at(2, 1, *BAD)], 2),
        ([at(1, 0, *BAD), at(2, 1, *GOOD)], 2),
        # A doubtful one answers neither a bad one nor a good one for the better.
        ([at(1, 0, *BAD), at(2, 1, *DOUBTFUL)], 1),
        ([at(1, 0, *GOOD), at(2, 1, *DOUBTFUL)], 2),
        ([at(1, 0, *BAD), at(2, 1, *GOOD, expired=True)], 1),
        ([at(1, 0, *GOOD), at(2, 1, *GOOD, expired=True)], 2),
        ([at(1, 0, *GOOD), at(2, 1, *BAD, expired=True)], 2),
        # Of two on one day the worse one; of an undated one that may be later, the bad one.
        ([at(1, 0, *BAD), at(2, 0, *GOOD)], 1),
        ([at(1, 0, *GOOD), at(2, None, *BAD)], 2),
        ([at(1, None, *BAD), at(2, 1, *GOOD)], 2),
        # A good one later that day answers one that says nothing, and nothing that showed any.
        ([at(1, 0, *GOOD, expired=True), at(2, 0, *GOOD)], 2),
        ([at(1, 0, "0", None), at(2, 0, *GOOD)], 2),
        ([at(1, 0, "0", "50"), at(2, 0, *GOOD)], 2),
        ([at(1, 0, *GOOD), at(2, 0, *GOOD, expired=True)], 2),
        ([at(1, 0, *BAD, expired=True), at(2, 0, *GOOD)], 1),
        ([at(1, 0, "2", "2", expired=True), at(2, 0, *GOOD)], 1),
        ([at(1, 0, *DOUBTFUL), at(2, 0, *GOOD)], 1),
        ([at(1, 0, *GOOD, expired=True), at(2, 0, *BAD), at(3, 0, *GOOD)], 2),
        # Off the scale is worse than what it follows, and takes nothing back.
        ([at(1, 0, "150", "150"), at(2, 1, "30", None)], 1),
        ([at(1, 0, "30", "30"), at(2, 1, "100", None)], 2),
        # What decides and is lower, as after a treatment, takes the place of what it follows.
        ([at(1, 0, "150", "150"), at(2, 1, "30", "30")], 2),
    ],
)
def test_the_test_that_counts(tests: list[Row], counts: int) -> None:
    found = deciding(tests, JUDGE)
    assert found is not None
    assert found.id == counts


def test_of_none_none() -> None:
    assert deciding([], JUDGE) is None
    assert counting_test(HERE, None, Known(), JUDGE, mixed=False) is None


def test_a_good_test_of_ones_own_stands_until_something_is_put_in() -> None:
    own, elsewhere = at(2, 1, *GOOD), at(1, 0, *BAD, container_id=2)
    tests = Known.of([own, elsewhere], {})
    assert counting_test(HERE, own, tests, JUDGE, mixed=False) == own
    assert counting_test(HERE, own, tests, JUDGE, mixed=True) == elsewhere
    assert counting_test(HERE, own, Known.of([own], {}), JUDGE, mixed=True) is None


def test_a_bad_one_comes_along_through_any_number_of_blends() -> None:
    bad = at(1, 0, *BAD, container_id=9, lot_id=9)
    parents = {1: frozenset({2, 3}), 3: frozenset({9})}
    assert counting_test(HERE, None, Known.of([bad], parents), JUDGE, mixed=False) == bad
    # A blend in between that has passed since it was made answers for what is behind it.
    passed = at(2, 1, *GOOD, container_id=3, lot_id=3)
    assert counting_test(HERE, None, Known.of([bad, passed], parents), JUDGE, mixed=False) is None


READINGS = st.tuples(
    st.one_of(st.none(), st.integers(0, 5)),
    st.sampled_from([GOOD, BAD, DOUBTFUL, ("100", None), ("20", "30")]),
    st.booleans(),
)


@given(st.lists(READINGS, max_size=5), READINGS)
# A doubtful one recorded last had hidden an undated bad one of the same day.
@example([(0, GOOD, False), (None, BAD, False)], (0, GOOD, False))
def test_what_is_undated_doubtful_or_expired_never_makes_it_better(
    known: list[tuple[int | None, tuple[str, str | None], bool]],
    more: tuple[int | None, tuple[str, str | None], bool],
) -> None:
    """Adding such a reading leaves the one that counts as grave as before, or graver."""
    tests = [at(n, days, *amount, expired=old) for n, (days, amount, old) in enumerate(known)]
    days, amount, _ = more
    for late in (at(9, None, *amount), at(9, days, *DOUBTFUL), at(9, days, *amount, expired=True)):
        before, after = deciding(tests, JUDGE), deciding([*tests, late], JUDGE)
        assert after is not None
        if before is not None:
            assert JUDGE.gravity(after.reading)[0] >= JUDGE.gravity(before.reading)[0]

"""Due dates against the Cornell and Princeton tables, and the rules for facts that are missing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from inventory.rules.opening import counts_open_from
from inventory.rules.peroxide import PeroxideClass, parse_reading
from inventory.rules.policy_data import load_policies
from inventory.rules.retest import ContainerFacts, Due, Policy, effective_inhibited, next_test

POLICIES = load_policies()
CAUTIOUS, CORNELL, PRINCETON = (POLICIES[key] for key in ("cautious-default", "cornell", "princeton"))
OPENED_ON = date(2024, 1, 15)
RECEIVED_ON = date(2023, 12, 1)
RECORDED_ON = date(2024, 6, 1)

ETHER = ContainerFacts(
    peroxide_class="B",
    inhibited=False,
    origin="purchased",
    opened="opened",
    opened_on=OPENED_ON,
    received_on=RECEIVED_ON,
    made_on=None,
    expiry_on=None,
    last_test=None,
    recorded_on=RECORDED_ON,
)
SEALED = replace(ETHER, opened="unopened", opened_on=None)
DISTILLED = replace(
    ETHER, origin="recovered", opened="unknown", opened_on=None, received_on=None, made_on=OPENED_ON
)


def due(facts: ContainerFacts, policy: Policy = CAUTIOUS, **changes: Any) -> tuple[date | None, str]:
    got = next_test(replace(facts, **changes), policy)
    assert got.reasons
    assert (got.reasons[0].code, got.reasons[0].words) == (got.code, got.words)
    return got.on, got.code


def codes(got: Due) -> set[str]:
    return {reason.code for reason in got.reasons}


@pytest.mark.parametrize(
    ("policy", "peroxide_class", "inhibited", "expected"),
    [
        # Cornell EHS App. J: A 3 months, B 12, C inhibited 12, C uninhibited 24 h, D 12.
        (CORNELL, "A", None, date(2024, 4, 15)),
        (CORNELL, "B", True, date(2025, 1, 15)),
        (CORNELL, "B", False, date(2025, 1, 15)),
        (CORNELL, "C", True, date(2025, 1, 15)),
        (CORNELL, "C", False, date(2024, 1, 16)),
        (CORNELL, "D", False, date(2025, 1, 15)),
        # Princeton EHS: A 3, B 12 inhibited and 3 uninhibited, C 12 or 24 h, D test before use.
        (PRINCETON, "A", None, date(2024, 4, 15)),
        (PRINCETON, "B", True, date(2025, 1, 15)),
        (PRINCETON, "B", False, date(2024, 4, 15)),
        (PRINCETON, "B", None, date(2024, 4, 15)),
        (PRINCETON, "C", True, date(2025, 1, 15)),
        (PRINCETON, "C", None, date(2024, 1, 16)),
        (PRINCETON, "D", True, date(2024, 1, 15)),
        # Cautious default, within Iowa State EHS, Virginia Tech and Tufts (6 months) and Princeton (3, 24 h).
        (CAUTIOUS, "A", True, date(2024, 4, 15)),
        (CAUTIOUS, "B", True, date(2024, 7, 15)),
        (CAUTIOUS, "B", None, date(2024, 4, 15)),
        (CAUTIOUS, "C", True, date(2024, 7, 15)),
        (CAUTIOUS, "C", False, date(2024, 1, 16)),
        (CAUTIOUS, "D", True, date(2024, 7, 15)),
        (CAUTIOUS, "D", False, date(2024, 4, 15)),
        # Of an unknown class the strictest row of any class holds: A inhibited, C uninhibited.
        (CAUTIOUS, "unknown", True, date(2024, 4, 15)),
        (CAUTIOUS, "unknown", None, date(2024, 1, 16)),
    ],
)
def test_opened_by_the_published_tables(
    policy: Policy, peroxide_class: PeroxideClass, inhibited: bool | None, expected: date
) -> None:
    # Received on the day it was opened, so that the opened row alone speaks.
    got = due(ETHER, policy, peroxide_class=peroxide_class, inhibited=inhibited, received_on=OPENED_ON)
    assert got == (expected, "opened-interval")


@pytest.mark.parametrize(
    ("policy", "expected"),
    # Cornell App. J and Princeton EHS: 18 months unopened. Cautious default: 12, our choice.
    [(CORNELL, date(2025, 6, 1)), (PRINCETON, date(2025, 6, 1)), (CAUTIOUS, date(2024, 12, 1))],
)
@pytest.mark.parametrize("peroxide_class", ["A", "B", "C", "D"])
def test_unopened_counts_from_receipt(policy: Policy, expected: date, peroxide_class: PeroxideClass) -> None:
    got = due(SEALED, policy, peroxide_class=peroxide_class, inhibited=True)
    assert got == (expected, "unopened-interval")


def test_uninhibited_monomer_has_a_day_even_unopened() -> None:
    # Cornell and Princeton give class C uninhibited 24 h with no word of unopened bottles. Iowa State has
    # no row of its own for it.
    for key in POLICIES.keys() - {"iowa-state"}:
        assert due(SEALED, POLICIES[key], peroxide_class="C", inhibited=None)[0] == date(2023, 12, 2)


@pytest.mark.parametrize(
    ("opened_on", "expected"),
    # Month-end and leap-day rule as PostgreSQL's intervals: the last day of a shorter month.
    [
        (date(2023, 11, 30), date(2024, 2, 29)),
        (date(2022, 11, 30), date(2023, 2, 28)),
        (date(2024, 2, 29), date(2024, 5, 29)),
    ],
)
def test_month_ends(opened_on: date, expected: date) -> None:
    assert due(ETHER, opened_on=opened_on, received_on=None)[0] == expected


def test_leap_day_and_the_end_of_the_calendar() -> None:
    assert due(ETHER, CORNELL, opened_on=date(2024, 2, 29))[0] == date(2025, 2, 28)
    assert due(ETHER, opened_on=date.max, received_on=None)[0] == date.max
    assert due(ETHER, peroxide_class="C", opened_on=date.max, received_on=None)[0] == date.max


def test_a_solvent_that_forms_none_is_never_due() -> None:
    assert due(ETHER, peroxide_class="none", opened="unknown", opened_on=None) == (None, "not-a-former")


def test_a_reading_at_the_level_outweighs_the_catalogue() -> None:
    reading = parse_reading("30", tested_on=date(2024, 2, 1))
    got = due(ETHER, peroxide_class="none", last_test=reading)
    assert got == (date(2024, 2, 1), "reading-at-or-above-level")


class TestMissingFacts:
    def test_unknown_opening_is_due_from_the_earliest_known_day(self) -> None:
        unknown = replace(ETHER, opened="unknown", opened_on=None)
        assert due(unknown) == (RECEIVED_ON, "opening-date-unknown")
        assert due(unknown, opened="opened") == (RECEIVED_ON, "opening-date-unknown")
        assert due(unknown, received_on=None) == (RECORDED_ON, "opening-date-unknown")
        assert due(unknown, received_on=date(2024, 7, 1)) == (RECORDED_ON, "opening-date-unknown")
        assert next_test(unknown, CAUTIOUS).at_once

    def test_a_passed_test_restarts_it_and_the_reason_stays(self) -> None:
        reading = parse_reading("2", tested_on=date(2024, 5, 10))
        got = next_test(replace(ETHER, opened="unknown", opened_on=None, last_test=reading), CAUTIOUS)
        assert (got.on, got.code) == (date(2024, 8, 10), "after-passed-test")
        assert "opening-date-unknown" in codes(got)
        assert not got.at_once

    def test_unknown_receipt_while_unopened(self) -> None:
        got = due(SEALED, received_on=None, expiry_on=date(2026, 1, 1))
        assert got == (RECORDED_ON, "receipt-date-unknown")

    def test_an_unopened_bottle_with_an_undated_test_was_opened_on_an_unknown_day(self) -> None:
        assert due(SEALED, last_test=parse_reading("2")) == (RECEIVED_ON, "opening-date-unknown")

    def test_unknown_class_and_inhibitor_are_stated(self) -> None:
        got = next_test(replace(ETHER, peroxide_class="unknown", inhibited=None), CAUTIOUS)
        assert {"class-unknown", "inhibitor-unknown"} <= codes(got)

    def test_a_policy_without_a_row(self) -> None:
        assert due(ETHER, replace(CAUTIOUS, rules=())) == (RECEIVED_ON, "no-rule")


class TestReadings:
    @pytest.mark.parametrize(
        ("text", "code"),
        [
            # Michigan State EHS: below 25 usable, 25 is not.
            ("25", "reading-at-or-above-level"),
            (">25", "reading-at-or-above-level"),
            ("100", "reading-at-or-above-level"),
            (">10", "reading-not-decisive"),
            ("neg", "reading-not-decisive"),
            ("<30", "reading-not-decisive"),
        ],
    )
    def test_a_reading_that_does_not_pass_is_due_from_its_day(self, text: str, code: str) -> None:
        tested_on = date(2024, 3, 1)
        assert due(ETHER, last_test=parse_reading(text, tested_on=tested_on)) == (tested_on, code)
        assert due(ETHER, last_test=parse_reading(text)) == (RECORDED_ON, code)

    def test_the_stop_level_is_said(self) -> None:
        # Michigan State EHS: above 100 leave in place and call; Iowa State EHS puts 100 itself there.
        stop = next_test(replace(ETHER, last_test=parse_reading("100")), CAUTIOUS)
        under = next_test(replace(ETHER, last_test=parse_reading("99")), CAUTIOUS)
        # At the end of a strip's scale nothing rules out that it is above: counts as the worst.
        off_scale = parse_reading("25", method="strip-25")
        assert "leave it in place" in next_test(replace(ETHER, last_test=off_scale), CAUTIOUS).words
        assert "leave it in place" in stop.words
        assert "leave it in place" not in under.words

    def test_a_passed_test_restarts_the_opened_clock(self) -> None:
        # USC EHS 2021: after a passed test the class B interval starts again.
        reading = parse_reading("24", tested_on=date(2024, 4, 1))
        assert due(ETHER, last_test=reading) == (date(2024, 7, 1), "after-passed-test")
        assert due(ETHER, CORNELL, last_test=reading) == (date(2025, 4, 1), "after-passed-test")

    def test_an_undated_or_older_test_does_not_help(self) -> None:
        assert due(ETHER, last_test=parse_reading("2")) == (date(2024, 4, 15), "opened-interval")
        older = parse_reading("2", tested_on=date(2024, 1, 14))
        # It was open for that test, whatever day was told later: three months from then.
        assert due(ETHER, last_test=older) == (date(2024, 4, 14), "after-passed-test")
        assert "test-before-clock" in codes(next_test(replace(ETHER, last_test=older), CAUTIOUS))

    def test_a_test_from_before_receipt_is_of_no_use(self) -> None:
        older = parse_reading("2", tested_on=date(2023, 11, 30))
        assert due(ETHER, opened_on=None, last_test=older) == (RECEIVED_ON, "opening-date-unknown")

    def test_a_test_opens_an_unopened_bottle(self) -> None:
        # The later test may not lengthen: 12 months from receipt stay the limit.
        early, late = (parse_reading("2", tested_on=day) for day in (date(2024, 1, 10), date(2024, 11, 1)))
        assert due(SEALED, last_test=early) == (date(2024, 4, 10), "after-passed-test")
        assert due(SEALED, last_test=late) == (date(2024, 12, 1), "unopened-interval")


class TestExpiry:
    def test_it_shortens_and_never_lengthens(self) -> None:
        early, late = date(2024, 2, 1), date(2030, 1, 1)
        for facts in (ETHER, SEALED, DISTILLED):
            assert due(facts, expiry_on=early) == (early, "expiry")
            assert due(facts, expiry_on=late) == due(facts)

    def test_no_passed_test_runs_past_it(self) -> None:
        reading = parse_reading("2", tested_on=date(2024, 4, 1))
        assert due(ETHER, last_test=reading, expiry_on=date(2024, 5, 1)) == (date(2024, 5, 1), "expiry")


class TestMadeHere:
    @pytest.mark.parametrize("origin", ["made-here", "recovered"])
    @pytest.mark.parametrize(
        ("peroxide_class", "expected"),
        # No table has a row for distilled material: handled as uninhibited (Princeton: B 3 months, C 24 h).
        [("A", "2024-04-15"), ("B", "2024-04-15"), ("C", "2024-01-16"), ("D", "2024-04-15")],
    )
    def test_uninhibited_from_the_day_it_was_made(
        self, origin: str, peroxide_class: PeroxideClass, expected: str
    ) -> None:
        facts = replace(DISTILLED, peroxide_class=peroxide_class)
        for claim in (True, False, None):
            got = due(facts, origin=origin, inhibited=claim)
            assert got == (date.fromisoformat(expected), "made-interval")

    def test_a_policy_without_made_rows_lends_the_opened_uninhibited_one(self) -> None:
        assert due(DISTILLED, PRINCETON, inhibited=True) == (date(2024, 4, 15), "made-interval")

    def test_a_claim_is_set_aside_in_words(self) -> None:
        assert "inhibitor-claim-not-used" in codes(next_test(replace(DISTILLED, inhibited=True), CAUTIOUS))
        assert not effective_inhibited(True, "recovered")
        assert effective_inhibited(True, "purchased")
        assert not effective_inhibited(None, "purchased")

    def test_unknown_day_of_making(self) -> None:
        assert due(DISTILLED, made_on=None) == (RECORDED_ON, "made-date-unknown")

    def test_only_a_test_after_making_counts(self) -> None:
        before, after = (parse_reading("2", tested_on=day) for day in (date(2024, 1, 14), date(2024, 4, 1)))
        assert due(DISTILLED, last_test=before) == (date(2024, 4, 15), "made-interval")
        assert due(DISTILLED, last_test=after) == (date(2024, 7, 1), "after-passed-test")


class TestBlend:
    BLEND = replace(ETHER, origin="blend", made_on=date(2024, 3, 1), received_on=None)

    def test_the_oldest_part_keeps_its_clock(self) -> None:
        assert due(self.BLEND) == (date(2024, 4, 15), "opened-interval")
        assert due(self.BLEND, opened="unopened") == (date(2024, 4, 15), "opened-interval")
        assert due(self.BLEND, inhibited=True)[0] == date(2024, 7, 15)

    def test_without_the_opening_of_every_part_it_is_due(self) -> None:
        assert due(self.BLEND, opened_on=None) == (date(2024, 3, 1), "opening-date-unknown")

    def test_only_a_test_of_the_blend_itself_counts(self) -> None:
        part, blend = (parse_reading("2", tested_on=day) for day in (date(2024, 2, 20), date(2024, 3, 1)))
        assert due(self.BLEND, last_test=part)[1] == "opened-interval"
        assert due(self.BLEND, last_test=blend) == (date(2024, 6, 1), "after-passed-test")
        assert due(self.BLEND, last_test=blend, made_on=None)[1] == "opened-interval"


def test_opening_an_overdue_bottle_does_not_renew_it() -> None:
    overdue = replace(ETHER, received_on=date(2022, 1, 10))
    assert due(overdue) == (date(2023, 1, 10), "opened-when-overdue")
    # Class C without inhibitor has its 24 h from receipt already.
    assert due(ETHER, peroxide_class="C") == (date(2023, 12, 2), "opened-when-overdue")
    passed = parse_reading("2", tested_on=date(2024, 1, 15))
    assert due(overdue, last_test=passed) == (date(2024, 4, 15), "after-passed-test")


class TestOpeningPutsNothingOff:
    """Both clocks run until a test has passed: the project's rule that no convenience weakens a date.

    Cornell EHS App. J: class B 18 months unopened, 12 opened; cautious default: 12 and 3.
    """

    LATE = replace(ETHER, received_on=date(2023, 1, 31), opened_on=date(2024, 1, 15))

    @pytest.mark.parametrize(
        ("policy", "opened_on", "expected"),
        [
            (CAUTIOUS, date(2024, 1, 15), (date(2024, 1, 31), "unopened-interval")),
            (CAUTIOUS, date(2024, 1, 31), (date(2024, 1, 31), "unopened-interval")),
            (CAUTIOUS, date(2023, 2, 1), (date(2023, 5, 1), "opened-interval")),
            (CORNELL, date(2024, 1, 15), (date(2024, 7, 31), "unopened-interval")),
        ],
    )
    def test_the_earlier_day_counts(
        self, policy: Policy, opened_on: date, expected: tuple[date, str]
    ) -> None:
        assert due(self.LATE, policy, opened_on=opened_on) == expected

    def test_a_passed_test_ends_it(self) -> None:
        passed = parse_reading("2", tested_on=date(2024, 1, 20))
        assert due(self.LATE, last_test=passed) == (date(2024, 4, 20), "after-passed-test")

    @pytest.mark.parametrize("opened_on", [date(2023, 2, 1), date(2024, 1, 15), date(2024, 1, 31)])
    def test_alone_it_falls_due_no_later(self, opened_on: date) -> None:
        bottle = replace(self.LATE, opened_on=opened_on)
        alone = replace(
            bottle, origin="blend", received_on=None, opened_on=counts_open_from(bottle, CAUTIOUS)
        )
        there, here = next_test(alone, CAUTIOUS).on, next_test(bottle, CAUTIOUS).on
        assert there is not None and here is not None
        assert here - timedelta(days=4) <= there <= here

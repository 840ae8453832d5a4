"""The verdict of one container, fact by fact.

Figures are those of the cautious default, whose sources stand beside them in its file; what a missing fact
comes to is the project's own safety rule.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from inventory.rules.cautions import CAUTIONS
from inventory.rules.levels import LEVEL_WORDS, LEVELS, USES, Use, allows
from inventory.rules.peroxide import NOT_STATED, Reading, parse_reading
from inventory.rules.retest import ContainerFacts
from inventory.rules.signs import SIGNS
from inventory.rules.verdict import Verdict, verdict, verdicts
from tests.rules.facts import FRESH, NEGATIVE, POLICIES, TODAY, with_rules

CAUTIOUS = POLICIES["cautious-default"]
YESTERDAY = date(2024, 5, 31)
UNTESTED = replace(FRESH, last_test=None)


def judge(use: Use = "draw", facts: ContainerFacts = FRESH, policy: str = "", **changes: Any) -> Verdict:
    return verdict(replace(facts, **changes), POLICIES[policy] if policy else CAUTIOUS, use, TODAY)


def lead(
    use: Use = "draw", facts: ContainerFacts = FRESH, policy: str = "", **changes: Any
) -> tuple[str, str]:
    got = judge(use, facts, policy, **changes)
    return got.level, got.reasons[0].code


def test_the_table_of_levels_and_uses() -> None:
    allowed = {level: [use for use in USES if allows(level, use)] for level in LEVELS}
    assert allowed == {
        "use": ["draw", "distil", "keep", "open", "move"],
        "test-first": ["keep", "open", "move"],
        "do-not-distil": ["draw", "keep", "open", "move"],
        "do-not-use": ["move"],
        "do-not-touch": [],
    }
    assert list(LEVEL_WORDS) == list(LEVELS)


def test_a_fresh_bottle_may_be_used_for_everything() -> None:
    for use, got in verdicts(FRESH, CAUTIOUS, TODAY).items():
        assert (got.level, got.allowed) == ("use", True), use
        assert got.words == "Use"
        # Iowa State EHS, Virginia Tech, Tufts: 6 months, anew from the passed test.
        assert got.due_on == date(2024, 12, 1)


class TestDates:
    @pytest.mark.parametrize(
        ("changes", "expected"),
        [
            # 6 months inhibited, 3 without (Princeton EHS): the last day still counts.
            ({"opened_on": date(2023, 12, 1)}, ("use", "opened-interval")),
            ({"opened_on": date(2023, 11, 30)}, ("test-first", "opened-interval")),
            ({"opened_on": date(2024, 2, 29), "inhibited": False}, ("test-first", "opened-interval")),
            ({"opened_on": date(2024, 3, 1), "inhibited": False}, ("use", "opened-interval")),
            ({"opened_on": date(2024, 2, 29), "inhibited": None}, ("test-first", "opened-interval")),
            # Made or distilled here counts as uninhibited, whatever is claimed.
            ({"origin": "recovered", "made_on": date(2024, 2, 29)}, ("test-first", "made-interval")),
            ({"origin": "made-here", "made_on": date(2024, 3, 1)}, ("use", "made-interval")),
            ({"origin": "recovered", "made_on": None}, ("test-first", "made-date-unknown")),
            # Unknown days are due at once, even for what was recorded today.
            ({"opened_on": None}, ("test-first", "opening-date-unknown")),
            ({"opened": "unknown", "opened_on": None}, ("test-first", "opening-date-unknown")),
            ({"opened": "unopened", "opened_on": None, "received_on": None},
             ("test-first", "receipt-date-unknown")),
            ({"opened": "unopened", "opened_on": None, "received_on": date(2023, 5, 31)},
             ("test-first", "unopened-interval")),
            # A day that has not come is no fact yet.
            ({"opened_on": date(2024, 6, 2)}, ("test-first", "opening-date-unknown")),
            ({"forecast_on": YESTERDAY}, ("test-first", "forecast-earlier")),
            ({"forecast_on": TODAY}, ("use", "forecast-earlier")),
        ],
    )  # fmt: skip
    def test_a_former_without_a_test(self, changes: dict[str, Any], expected: tuple[str, str]) -> None:
        changes = {"received_on": changes.get("opened_on"), **changes}
        assert lead(facts=UNTESTED, **changes) == expected

    def test_a_test_before_each_use(self) -> None:
        # Princeton EHS, class D: test before use.
        facts = replace(UNTESTED, peroxide_class="D")
        assert lead("draw", facts, "princeton") == ("test-first", "opened-interval")
        assert judge("draw", facts, "princeton", last_test=NEGATIVE).allowed
        assert not judge("draw", facts, "princeton", last_test=NEGATIVE.on(YESTERDAY)).allowed

    def test_a_test_past_its_interval(self) -> None:
        old: dict[str, Any] = {"opened_on": date(2023, 1, 10), "received_on": date(2023, 1, 10)}
        assert lead(**old, last_test=NEGATIVE.on(date(2023, 12, 1))) == ("use", "after-passed-test")
        assert lead(**old, last_test=NEGATIVE.on(date(2023, 11, 30))) == ("test-first", "after-passed-test")

    def test_the_end_that_no_test_puts_off(self) -> None:
        # USC EHS 2021: class A opened, 3 months, then dispose.
        opened = date(2024, 2, 29)
        old: dict[str, Any] = {"peroxide_class": "A", "opened_on": opened, "received_on": opened}
        assert lead("draw", policy="usc-2021", **old) == ("do-not-use", "opened-interval")
        assert not judge("keep", policy="usc-2021", **old).allowed
        assert judge("move", policy="usc-2021", **old).allowed

    def test_the_makers_date(self) -> None:
        assert lead(expiry_on=YESTERDAY) == ("do-not-use", "expiry")
        assert lead(expiry_on=TODAY)[0] == "use"
        # Iowa State EHS: test at expiry, then every 6 months.
        assert lead(policy="iowa-state", expiry_on=YESTERDAY, last_test=None)[0] == "test-first"
        assert lead(policy="iowa-state", expiry_on=YESTERDAY)[0] == "use"
        opened_after = judge(policy="iowa-state", expiry_on=YESTERDAY, last_test=None)
        assert "opened-after-expiry" in {reason.code for reason in opened_after.reasons}

    def test_inert_gas(self) -> None:
        # USC EHS 2021: class B unstabilised 6 months in air, 12 under nitrogen.
        day = date(2023, 10, 1)
        facts = replace(UNTESTED, inhibited=False, opened_on=day, received_on=day)
        assert lead("draw", facts, "usc-2021")[0] == "test-first"
        assert lead("draw", facts, "usc-2021", atmosphere="unknown")[0] == "test-first"
        assert lead("draw", facts, "usc-2021", atmosphere="inert")[0] == "use"


class TestInhibitor:
    DAY = date(2024, 2, 1)
    DISTILLED = replace(FRESH, origin="recovered", opened_on=DAY, received_on=None, made_on=DAY)

    def test_a_top_up_counts_once_a_test_has_passed_since(self) -> None:
        topped = replace(self.DISTILLED, topped_up_on=date(2024, 2, 10))
        after = replace(topped, last_test=NEGATIVE.on(date(2024, 2, 20)))
        before = replace(topped, last_test=NEGATIVE.on(date(2024, 2, 9)))
        assert judge(facts=after).due_on == date(2024, 8, 20)  # as inhibited: 6 months
        assert judge(facts=before).due_on == date(2024, 5, 9)  # as uninhibited: 3
        assert judge(facts=replace(topped, last_test=None)).due_on == date(2024, 5, 1)

    def test_a_top_up_from_before_distilling_or_treating_is_gone(self) -> None:
        test: dict[str, Any] = {"last_test": NEGATIVE.on(date(2024, 2, 20))}
        gone = replace(self.DISTILLED, topped_up_on=date(2024, 1, 31), **test)
        assert judge(facts=gone).due_on == date(2024, 5, 20)
        treated = replace(FRESH, treated_on=date(2024, 2, 11), topped_up_on=date(2024, 2, 10), **test)
        treated = replace(treated, opened_on=self.DAY, received_on=self.DAY)
        assert judge(facts=treated).due_on == date(2024, 5, 20)

    def test_a_test_from_before_a_treatment_does_not_vouch(self) -> None:
        facts = replace(TestDistilling.SINCE, treated_on=TODAY)
        assert judge("distil", facts, treated_on=YESTERDAY).allowed
        assert lead("distil", facts) == ("test-first", "distil-test-not-of-this")


class TestReadings:
    @pytest.mark.parametrize(
        ("text", "method", "expected"),
        [
            ("25", "strip-25", "do-not-touch"),  # the end of its scale: counts as the worst
            (">25", "iodometric-titration", "do-not-touch"),
            ("30", "strip-100", "do-not-use"),
            ("100", "strip-100", "do-not-touch"),
            (">10", "strip-25", "test-first"),  # neither reached nor ruled out
            ("neg", "iodide-visual", "test-first"),  # not seen below 100 mg/L
            ("neg", NOT_STATED, "test-first"),
            ("neg", "strip-25", "use"),
            ("10", "strip-25", "use"),
        ],
    )
    def test_censored_and_by_the_range_of_the_method(self, text: str, method: str, expected: str) -> None:
        reading = parse_reading(text, method=method, tested_on=TODAY)
        assert judge(last_test=reading).level == expected

    def test_expired_strips_harm_and_never_help(self) -> None:
        old = replace(NEGATIVE, reagent_expired=True)
        assert lead("distil", last_test=old) == ("test-first", "distil-test-reagent-expired")
        assert judge(last_test=old).due_on == date(2024, 12, 1)  # from opening, the same day here
        aged: dict[str, Any] = {"opened_on": date(2023, 11, 1), "received_on": date(2023, 11, 1)}
        assert judge(last_test=old, **aged).level == "test-first"
        bad = Reading(Decimal(30), Decimal(30), "strip-100", TODAY, True)
        assert judge(last_test=bad).level == "do-not-use"
        assert judge(last_test=replace(NEGATIVE, reagent_expired=None), **aged).level == "use"

    def test_a_bad_reading_counts_for_what_forms_none(self) -> None:
        bad = Reading(Decimal(30), Decimal(30), "strip-100", None)
        assert judge(peroxide_class="none", last_test=bad).level == "do-not-use"
        unclear = Reading(Decimal(0), None)
        assert judge(peroxide_class="none", last_test=unclear).level == "use"


class TestSigns:
    GRAVE = ("crystals", "viscous-layer", "cloudy", "cap-stuck", "cap-rusted", "odd-colour")

    @pytest.mark.parametrize("sign", SIGNS)
    @pytest.mark.parametrize("policy", POLICIES)
    def test_the_floor_holds_under_every_policy(self, sign: str, policy: str) -> None:
        # Also under one with no handling row at all, as "oxford" in the tests of own policies.
        bare = with_rules(POLICIES[policy], handling=[])
        got = verdict(replace(FRESH, signs=frozenset({sign})), bare, "draw", TODAY)
        assert got.level == ("do-not-touch" if sign in self.GRAVE else "test-first")
        assert got.reasons[0].fact == f"sign seen: {sign}"

    def test_of_a_solvent_that_forms_none(self) -> None:
        levels = {sign: judge(peroxide_class="none", signs=frozenset({sign})).level for sign in SIGNS}
        assert [levels[s] for s in ("crystals", "cloudy", "viscous-layer")] == ["do-not-touch"] * 3
        assert [levels[s] for s in ("cap-stuck", "cap-rusted", "odd-colour")] == ["do-not-use"] * 3

    def test_a_sign_that_nobody_knows_is_the_worst(self) -> None:
        assert judge(signs=frozenset({"hums"})).level == "do-not-touch"


def test_set_aside() -> None:
    for kind in ("B", "none"):
        found = {use: judge(use, peroxide_class=kind, quarantined=True).allowed for use in USES}
        assert found == {"draw": False, "distil": False, "open": False, "keep": True, "move": True}


def test_a_solvent_that_forms_none() -> None:
    plain = replace(UNTESTED, peroxide_class="none", opened="unknown", opened_on=None)
    assert {got.level for got in verdicts(plain, CAUTIOUS, TODAY).values()} == {"use"}
    assert judge(facts=plain).due_on is None
    assert lead(facts=plain, expiry_on=YESTERDAY) == ("test-first", "expiry")
    assert judge("keep", plain, expiry_on=YESTERDAY).allowed


class TestDistilling:
    SINCE = replace(FRESH, opened_on=YESTERDAY, received_on=YESTERDAY, last_test=NEGATIVE.on(YESTERDAY))

    @pytest.mark.parametrize(
        ("reading", "code"),
        [
            (None, "distil-test-missing"),
            (NEGATIVE.on(None), "distil-test-undated"),
            (NEGATIVE.on(date(2024, 5, 30)), "distil-test-too-old"),  # a day is our choice
            (NEGATIVE.on(date(2024, 6, 2)), "distil-test-undated"),
        ],
    )
    def test_it_asks_for_a_fresh_test(self, reading: Reading | None, code: str) -> None:
        day = date(2024, 5, 1)
        got = judge("distil", last_test=reading, opened_on=day, received_on=day)
        assert (got.level, got.allowed) == ("test-first", False)
        assert code in {reason.code for reason in got.reasons if reason.level == "test-first"}

    def test_it_passes_on_the_last_day(self) -> None:
        assert judge("distil", self.SINCE).allowed

    def test_where_a_policy_is_silent_the_test_is_of_the_same_day(self) -> None:
        silent = with_rules(CAUTIOUS, distilling={})
        facts = self.SINCE
        assert not verdict(facts, silent, "distil", TODAY).allowed
        assert verdict(replace(facts, last_test=NEGATIVE), silent, "distil", TODAY).allowed

    def test_only_distilling_minds_a_trace(self) -> None:
        # Iowa State EHS pec/9: any detected, treat before distilling.
        trace = replace(NEGATIVE, lower_mg_per_l=Decimal(2), upper_mg_per_l=Decimal(2))
        found = {
            use: got.allowed
            for use, got in verdicts(replace(FRESH, last_test=trace), CAUTIOUS, TODAY).items()
        }
        assert found == {"draw": True, "distil": False, "keep": True, "open": True, "move": True}


def test_cautions_fit_the_answer() -> None:
    assert set(judge("distil").cautions) >= {"never-to-dryness", "leave-the-heel", "goggles-and-shield"}
    grave = judge(signs=frozenset({"cap-stuck"})).cautions
    assert set(grave) >= {"get-help", "leave-in-place", "never-force-a-cap", "local-code"}
    assert "licensed-disposal" in judge(expiry_on=YESTERDAY).cautions
    assert "tests-miss-some" in judge().cautions
    assert "tests-miss-some" not in judge(facts=UNTESTED).cautions
    every = {code for use in USES for code in judge(use, signs=frozenset({"crystals"})).cautions}
    assert every <= set(CAUTIONS)

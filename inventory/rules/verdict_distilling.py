"""What distilling or concentrating a former asks for: a fresh passed test, and the heel that is left."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from inventory.rules.facts import ContainerFacts, test_too_early
from inventory.rules.outcomes import outcome
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import Policy
from inventory.rules.verdict_reasons import NO_TEST, VerdictReason, reading_fact

HEEL_DEFAULT_PERCENT = Decimal(20)
HEEL_DEFAULT_SOURCE = Phrase(
    "The policy states no heel: 20 %, the larger published figure (UC campuses, from memory; NRC 10 %)"
)
TEST_AGE_DEFAULT_SOURCE = Phrase(
    "The policy states no age of test: a test on the same day, our choice, not published"
)


@dataclass(frozen=True)
class DistillingTerms:
    """heel_fraction: of the volume charged, to be left in the still. test_age_max_days: 0 is the same day."""

    heel_fraction: Decimal
    heel_source: str
    test_age_max_days: int
    test_age_source: str


def distilling_terms(policy: Policy) -> DistillingTerms:
    """The heel and the accepted age of a test, each with its source."""
    stated = policy.distilling
    heel, heel_source = stated.heel_percent, stated.heel_source
    age, age_source = stated.test_age_max_days, stated.test_age_source
    if heel is None:
        heel, heel_source = HEEL_DEFAULT_PERCENT, HEEL_DEFAULT_SOURCE
    if age is None:
        age, age_source = 0, TEST_AGE_DEFAULT_SOURCE
    return DistillingTerms(heel / 100, heel_source, age, age_source)


def distilling_reasons(facts: ContainerFacts, policy: Policy, today: date) -> Iterable[VerdictReason]:
    """Whether the last test is one to distil on. What it read is judged elsewhere."""
    terms = distilling_terms(policy)
    reading = facts.last_test
    code, words = "", ""
    if reading is None:
        code = "distil-test-missing"
        words = Phrase("What is in it now was not tested, and a passed test comes before distilling.")
    elif reading.tested_on is None:
        code, words = (
            "distil-test-undated",
            Phrase("The last test has no date, so it does not count for distilling."),
        )
    elif reading.reagent_expired:
        code, words = (
            "distil-test-reagent-expired",
            Phrase("The strips or the reagent of the last test were expired."),
        )
    elif test_too_early(facts):
        code, words = "distil-test-not-of-this", Phrase("The last test is older than what is in it now.")
    elif (today - reading.tested_on).days > terms.test_age_max_days:
        words = Phrase(
            "The last test is older than {test_age_max_days}: it does not count for distilling.",
            test_age_max_days=_days(terms.test_age_max_days),
        )
        code = "distil-test-too-old"
    fact = reading_fact(reading) if reading else NO_TEST
    if code:
        yield VerdictReason(code, words, fact, terms.test_age_source, "test-first")
    elif reading and outcome(reading, policy, "distil", facts.density_20c_kg_m3).code is None:
        words = Phrase("The last test passed and is fresh enough for distilling.")
        yield VerdictReason("distil-test-passed", words, fact, terms.test_age_source, "use")


def _days(count: int) -> str:
    if count == 0:
        return Phrase("the same day")
    return Phrase("{count} day", count=count) if count == 1 else Phrase("{count} days", count=count)

"""What the retest rules answer: a day, the code that leads to it, and every reason behind it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import EndsIn

DueCode = Literal[
    "not-a-former",
    "opened-interval",
    "unopened-interval",
    "made-interval",
    "after-passed-test",
    "expiry",
    "forecast-earlier",
    "opened-when-overdue",
    "distilled-under-override",
    "opening-date-unknown",
    "receipt-date-unknown",
    "made-date-unknown",
    "no-rule",
    "reading-at-or-above-level",
    "reading-not-decisive",
    "class-unknown",
    "origin-unknown",
    "inhibitor-unknown",
    "inhibitor-claim-not-used",
    "inhibitor-needs-air",
    "inhibitor-taken-out",
    "inhibitor-added",
    "reading-undated",
    "reagent-expired",
    "test-before-clock",
]
AT_ONCE: frozenset[DueCode] = frozenset(
    {
        "opened-when-overdue",
        "distilled-under-override",
        "opening-date-unknown",
        "receipt-date-unknown",
        "made-date-unknown",
        "no-rule",
        "reading-at-or-above-level",
        "reading-not-decisive",
    }
)
OUR_RULE = Phrase("When a fact is missing, the worse is assumed: our choice, not published")


@dataclass(frozen=True)
class Reason:
    """One stated reason: stable code, words for people, where the rule comes from."""

    code: DueCode
    words: str
    source: str


@dataclass(frozen=True)
class Due:
    """The day the next test falls due (None: never), the leading reason, and all reasons behind it.

    ends_in: what that day asks for, a test or disposal. same_day: the interval is nought, so that day needs a
    test before anything is taken out.
    """

    on: date | None
    code: DueCode
    words: str
    rule_source: str
    reasons: tuple[Reason, ...] = ()
    ends_in: EndsIn = "test"
    same_day: bool = False

    @property
    def at_once(self) -> bool:
        """True when no interval is waited for: it is due because of what is known, or is not."""
        return self.code in AT_ONCE

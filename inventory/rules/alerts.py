"""What opens an alert: the table of rules, as data.

A container has at most one of the rules on its retest: one that names why a test is needed at once, else one
on its date. The day a test falls due still counts as "due soon"; from the next day on it is overdue.
"""

from __future__ import annotations

from dataclasses import dataclass

from inventory.rules.retest import DueCode


@dataclass(frozen=True)
class AlertRule:
    """A kind of alert. severity: 1 is the worst. codes: the due codes that open it, if codes do."""

    key: str
    words: str
    severity: int
    subject_kind: str = "container"
    codes: tuple[DueCode, ...] = ()


SIGN_SEEN = AlertRule("sign-seen", "A sign of danger was seen: leave it in place, call the supervisor.", 1)
ACTION_LEVEL = AlertRule(
    "action-level", "The last test reached the action level.", 2, codes=("reading-at-or-above-level",)
)
READING_NOT_DECISIVE = AlertRule(
    "reading-not-decisive",
    "The last test does not show that it is below the action level.",
    3,
    codes=("reading-not-decisive",),
)
OPENING_DATE_UNKNOWN = AlertRule(
    "opening-date-unknown",
    "It is not known when it was opened: test it at once.",
    4,
    codes=("opening-date-unknown",),
)
START_DATE_UNKNOWN = AlertRule(
    "start-date-unknown",
    "It is not known when it was received or made: test it at once.",
    5,
    codes=("receipt-date-unknown", "made-date-unknown"),
)
NO_RULE = AlertRule(
    "no-rule", "The lab's policy has no interval for it: test it at once.", 6, codes=("no-rule",)
)
RETEST_OVERDUE = AlertRule("retest-overdue", "The day of its peroxide test has passed.", 7)
RETEST_DUE_SOON = AlertRule("retest-due-soon", "Its peroxide test is due today or soon.", 9)

CONTAINER_RULES = (
    SIGN_SEEN,
    ACTION_LEVEL,
    READING_NOT_DECISIVE,
    OPENING_DATE_UNKNOWN,
    START_DATE_UNKNOWN,
    NO_RULE,
    RETEST_OVERDUE,
    RETEST_DUE_SOON,
)
# Due codes with a rule of their own; every other code is judged by its date, so none falls between.
OWN_CODES: tuple[DueCode, ...] = tuple(code for rule in CONTAINER_RULES for code in rule.codes)

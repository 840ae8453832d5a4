"""What opens an alert: the table of rules, as data, with how long each may wait and when it goes further up.

A container has at most one of the rules on its retest: one that names why a test is needed at once, else one
on its date, else that it was never tested. The day a test falls due still counts as "due soon"; from the next
day on it is overdue. The same holds of the last day it may be kept, of the maker's expiry and of the day that
waste is to be collected by.

Words state what is the case. What to do is for the verdict (`advice`): none of them asks anybody to test,
open or carry a container, which may be one to be left alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from inventory.rules.phrases import Phrase
from inventory.rules.retest import DueCode

GRAVEST, MILDEST = 1, 9


@dataclass(frozen=True)
class AlertRule:
    """A kind of alert. severity: 1 is the worst, 9 the mildest. codes: the due codes that open it, if any."""

    key: str
    words: str
    severity: int
    subject_kind: str = "container"
    codes: tuple[DueCode, ...] = ()


# -- what is known of how dangerous a container is

SIGN_SEEN = AlertRule(
    "sign-seen", Phrase("A sign of danger was seen: leave it in place, call the supervisor."), 1
)
ACTION_LEVEL = AlertRule(
    "action-level", Phrase("The last test reached the action level."), 2, codes=("reading-at-or-above-level",)
)
READING_NOT_DECISIVE = AlertRule(
    "reading-not-decisive",
    Phrase("The last test does not show that it is below the action level."),
    3,
    codes=("reading-not-decisive",),
)
OPENING_DATE_UNKNOWN = AlertRule(
    "opening-date-unknown",
    Phrase("It is not known when it was opened: ask the supervisor before anybody opens or tests it."),
    4,
    codes=("opening-date-unknown",),
)
START_DATE_UNKNOWN = AlertRule(
    "start-date-unknown",
    Phrase(
        "It is not known when it was received or made: ask the supervisor before anybody opens or tests it."
    ),
    5,
    codes=("receipt-date-unknown", "made-date-unknown"),
)
NO_RULE = AlertRule(
    "no-rule",
    Phrase("The lab's policy has no interval for it: ask the supervisor what is to be done."),
    6,
    codes=("no-rule",),
)

# -- its dates

MAXIMUM_AGE = AlertRule(
    "maximum-age",
    Phrase("It may be kept no longer by the lab's policy: leave it shut; disposal is for licensed firms."),
    4,
)
EXPIRED = AlertRule("expired", Phrase("The maker's expiry has passed."), 5)
RETEST_OVERDUE = AlertRule(
    "retest-overdue", Phrase("The day of its peroxide test has passed: its verdict says what may be done."), 7
)
FORECAST_SOONER = AlertRule(
    "forecast-sooner",
    Phrase("Its tests foretell the action level before the policy's next test: the earlier day counts."),
    7,
)
QUARANTINED_LONG = AlertRule(
    "quarantined-long", Phrase("In quarantine for long: decide what becomes of it."), 7
)
NEVER_TESTED = AlertRule("never-tested", Phrase("A peroxide former, open for long and never tested."), 8)
RETEST_DUE_SOON = AlertRule("retest-due-soon", Phrase("Its peroxide test is due today or soon."), 9)
MAXIMUM_AGE_SOON = AlertRule("maximum-age-soon", Phrase("The last day it may be kept is today or soon."), 9)
EXPIRY_SOON = AlertRule("expiry-soon", Phrase("The maker's expiry is today or soon."), 9)

# -- the books and the room

OVER_LIMIT = AlertRule("over-limit", Phrase("More stands there than the limit allows."), 4, "storagelimit")
WASTE_OVERDUE = AlertRule(
    "waste-overdue", Phrase("The waste should have been collected by now."), 6, "wastecontainer"
)
WASTE_NEARLY_FULL = AlertRule(
    "waste-nearly-full", Phrase("The waste container is nearly full."), 7, "wastecontainer"
)
REAGENT_EXPIRED = AlertRule(
    "reagent-expired",
    Phrase("Strips or solution are past their date: readings with them clear no container."),
    7,
    "reagent",
)
COUNT_DIFFERENCE = AlertRule(
    "count-difference", Phrase("The last count differs from the records by more than it can be wrong by."), 8
)
LOW_STOCK = AlertRule("low-stock", Phrase("Less is fit to use than the lab wants to have."), 8, "stocklevel")
WASTE_DUE_SOON = AlertRule(
    "waste-due-soon", Phrase("The waste is to be collected today or soon."), 9, "wastecontainer"
)

CONTAINER_RULES = (
    SIGN_SEEN,
    ACTION_LEVEL,
    READING_NOT_DECISIVE,
    OPENING_DATE_UNKNOWN,
    START_DATE_UNKNOWN,
    NO_RULE,
    MAXIMUM_AGE,
    EXPIRED,
    RETEST_OVERDUE,
    FORECAST_SOONER,
    QUARANTINED_LONG,
    NEVER_TESTED,
    COUNT_DIFFERENCE,
    RETEST_DUE_SOON,
    MAXIMUM_AGE_SOON,
    EXPIRY_SOON,
)
# Due codes with a rule of their own; every other code is judged by its date, so none falls between.
OWN_CODES: tuple[DueCode, ...] = tuple(code for rule in CONTAINER_RULES for code in rule.codes)

# A university job aid of 2013 has every opened bottle tested each three months: a former that has been open
# for longer without any test stands out, whatever interval the lab's policy gives it.
NEVER_TESTED_DAYS = 90
# Our choice, not published: quarantine is for deciding, and a month is time enough for that.
QUARANTINED_LONG_DAYS = 30

# -- how long an alert may be put off, and when it goes to the supervisors. All of it is our choice.

# Severity up to which → days from its opening at most. What is worse than the first is never put off.
PUT_OFF_DAYS = ((2, 0), (6, 7), (MILDEST, 14))
# Severity up to which → (share of the lab's own time, in percent, and never longer than this).
ESCALATE = (
    (1, 50, timedelta(hours=1)),
    (2, 50, timedelta(hours=4)),
    (6, 50, None),
    (MILDEST, 100, None),
)


def put_off_days_max(severity: int) -> int:
    """For how many days from its opening an alert may be put off in all; 0: never."""
    return next((days for most, days in PUT_OFF_DAYS if severity <= most), PUT_OFF_DAYS[-1][1])


def escalate_after(severity: int, lab_hours: int) -> timedelta:
    """How long an alert may stand unanswered before it goes to the supervisors, in a lab with this time."""
    _, percent, longest = next((row for row in ESCALATE if severity <= row[0]), ESCALATE[-1])
    wait = timedelta(hours=lab_hours) * percent / 100
    return wait if longest is None else min(wait, longest)


def goes_up_when_answered(severity: int) -> bool:
    """Whether an answer by anyone but a supervisor sends it to the supervisors at once.

    The gravest must not rest because somebody at the bench has read of it.
    """
    return put_off_days_max(severity) == 0

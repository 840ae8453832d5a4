"""When a container must next be tested for peroxides: a pure function of its facts and a policy.

The worse is assumed of a missing fact: unknown class is A, unknown inhibitor is none, unknown opening,
receipt or making is due at once, an undated result never helps. In order:

1. A reading that does not pass is due from the day of the test, whatever the clocks say.
2. One clock runs: from opening, from receipt while unopened, or from the day it was made or distilled here.
   A passed test, dated on or after that day, starts the clock anew from the test.
3. The maker's expiry date shortens the result and nothing lengthens it past that date.

No today enters: "at once" is a date that lies in the past already, so one stored date serves every sweep.
Dates in the future are for the caller to refuse.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

from inventory.rules.peroxide import PeroxideClass, Reading, passes, reaches
from inventory.rules.policy_data import CountsFrom, Interval, Origin, Policy, Rule

__all__ = ["ContainerFacts", "CountsFrom", "Due", "DueCode", "Interval", "Origin", "Policy", "Reason", "Rule"]
__all__ += ["effective_inhibited", "next_test"]

DueCode = Literal[
    "not-a-former",
    "opened-interval",
    "unopened-interval",
    "made-interval",
    "after-passed-test",
    "expiry",
    "opened-when-overdue",
    "opening-date-unknown",
    "receipt-date-unknown",
    "made-date-unknown",
    "no-rule",
    "reading-at-or-above-level",
    "reading-not-decisive",
    "class-unknown",
    "inhibitor-unknown",
    "inhibitor-claim-not-used",
    "reading-undated",
    "test-before-clock",
]
AT_ONCE: frozenset[DueCode] = frozenset(
    {
        "opened-when-overdue",
        "opening-date-unknown",
        "receipt-date-unknown",
        "made-date-unknown",
        "no-rule",
        "reading-at-or-above-level",
        "reading-not-decisive",
    }
)
OUR_RULE = "When a fact is missing, the worse is assumed: our choice, not published"
MADE_ORIGINS: frozenset[Origin] = frozenset({"made-here", "recovered"})


@dataclass(frozen=True)
class ContainerFacts:
    """What is recorded of one container and the lot in it.

    inhibited: of a blend True only when every part counts as inhibited (`effective_inhibited`). opened_on: of
    a blend the earliest opening or making among its parts; made_on: the day of blending or distilling.
    expiry_on: the maker's, of a blend the earliest. recorded_on: the day the container entered the records.
    """

    peroxide_class: PeroxideClass
    inhibited: bool | None
    origin: Origin
    opened: Literal["unopened", "opened", "unknown"]
    opened_on: date | None
    received_on: date | None
    made_on: date | None
    expiry_on: date | None
    last_test: Reading | None
    recorded_on: date


@dataclass(frozen=True)
class Reason:
    """One stated reason: stable code, words for people, where the rule comes from."""

    code: DueCode
    words: str
    source: str


@dataclass(frozen=True)
class Due:
    """The day the next test falls due (None: never), the leading reason, and all reasons behind it."""

    on: date | None
    code: DueCode
    words: str
    rule_source: str
    reasons: tuple[Reason, ...] = ()

    @property
    def at_once(self) -> bool:
        """True when no interval is waited for: it is due because of what is known, or is not."""
        return self.code in AT_ONCE


@dataclass(frozen=True)
class _Clock:
    """From when an interval counts. start None: the day that is needed is not known."""

    counts_from: CountsFrom
    start: date | None
    code: DueCode
    unknown: DueCode


def effective_inhibited(inhibited: bool | None, origin: Origin) -> bool:
    """Whether it counts as inhibited: distilling leaves the inhibitor behind, a claim is no top-up."""
    return inhibited is True and origin not in MADE_ORIGINS


def next_test(facts: ContainerFacts, policy: Policy) -> Due:
    """The next test of a container under a policy. Never raises; a former always gets a date."""
    harm = _harm(facts, policy)
    if facts.peroxide_class == "none" and (harm is None or harm.code != "reading-at-or-above-level"):
        return _due(
            None, Reason("not-a-former", "Not a peroxide former: no test is needed.", "solvent catalogue")
        )
    candidates = [*_clock_dues(facts, policy), *_expiry(facts)]
    candidates.sort(key=lambda due: due.on or date.max)
    lead = harm or candidates[0]
    behind = [reason for due in candidates if due is not lead for reason in due.reasons]
    reasons = (*lead.reasons, *behind, *_notes(facts))
    return Due(lead.on, lead.code, lead.words, lead.rule_source, tuple(dict.fromkeys(reasons)))


def _due(on: date | None, reason: Reason) -> Due:
    return Due(on, reason.code, reason.words, reason.source, (reason,))


def _harm(facts: ContainerFacts, policy: Policy) -> Due | None:
    """Due at once when the last reading does not pass; dated or not, it counts."""
    reading, level = facts.last_test, policy.action_level_mg_per_l
    if reading is None or passes(reading, level):
        return None
    on = reading.tested_on or facts.recorded_on
    if reaches(reading, policy.stop_level_mg_per_l):
        stop = policy.stop_level_mg_per_l
        words = (
            f"The last test reached {stop} mg/L, the stop level: leave it in place and call the supervisor."
        )
        return _due(on, Reason("reading-at-or-above-level", words, policy.level_source))
    if reaches(reading, level):
        words = f"The last test read {reading.lower_mg_per_l} mg/L or more: the action level is {level} mg/L."
        return _due(on, Reason("reading-at-or-above-level", words, policy.level_source))
    words = f"The last test does not show that it is below {level} mg/L."
    return _due(on, Reason("reading-not-decisive", words, OUR_RULE))


def _clock_dues(facts: ContainerFacts, policy: Policy) -> list[Due]:
    """What the running clock gives; an unknown day stays a reason even after a passed test."""
    clock = _clock(facts)
    test = _passed_test(facts, policy, clock)
    first = _interval_due(facts, policy, clock)
    if test is None:
        return [first, *_opened_by_a_test(facts, policy, clock), *_overdue_when_opened(facts, policy, clock)]
    renewed = _interval_due(facts, policy, test)
    if clock.counts_from == "received":
        # A test opens the bottle: the opened interval may shorten the unopened one, never lengthen it.
        return [first, renewed]
    if clock.start is None:
        return [
            Due(renewed.on, renewed.code, renewed.words, renewed.rule_source, renewed.reasons + first.reasons)
        ]
    return [renewed]


def _clock(facts: ContainerFacts) -> _Clock:
    if facts.origin in MADE_ORIGINS:
        return _Clock("made", facts.made_on, "made-interval", "made-date-unknown")
    if facts.origin == "blend":
        # Pouring together opens the lot and cures nothing: the oldest known day of any part counts.
        start = None if facts.opened_on is None else min(facts.opened_on, facts.made_on or facts.opened_on)
        return _Clock("opened", start, "opened-interval", "opening-date-unknown")
    if facts.opened == "unopened" and facts.opened_on is None and not _tested_on_an_unknown_day(facts):
        return _Clock("received", facts.received_on, "unopened-interval", "receipt-date-unknown")
    return _Clock("opened", facts.opened_on, "opened-interval", "opening-date-unknown")


def _tested_on_an_unknown_day(facts: ContainerFacts) -> bool:
    return facts.last_test is not None and facts.last_test.tested_on is None


def _passed_test(facts: ContainerFacts, policy: Policy, clock: _Clock) -> _Clock | None:
    """A clock from the last test, when it passed, is dated, and was made on what is in the container now."""
    reading = facts.last_test
    if reading is None or reading.tested_on is None or not passes(reading, policy.action_level_mg_per_l):
        return None
    if _test_too_early(facts, clock):
        return None
    return _Clock("test", reading.tested_on, "after-passed-test", clock.unknown)


def _opened_by_a_test(facts: ContainerFacts, policy: Policy, clock: _Clock) -> Iterable[Due]:
    """A test opens the bottle: a later day that is told for the opening gives no longer time than it did."""
    reading = facts.last_test
    if clock.counts_from != "opened" or facts.origin != "purchased" or clock.start is None:
        return
    if reading is None or reading.tested_on is None or reading.tested_on >= clock.start:
        return
    if facts.received_on is None or reading.tested_on >= facts.received_on:
        yield _interval_due(
            facts, policy, _Clock("test", reading.tested_on, "after-passed-test", clock.unknown)
        )


def _test_too_early(facts: ContainerFacts, clock: _Clock) -> bool:
    """True when the test says nothing of the material since its clock started, or that cannot be shown."""
    tested_on = facts.last_test.tested_on if facts.last_test else None
    if tested_on is None:
        return False
    if facts.origin == "blend" and facts.made_on is None:
        return True
    known = [day for day in (clock.start, facts.made_on) if day is not None]
    if facts.origin == "purchased" and facts.received_on is not None:
        known.append(facts.received_on)
    return any(tested_on < day for day in known)


def _interval_due(facts: ContainerFacts, policy: Policy, clock: _Clock) -> Due:
    if clock.start is None:
        words = {
            "opening-date-unknown": "It is not known when it was opened.",
            "receipt-date-unknown": "It is unopened, and it is not known when it was received.",
            "made-date-unknown": "It is not known when it was made or distilled.",
        }[clock.unknown]
        return _due(_earliest_known(facts), Reason(clock.unknown, words, OUR_RULE))
    rules = _rules(facts, policy, clock.counts_from)
    if not rules:
        words = f'The policy "{policy.name}" has no interval for this container.'
        return _due(_earliest_known(facts), Reason("no-rule", words, OUR_RULE))
    start = clock.start
    rule = min(rules, key=lambda candidate: candidate.interval.after(start))
    since = {
        "opened": "opening",
        "received": "receipt",
        "made": "making or distilling",
        "test": "the passed test",
    }
    words = f"Test due {rule.interval} after {since[clock.counts_from]} on {start.isoformat()}."
    return _due(rule.interval.after(start), Reason(clock.code, words, rule.source))


def _rules(facts: ContainerFacts, policy: Policy, counts_from: CountsFrom) -> list[Rule]:
    """Rows that fit. A policy without rows for made or tested material lends those for opened material."""
    lenders: dict[CountsFrom, tuple[CountsFrom, ...]] = {
        "opened": ("opened",),
        "received": ("received",),
        "made": ("made", "opened"),
        "test": ("test", "made", "opened") if facts.origin in MADE_ORIGINS else ("test", "opened"),
    }
    fitting = [rule for rule in policy.rules if _fits(rule, facts, opened=counts_from != "received")]
    for lender in lenders[counts_from]:
        if rules := [rule for rule in fitting if rule.counts_from == lender]:
            return rules
    return []


def _fits(rule: Rule, facts: ContainerFacts, *, opened: bool) -> bool:
    """Whether a row holds for the container; a class that should not need a row is handled as unknown."""
    wanted = facts.peroxide_class if facts.peroxide_class in {"A", "B", "C", "D"} else "A"
    inhibited = effective_inhibited(facts.inhibited, facts.origin)
    return (
        rule.peroxide_class == wanted
        and rule.opened in (None, opened)
        and rule.inhibited in (None, inhibited)
        and (rule.origins is None or facts.origin in rule.origins)
    )


def _overdue_when_opened(facts: ContainerFacts, policy: Policy, clock: _Clock) -> Iterable[Due]:
    """Opening a bottle that was overdue already, without a test, does not give it a new interval."""
    if facts.origin != "purchased" or clock.start is None or clock.counts_from != "opened":
        return
    if facts.received_on is None or not _rules(facts, policy, "received"):
        return
    sealed = _Clock("received", facts.received_on, "unopened-interval", "receipt-date-unknown")
    due = _interval_due(facts, policy, sealed)
    if due.on is not None and due.on < clock.start:
        words = f"It was due unopened on {due.on.isoformat()} and was opened later without a test."
        yield _due(due.on, Reason("opened-when-overdue", words, due.rule_source))


def _expiry(facts: ContainerFacts) -> Iterable[Due]:
    if facts.expiry_on is not None:
        words = f"The maker's expiry date is {facts.expiry_on.isoformat()}."
        yield _due(facts.expiry_on, Reason("expiry", words, "maker's label; no interval runs past it"))


def _earliest_known(facts: ContainerFacts) -> date:
    """The day from which a container with a missing date counts as due: never blank, never late."""
    return min(day for day in (facts.received_on, facts.made_on, facts.recorded_on) if day is not None)


def _notes(facts: ContainerFacts) -> Iterable[Reason]:
    """What was assumed for want of a fact, or set aside."""
    if facts.peroxide_class == "unknown":
        yield Reason("class-unknown", "The peroxide class is not known: handled as class A.", OUR_RULE)
    if facts.origin in MADE_ORIGINS and facts.inhibited:
        words = "Distilling leaves the inhibitor behind and no top-up is recorded: handled as uninhibited."
        yield Reason("inhibitor-claim-not-used", words, "BHT is not volatile: common practice, no source")
    elif facts.inhibited is None and facts.origin not in MADE_ORIGINS:
        yield Reason("inhibitor-unknown", "No inhibitor is recorded: handled as uninhibited.", OUR_RULE)
    if _tested_on_an_unknown_day(facts):
        yield Reason(
            "reading-undated", "The last test has no date: it cannot lengthen an interval.", OUR_RULE
        )
    elif facts.last_test is not None and _test_too_early(facts, _clock(facts)):
        yield Reason("test-before-clock", "The last test is older than what it would vouch for.", OUR_RULE)

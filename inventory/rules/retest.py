"""When a container must next be tested for peroxides: a pure function of its facts and a policy.

The worse is assumed of a missing fact: an unknown class takes the strictest row of any class, unknown
inhibitor is none, unknown opening, receipt or making is due at once, an undated result never helps. In
order:

1. A reading that does not pass is due from the day of the test, whatever the clocks say.
2. One clock runs: from opening, from receipt while unopened, or from the day it was made or distilled here.
   A passed test, dated on or after that day, starts the clock anew from the test. Rows that count from
   receipt hold for an opened bottle too, unless they say otherwise. Opening puts nothing off: the day that
   stood for the sealed bottle runs on beside the opened clock until a test has passed.
3. Rows that end in disposal run on through every test.
4. The maker's expiry date shortens the result and nothing lengthens it past that date, unless the policy says
   that a passed test on or after it starts the clock anew.
5. What was distilled although the gate forbade it is due at once, until a test of it passes.
6. A forecast from the readings shortens the result too, and never lengthens it.

No today enters: "at once" is a date that lies in the past already, so one stored date serves every sweep.
Dates in the future are for the caller to refuse.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from inventory.rules.due import AT_ONCE, OUR_RULE, Due, DueCode, Reason
from inventory.rules.facts import (
    MADE_ORIGINS,
    Clock,
    ContainerFacts,
    classes_of,
    clock_of,
    counts_inhibited,
    earliest_known,
    effective_inhibited,
    vouches,
    ways_of,
)
from inventory.rules.outcomes import outcome
from inventory.rules.peroxide import PeroxideClass
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import CountsFrom, EndsIn, Interval, Origin, Policy, Rule
from inventory.rules.retest_notes import notes, override_words

__all__ = ["ContainerFacts", "CountsFrom", "Due", "DueCode", "Interval", "Origin", "Policy", "Reason", "Rule"]
__all__ += ["AT_ONCE", "OUR_RULE", "dispose_on", "dues", "effective_inhibited", "next_test"]
__all__ += ["overridden", "unopened_dues"]

_INTERVAL_CODES: dict[CountsFrom, DueCode] = {
    "opened": "opened-interval",
    "received": "unopened-interval",
    "made": "made-interval",
    "test": "after-passed-test",
}
_SINCE = {
    "opened": Phrase("opening"),
    "received": Phrase("receipt"),
    "made": Phrase("making or distilling"),
    "test": Phrase("the passed test"),
}


def next_test(facts: ContainerFacts, policy: Policy, known: list[Due] | None = None) -> Due:
    """The next test of a container under a policy. Never raises; a former always gets a date.

    known: its `dues`, where they are in hand.
    """
    harm = _harm(facts, policy)
    if facts.peroxide_class == "none" and (harm is None or harm.code != "reading-at-or-above-level"):
        words = Phrase("Not a peroxide former: no test is needed.")
        never = _due(None, Reason("not-a-former", words, Phrase("solvent catalogue")))
        return next(iter(overridden(facts, policy)), never)
    candidates = dues(facts, policy) if known is None else known
    lead = harm or candidates[0]
    behind = [reason for due in candidates if due is not lead for reason in due.reasons]
    reasons = tuple(dict.fromkeys((*lead.reasons, *behind, *notes(facts, policy))))
    return Due(lead.on, lead.code, lead.words, lead.rule_source, reasons, lead.ends_in, lead.same_day)


def dues(facts: ContainerFacts, policy: Policy) -> list[Due]:
    """Every day on which a former falls due, the earliest first, but for what the reading itself says."""
    found = [
        due
        for each in ways_of(facts, policy)
        for name in classes_of(each)
        for due in _clock_dues(each, policy, name)
    ]
    found += [*_expiry(facts, policy), *overridden(facts, policy)]
    # Of two on one day the one that ends in disposal leads.
    found = sorted(dict.fromkeys(found), key=lambda due: (due.on or date.max, due.ends_in == "test"))
    return [*_forecast(facts, found[0].on), *found]


def dispose_on(facts: ContainerFacts, policy: Policy) -> date | None:
    """The first day that ends in disposal, past or to come; None when no row or date asks for it."""
    if facts.peroxide_class == "none":
        return None
    return min((due.on for due in dues(facts, policy) if due.ends_in == "dispose" and due.on), default=None)


def _due(on: date | None, reason: Reason, ends_in: EndsIn = "test", *, same_day: bool = False) -> Due:
    return Due(on, reason.code, reason.words, reason.source, (reason,), ends_in, same_day)


def _harm(facts: ContainerFacts, policy: Policy) -> Due | None:
    """Due at once when the last reading does not pass; dated or not, it counts."""
    reading = facts.last_test
    if reading is None:
        return None
    found = outcome(reading, policy, "draw", facts.density_20c_kg_m3)
    if found.code is None or found.row is None:
        return None
    on = reading.tested_on or facts.recorded_on
    if found.code == "reading-not-decisive":
        words = Phrase("The last test does not rule out {words}.", words=found.words)
        return _due(on, Reason(found.code, words, OUR_RULE))
    words = Phrase("The last test reached {words}, a level at which it is not used.", words=found.words)
    if found.level == "do-not-touch":
        words = Phrase(
            "The last test may have reached {words}: leave it in place and call the supervisor.",
            words=found.words,
        )
    return _due(on, Reason(found.code, words, found.row.source), "dispose")


def _clock_dues(facts: ContainerFacts, policy: Policy, name: PeroxideClass) -> list[Due]:
    """What the running clock gives for one class; an unknown day stays a reason even after a passed test."""
    clock = clock_of(facts)
    ends = [
        _interval_due(facts, rows, c) for c, rows in _clocks(facts, policy, name, clock, "dispose") if rows
    ]
    running = _clocks(facts, policy, name, clock, "test")
    firsts = [_interval_due(facts, rows, c) for c, rows in running if rows]
    if not ends and not firsts:
        firsts = [_no_rule(facts, policy) if clock.start else _interval_due(facts, [], clock)]
    sealed = _earlier_than(firsts, _stood_unopened(facts, policy, name, clock))
    ends += [due for due in sealed if due.ends_in == "dispose" and due.code == "opened-when-overdue"]
    if not vouches(facts, policy):
        return [*firsts, *ends, *_opened_by_a_test(facts, policy, name, clock), *sealed]
    renewed = _renewed(facts, policy, name, ends)
    if clock.counts_from == "received":
        # A test opens the bottle: the opened interval may shorten the unopened one, never lengthen it.
        return [*firsts, *renewed, *ends]
    if clock.start is None:
        unknown = tuple(reason for due in firsts for reason in due.reasons)
        renewed = [_with_reasons(due, unknown) for due in renewed]
    return [*renewed, *ends]


def _earlier_than(firsts: list[Due], sealed: Iterable[Due]) -> list[Due]:
    """Of the days that stood for the sealed bottle those that have a say: a later one tells nothing."""
    first = min((due.on for due in firsts if due.on), default=date.max)
    return [due for due in sealed if due.at_once or (due.on or date.max) < first or due.ends_in == "dispose"]


def _with_reasons(due: Due, more: tuple[Reason, ...]) -> Due:
    reasons = due.reasons + more
    return Due(due.on, due.code, due.words, due.rule_source, reasons, due.ends_in, due.same_day)


def _renewed(facts: ContainerFacts, policy: Policy, name: PeroxideClass, ends: list[Due]) -> list[Due]:
    """What counts from the last test, which vouches for the container."""
    clock = _test_clock(facts)
    groups = [_rows(facts, policy, name, clock, ends_in) for ends_in in ("test", "dispose")]
    found = [_interval_due(facts, rows, clock) for rows in groups if rows]
    return found if found or ends else [_no_rule(facts, policy)]


def _test_clock(facts: ContainerFacts) -> Clock:
    tested_on = facts.last_test.tested_on if facts.last_test else None
    return Clock("test", tested_on, clock_of(facts).unknown)


def _clocks(
    facts: ContainerFacts, policy: Policy, name: PeroxideClass, clock: Clock, ends_in: EndsIn
) -> list[tuple[Clock, list[Rule]]]:
    """The clocks that run, each with its rows: the main one, and that from receipt for an opened bottle."""
    found = [(clock, _rows(facts, policy, name, clock, ends_in))]
    if clock.counts_from == "opened" and facts.origin == "purchased":
        receipt = Clock("received", facts.received_on, "receipt-date-unknown")
        found.append((receipt, _rows(facts, policy, name, receipt, ends_in, opened=True)))
    return found


def _opened_by_a_test(
    facts: ContainerFacts, policy: Policy, name: PeroxideClass, clock: Clock
) -> Iterable[Due]:
    """A test opens the bottle: a later day that is told for the opening gives no longer time than it did."""
    tested_on = facts.last_test.tested_on if facts.last_test else None
    if clock.counts_from != "opened" or facts.origin != "purchased" or clock.start is None:
        return
    if tested_on is None or tested_on >= clock.start:
        return
    if facts.received_on is None or tested_on >= facts.received_on:
        yield from _renewed(facts, policy, name, [])


def _interval_due(facts: ContainerFacts, rules: list[Rule], clock: Clock) -> Due:
    """The earliest end of some rows that all ask for the same at their end."""
    ends_in = rules[0].ends_in if rules else "test"
    if clock.start is None:
        words = {
            "opening-date-unknown": Phrase("It is not known when it was opened."),
            "receipt-date-unknown": Phrase("It is unopened, and it is not known when it was received."),
            "made-date-unknown": Phrase("It is not known when it was made or distilled."),
        }[clock.unknown]
        if clock.unknown == "receipt-date-unknown" and facts.opened != "unopened":
            words = Phrase("It is not known when it was received.")
        return _due(earliest_known(facts), Reason(clock.unknown, words, OUR_RULE), ends_in)
    start = clock.start
    rule = min(rules, key=lambda candidate: candidate.interval.after(start))
    what = Phrase("Test due") if ends_in == "test" else Phrase("To be disposed of")
    words = Phrase(
        "{what} {interval} after {since} on {day}.",
        what=what,
        interval=rule.interval.words,
        since=_SINCE[clock.counts_from],
        day=start,
    )
    reason = Reason(_INTERVAL_CODES[clock.counts_from], words, rule.source)
    return _due(rule.interval.after(start), reason, ends_in, same_day=rule.interval.count == 0)


def _no_rule(facts: ContainerFacts, policy: Policy) -> Due:
    words = Phrase('The policy "{name}" has no interval for this container.', name=policy.name)
    return _due(earliest_known(facts), Reason("no-rule", words, OUR_RULE))


def _rows(
    facts: ContainerFacts,
    policy: Policy,
    name: PeroxideClass,
    clock: Clock,
    ends_in: EndsIn,
    *,
    opened: bool | None = None,
) -> list[Rule]:
    """Rows that fit. A policy without rows for made or tested material lends those for opened material."""
    opened = clock.counts_from != "received" if opened is None else opened
    inhibited = counts_inhibited(facts, policy, name)
    inert = facts.atmosphere == "inert"
    kept = policy.index.chosen
    key = (
        name, ends_in, clock.counts_from, opened, inhibited, inert, facts.origin, facts.origin_unknown,
    )  # fmt: skip
    if key not in kept:
        fitting = [
            rule
            for rule in policy.index.of(name, ends_in)
            if _fits(rule, facts, opened=opened, inhibited=inhibited)
        ]
        kept[key] = _lent(fitting, facts, clock.counts_from, ends_in)
    return kept[key]


def _lent(fitting: list[Rule], facts: ContainerFacts, counts_from: CountsFrom, ends_in: EndsIn) -> list[Rule]:
    for lenders in _lenders(facts, counts_from, ends_in):
        if rules := [rule for rule in fitting if rule.counts_from in lenders]:
            return rules
    return []


def _lenders(facts: ContainerFacts, counts_from: CountsFrom, ends_in: EndsIn) -> list[set[CountsFrom]]:
    if counts_from == "received" or (counts_from == "test" and ends_in == "dispose"):
        return [{counts_from}]
    first: list[set[CountsFrom]] = [{"test"}] if counts_from == "test" else []
    if facts.origin_unknown:
        return [*first, {"made", "opened"}]
    made: list[set[CountsFrom]] = [{"made"}] if facts.origin in MADE_ORIGINS else []
    return [*first, *made, {"opened"}]


def _fits(rule: Rule, facts: ContainerFacts, *, opened: bool, inhibited: bool) -> bool:
    """Whether a row of its class holds for the container; an unknown atmosphere is air."""
    return (
        rule.opened in (None, opened)
        and rule.inhibited in (None, inhibited)
        and (rule.origins is None or facts.origin_unknown or facts.origin in rule.origins)
        and (rule.atmosphere is None or (rule.atmosphere == "inert") == (facts.atmosphere == "inert"))
    )


def unopened_dues(facts: ContainerFacts, policy: Policy) -> list[Due]:
    """The days that stood for a bought bottle while it was sealed; none for one that still is."""
    clock = clock_of(facts)
    return [due for name in classes_of(facts) for due in _stood_unopened(facts, policy, name, clock)]


def _stood_unopened(
    facts: ContainerFacts, policy: Policy, name: PeroxideClass, clock: Clock
) -> Iterable[Due]:
    """Opening a bottle without a test gives it no longer time than it had, overdue or not."""
    if facts.origin != "purchased" or clock.start is None or clock.counts_from != "opened":
        return
    if facts.received_on is None:
        return
    sealed = Clock("received", facts.received_on, "receipt-date-unknown")
    for ends_in in ("test", "dispose"):
        rows = _rows(facts, policy, name, sealed, ends_in)
        due = _interval_due(facts, rows, sealed) if rows else None
        if due is None or due.on is None:
            continue
        if due.on < clock.start:
            words = Phrase("It was due unopened on {on} and was opened later without a test.", on=due.on)
            yield _due(due.on, Reason("opened-when-overdue", words, due.rule_source), ends_in)
            continue
        words = Phrase("{words} Opening it does not put that off, a passed test does.", words=due.words)
        reason = Reason("unopened-interval", words, due.rule_source)
        yield _due(due.on, reason, ends_in, same_day=due.same_day)


def _expiry(facts: ContainerFacts, policy: Policy) -> Iterable[Due]:
    on, ends_in = facts.expiry_on, policy.expiry_ends_in
    if on is None:
        return
    tested_on = facts.last_test.tested_on if facts.last_test else None
    if ends_in == "test" and tested_on is not None and tested_on >= on and vouches(facts, policy):
        return
    source = Phrase("maker's label; no interval runs past it")
    if ends_in == "test":
        source = Phrase("maker's label; under this policy a passed test on or after it starts the clock anew")
    yield _due(on, Reason("expiry", Phrase("The maker's expiry date is {on}.", on=on), source), ends_in)


def overridden(facts: ContainerFacts, policy: Policy) -> Iterable[Due]:
    """A distillate of what the gate forbade, untested since: whatever was in the still may have come over."""
    if facts.overridden_on is not None and not vouches(facts, policy):
        words = Phrase("{how} It needs a test before it is used or distilled.", how=override_words(facts))
        yield _due(facts.overridden_on, Reason("distilled-under-override", words, OUR_RULE))


def _forecast(facts: ContainerFacts, policy_on: date | None) -> Iterable[Due]:
    """The forecast, where it comes before everything that the policy says."""
    if facts.forecast_on is not None and (policy_on is None or facts.forecast_on < policy_on):
        words = Phrase(
            "By its readings so far it may reach the action level on {forecast_on}.",
            forecast_on=facts.forecast_on,
        )
        yield _due(
            facts.forecast_on,
            Reason("forecast-earlier", words, Phrase("forecast from this container's own readings")),
        )

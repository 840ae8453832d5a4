"""What was assumed of a container for want of a fact, or set aside, when its next test is worked out."""

from __future__ import annotations

from collections.abc import Iterable

from inventory.rules.due import OUR_RULE, Reason
from inventory.rules.facts import (
    MADE_ORIGINS,
    ContainerFacts,
    classes_of,
    counts_inhibited,
    test_too_early,
    tested_on_an_unknown_day,
    vouches,
)
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import Policy


def override_words(facts: ContainerFacts) -> str:
    """When and why a supervisor let it be distilled, for people."""
    on = facts.overridden_on or Phrase("an unknown day")
    why = f": “{facts.override_reason}”" if facts.override_reason else ""
    return Phrase("It was distilled under an override on {on}{why}.", on=on, why=why)


def notes(facts: ContainerFacts, policy: Policy) -> Iterable[Reason]:
    """What was assumed for want of a fact, or set aside."""
    if facts.peroxide_class == "unknown":
        words = Phrase("The peroxide class is not known: the strictest row of any class holds.")
        yield Reason("class-unknown", words, OUR_RULE)
    if facts.origin_unknown:
        words = Phrase(
            "It is not known where it came from: it may have been distilled, so no inhibitor is believed."
        )
        yield Reason("origin-unknown", words, OUR_RULE)
    if facts.overridden_on is not None and vouches(facts, policy):
        words = Phrase("{how} A test of it has passed since.", how=override_words(facts))
        yield Reason("distilled-under-override", words, OUR_RULE)
    yield from _inhibitor_notes(facts, policy)
    if tested_on_an_unknown_day(facts):
        yield Reason(
            "reading-undated", Phrase("The last test has no date: it cannot lengthen an interval."), OUR_RULE
        )
    elif facts.last_test is not None and test_too_early(facts):
        yield Reason(
            "test-before-clock", Phrase("The last test is older than what it would vouch for."), OUR_RULE
        )
    if facts.last_test is not None and facts.last_test.reagent_expired:
        words = Phrase(
            "The strips or the reagent of the last test were past their date: it can harm, not help."
        )
        yield Reason("reagent-expired", words, OUR_RULE)


def _inhibitor_notes(facts: ContainerFacts, policy: Policy) -> Iterable[Reason]:
    counted = any(counts_inhibited(facts, policy, name) for name in classes_of(facts))
    if facts.topped_up_on is not None:
        counts = (
            Phrase("it counts, a test has passed since")
            if counted
            else Phrase("it counts once a test passes after it")
        )
        words = Phrase(
            "Inhibitor was added on {topped_up_on}: {counts}.",
            topped_up_on=facts.topped_up_on,
            counts=counts,
        )
        yield Reason("inhibitor-added", words, Phrase("common practice, no source"))
    elif facts.origin in MADE_ORIGINS and facts.inhibited:
        words = Phrase(
            "Distilling leaves the inhibitor behind and no top-up is recorded: handled as uninhibited."
        )
        yield Reason(
            "inhibitor-claim-not-used", words, Phrase("BHT is not volatile: common practice, no source")
        )
    elif facts.treated_on is not None and facts.inhibited:
        words = Phrase("Taking peroxides out takes the inhibitor too: handled as uninhibited.")
        yield Reason("inhibitor-taken-out", words, Phrase("common practice, no source"))
    elif facts.inhibited is None and facts.origin not in MADE_ORIGINS:
        words = Phrase("It is not known whether it holds an inhibitor: handled as uninhibited.")
        yield Reason("inhibitor-unknown", words, OUR_RULE)
    if facts.atmosphere == "inert" and "C" in classes_of(facts) and facts.inhibited:
        words = Phrase("Its inhibitor needs air and it stands under inert gas: handled as uninhibited.")
        yield Reason(
            "inhibitor-needs-air",
            words,
            Phrase("Cornell EHS App. J, Princeton EHS: class C not under inert gas"),
        )

"""Reasons from what is seen and known of a container: the floor for signs, and the policy's handling rows."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from inventory.rules.facts import ContainerFacts, age_unknown, classes_of, counts_inhibited
from inventory.rules.levels import Use
from inventory.rules.months import add_months
from inventory.rules.peroxide import PeroxideClass
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import HandlingRow, Policy
from inventory.rules.policy_rows import CLOSURES
from inventory.rules.signs import code_said, sign_named
from inventory.rules.verdict_reasons import VerdictReason


def sign_reasons(facts: ContainerFacts) -> Iterable[VerdictReason]:
    """What the signs come to whatever the policy says."""
    former = facts.peroxide_class != "none"
    for code in sorted(facts.signs):
        sign = sign_named(code)
        level = sign.former if former else sign.other
        source = (
            sign.source
            if former
            else Phrase("{source}. For a solvent that is no former: our choice", source=sign.source)
        )
        yield VerdictReason(
            f"sign-{code}"[:60], sign.words, Phrase("sign seen: {code}", code=code_said(code)), source, level
        )


#: a row of the policy that holds for a container, with what it says
Handled = tuple[HandlingRow, VerdictReason]


def handled(facts: ContainerFacts, policy: Policy, today: date) -> list[Handled]:
    """The policy's rows that hold for the container, whatever the use."""
    found = []
    for row in policy.handling:
        if holds(row, facts, policy, today):
            fact = Phrase.joined(_what_held(row, facts), "; ") or Phrase(
                "class {letter}", letter=facts.peroxide_class
            )
            words = Phrase("The policy names this: {fact}.", fact=fact)
            found.append((row, VerdictReason("policy-handling", words, fact, row.source, row.then)))
    return found


def handling_reasons(held: Iterable[Handled], use: Use) -> Iterable[VerdictReason]:
    """What those that bear on the use say."""
    return (reason for row, reason in held if row.uses is None or use in row.uses)


def holds(row: HandlingRow, facts: ContainerFacts, policy: Policy, today: date) -> bool:
    """Whether all conditions of a row hold; an unknown fact matches each condition on it."""
    names = [name for name in _classes(facts) if _of_class(row, name)]
    return (
        any(_inhibited_holds(row, facts, policy, name) for name in names)
        and _opened_holds(row, facts)
        and (row.signs is None or bool(row.signs & facts.signs))
        and (row.closures is None or facts.closure in row.closures or facts.closure not in CLOSURES)
        and (not row.age_unknown or age_unknown(facts))
        and (not row.origin_unknown or facts.origin_unknown)
        and _expired(row, facts, today)
    )


def _classes(facts: ContainerFacts) -> tuple[PeroxideClass, ...]:
    return ("none",) if facts.peroxide_class == "none" else classes_of(facts)


def _of_class(row: HandlingRow, name: PeroxideClass) -> bool:
    return name != "none" if row.classes is None else name in row.classes


def _inhibited_holds(row: HandlingRow, facts: ContainerFacts, policy: Policy, name: PeroxideClass) -> bool:
    unknown = facts.inhibited is None or facts.origin_unknown
    return row.inhibited is None or unknown or row.inhibited == counts_inhibited(facts, policy, name)


def _opened_holds(row: HandlingRow, facts: ContainerFacts) -> bool:
    if row.opened is None or facts.opened == "unknown":
        return True
    return row.opened == (facts.opened == "opened" or facts.opened_on is not None)


def _expired(row: HandlingRow, facts: ContainerFacts, today: date) -> bool:
    if row.expired_more_than_months is None:
        return True
    return facts.expiry_on is not None and today > add_months(facts.expiry_on, row.expired_more_than_months)


def _what_held(row: HandlingRow, facts: ContainerFacts) -> Iterable[str]:
    """The facts that a row rests on, in short words."""
    if row.signs is not None:
        seen = Phrase.joined((code_said(code) for code in sorted(row.signs & facts.signs)), ", ")
        yield Phrase("sign seen: {part}", part=seen)
    if row.closures is not None:
        yield (
            Phrase("closure {closure}", closure=facts.closure)
            if facts.closure in row.closures
            else Phrase("closure not recorded")
        )
    if row.age_unknown:
        yield Phrase("its age is not known")
    if row.origin_unknown:
        yield Phrase("its origin is not known")
    if row.expired_more_than_months is not None and facts.expiry_on is not None:
        yield Phrase("expiry {day}", day=facts.expiry_on)
    if row.inhibited is not None:
        stated = {
            True: Phrase("inhibited"),
            False: Phrase("uninhibited"),
            None: Phrase("inhibitor not recorded"),
        }
        yield stated[row.inhibited if facts.inhibited is not None else None]
    if row.classes is not None:
        yield Phrase("class {letter}", letter=facts.peroxide_class)

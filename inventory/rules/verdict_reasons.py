"""One reason of a verdict, and the fact it rests on in short words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from inventory.rules.facts import ContainerFacts
from inventory.rules.levels import Level
from inventory.rules.peroxide import METHODS, Reading
from inventory.rules.phrases import Phrase
from inventory.rules.retest import Due, DueCode


@dataclass(frozen=True)
class VerdictReason:
    """A stable code, plain words, the fact it rests on, where the rule comes from, and what it comes to."""

    code: str
    words: str
    fact: str
    source: str
    level: Level


# There may be one of what was in it before it was topped up, treated or filled.
NO_TEST = Phrase("no test that speaks for what is in it now")
_NOTE_FACTS: Mapping[DueCode, Callable[[ContainerFacts], str]] = MappingProxyType(
    {
        "class-unknown": lambda facts: Phrase("peroxide class not known"),
        "origin-unknown": lambda facts: Phrase("origin not recorded"),
        "distilled-under-override": lambda facts: Phrase(
            "let through on {overridden_on}", overridden_on=facts.overridden_on
        ),
        "inhibitor-unknown": lambda facts: Phrase("inhibitor not recorded"),
        "inhibitor-claim-not-used": lambda facts: Phrase(
            "{origin}, no inhibitor added since", origin=facts.origin
        ),
        "inhibitor-needs-air": lambda facts: Phrase("class C under inert gas"),
        "inhibitor-taken-out": lambda facts: Phrase(
            "peroxides taken out on {treated_on}", treated_on=facts.treated_on
        ),
        "inhibitor-added": lambda facts: Phrase(
            "inhibitor added on {topped_up_on}", topped_up_on=facts.topped_up_on
        ),
    }
)
_MISSING: Mapping[DueCode, str] = MappingProxyType(
    {
        "opening-date-unknown": Phrase("opening date not recorded"),
        "receipt-date-unknown": Phrase("receipt date not recorded"),
        "made-date-unknown": Phrase("day of making not recorded"),
        "no-rule": Phrase("no row of the policy fits"),
        "distilled-under-override": Phrase("a supervisor let it through"),
    }
)


def due_fact(due: Due) -> str:
    """The fact behind a due day."""
    return _MISSING.get(due.code) or (Phrase("due {day}", day=due.on) if due.on else Phrase("due never"))


def note_fact(code: DueCode, facts: ContainerFacts) -> str:
    """The fact behind something that was assumed or set aside."""
    if code in _NOTE_FACTS:
        return _NOTE_FACTS[code](facts)
    return reading_fact(facts.last_test) if facts.last_test else NO_TEST


def reading_fact(reading: Reading) -> str:
    """A reading in short words, as "25 mg/L or more by test strip to 25 mg/L on 2024-04-01"."""
    lower, upper = reading.lower_mg_per_l, reading.upper_mg_per_l
    if upper is None:
        amount = Phrase("{lower:f} mg/L or more", lower=lower)
    elif lower == upper:
        amount = Phrase("{lower:f} mg/L", lower=lower)
    else:
        amount = Phrase("{lower:f} to {upper:f} mg/L", lower=lower, upper=upper)
    day = reading.tested_on or Phrase("an unknown day")
    return Phrase(
        "{amount} by {method} on {day}", amount=amount, method=METHODS[reading.method].name, day=day
    )

"""One reason of a verdict, and the fact it rests on in short words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from inventory.rules.facts import ContainerFacts
from inventory.rules.levels import Level
from inventory.rules.peroxide import METHODS, Reading
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
NO_TEST = "no test that speaks for what is in it now"
_NOTE_FACTS: Mapping[DueCode, Callable[[ContainerFacts], str]] = MappingProxyType(
    {
        "class-unknown": lambda facts: "peroxide class not known",
        "origin-unknown": lambda facts: "origin not recorded",
        "distilled-under-override": lambda facts: f"let through on {facts.overridden_on}",
        "inhibitor-unknown": lambda facts: "inhibitor not recorded",
        "inhibitor-claim-not-used": lambda facts: f"{facts.origin}, no inhibitor added since",
        "inhibitor-needs-air": lambda facts: "class C under inert gas",
        "inhibitor-taken-out": lambda facts: f"peroxides taken out on {facts.treated_on}",
        "inhibitor-added": lambda facts: f"inhibitor added on {facts.topped_up_on}",
    }
)
_MISSING: Mapping[DueCode, str] = MappingProxyType(
    {
        "opening-date-unknown": "opening date not recorded",
        "receipt-date-unknown": "receipt date not recorded",
        "made-date-unknown": "day of making not recorded",
        "no-rule": "no row of the policy fits",
        "distilled-under-override": "a supervisor let it through",
    }
)


def due_fact(due: Due) -> str:
    """The fact behind a due day."""
    return _MISSING.get(due.code) or f"due {due.on.isoformat() if due.on else 'never'}"


def note_fact(code: DueCode, facts: ContainerFacts) -> str:
    """The fact behind something that was assumed or set aside."""
    if code in _NOTE_FACTS:
        return _NOTE_FACTS[code](facts)
    return reading_fact(facts.last_test) if facts.last_test else NO_TEST


def reading_fact(reading: Reading) -> str:
    """A reading in short words, as "25 mg/L or more by test strip to 25 mg/L on 2024-04-01"."""
    lower, upper = reading.lower_mg_per_l, reading.upper_mg_per_l
    if upper is None:
        amount = f"{lower:f} mg/L or more"
    elif lower == upper:
        amount = f"{lower:f} mg/L"
    else:
        amount = f"{lower:f} to {upper:f} mg/L"
    day = reading.tested_on.isoformat() if reading.tested_on else "an unknown day"
    return f"{amount} by {METHODS[reading.method].name} on {day}"

"""One predicted loss, with all that it rests on, and the small tools that make one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from math import sqrt
from typing import Literal

from inventory.rules.phrases import Phrase
from recovery.rules.budget import combined
from recovery.rules.properties import Properties

__all__ = ["Ask", "Input", "State", "Term", "Told", "between", "not_told", "worked_out"]

State = Literal["worked-out", "assumed", "not-told", "fitted"]
OUR_CHOICE = Phrase("common practice, no source")


@dataclass(frozen=True, slots=True)
class Told:
    """A fact of a run: a number in the unit of its field with its standard uncertainty, or a word."""

    number: float | None = None
    u: float = 0.0
    word: str = ""


@dataclass(frozen=True, slots=True)
class Input:
    """What a term was worked out with. told False: an assumption. u: standard uncertainty in `unit`."""

    name: str
    value: float
    u: float
    unit: str
    told: bool = True


@dataclass(frozen=True, slots=True)
class Term:
    """One predicted loss of solvent, µl at 20 °C.

    value_ul: None where nothing can be said; then `missing` names the facts that would do. state "assumed":
    at least one input is a range that nobody told, and `assumptions` names it. place: the kind of place in
    the ledger that a measured loss of this sort is booked to, "" for none.
    """

    code: str
    words: str
    state: State
    value_ul: int | None
    u_ul: int = 0
    formula: str = ""
    inputs: tuple[Input, ...] = ()
    assumptions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    place: str = ""
    counts: bool = True


@dataclass(frozen=True, slots=True)
class Ask:
    """What is known of a run before its losses are predicted.

    defaults: what its kind takes where a fact was not told; a term that rests on one says so.

    charged_ml, returned_ml: of this solvent, at 20 °C; returned_ml None: not yet known. facts: by the keys
    of run fields. asked: the fields that the kind of run asks for; None: kind not told. heel_ml: asked to
    be left in the still. forms_peroxides: only what does, or may, is asked to leave one. hold_up_ml: of the
    apparatus, by name.
    """

    solvent: Properties
    charged_ml: float
    returned_ml: float | None = None
    facts: Mapping[str, Told] = field(default_factory=dict)
    defaults: Mapping[str, Told] = field(default_factory=dict)
    distils: bool = True
    asked: frozenset[str] | None = None
    heel_ml: float = 0.0
    forms_peroxides: bool = True
    hold_up_ml: Mapping[str, float | None] = field(default_factory=dict)

    def told(self, key: str) -> tuple[float, float] | None:
        """(number, standard uncertainty) of a fact; None when not told."""
        found = self.facts.get(key) or self.defaults.get(key)
        return None if found is None or found.number is None else (found.number, found.u)

    def word(self, key: str) -> str:
        """The word of a fact that is a choice; "" when not told."""
        found = self.facts.get(key) or self.defaults.get(key)
        return "" if found is None else found.word

    def concerns(self, *keys: str) -> bool:
        """Whether a term with these facts belongs to such a run: one is told, or its kind asks for one."""
        if any(key in self.facts for key in keys):
            return True
        return self.asked is None or bool(self.asked & set(keys))

    def taken(self, keys: Iterable[str]) -> list[str]:
        """Which of these facts are not told and taken as the kind of run suggests."""
        return [key for key in keys if key not in self.facts and key in self.defaults]


def between(low: float, high: float) -> tuple[float, float]:
    """Middle and standard uncertainty of anything between two bounds: rectangular, GUM 4.3.7."""
    return (low + high) / 2, abs(high - low) / (2 * sqrt(3))


def not_told(code: str, words: str, missing: Iterable[str], why: str, *, place: str = "") -> Term:
    """A loss of which nothing can be said: it has no value, so it is never taken for nothing."""
    return Term(code, words, "not-told", None, assumptions=(why,), missing=tuple(missing), place=place)


def worked_out(
    code: str,
    words: str,
    *,
    work: Callable[[Mapping[str, float]], float],
    inputs: Iterable[Input],
    most_ml: float,
    formula: str,
    assumptions: Iterable[str] = (),
    sources: Iterable[str] = (),
    place: str = "",
) -> Term:
    """A loss worked out in mL from inputs, never below nothing nor above most_ml (all that was charged)."""
    held = tuple(inputs)
    found = combined(
        lambda at: min(max(work(at), 0.0), most_ml),
        {one.name: (one.value, one.u) for one in held},
        lowest={one.name: 0.0 for one in held if one.unit != "Cel"},
    )
    return Term(
        code,
        words,
        "worked-out" if all(one.told for one in held) else "assumed",
        round(found.value * 1000),
        round(found.u * 1000),
        formula,
        tuple(one for one in held if one.unit),
        tuple(dict.fromkeys(assumptions)),
        tuple(dict.fromkeys(sources)),
        place=place,
    )

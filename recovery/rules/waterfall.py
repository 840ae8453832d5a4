"""Predicted against observed: from what was charged down to what nobody can explain, step by step."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot, inf, isinf
from typing import Literal

from inventory.rules.phrases import Phrase
from recovery.rules.amounts import Combined
from recovery.rules.balance import Balance, Code
from recovery.rules.balance_words import coverage_words, expanded_words, remainder_words
from recovery.rules.predicted import Prediction, Term
from recovery.rules.predicted_terms import State as TermState

__all__ = ["Bar", "Role", "Waterfall", "waterfall"]

Role = Literal["start", "out", "predicted", "rest"]
State = Literal["recorded", "rest"] | TermState
EXPLAINED = Phrase("what is recorded and predicted")
LESS = Phrase(
    "{amount} ({coverage}) less is missing than was predicted: some prediction is too high for this run, or "
    "a return was read too high"
)
LESS_WITHIN = Phrase(
    "{amount} ({coverage}) less is missing than was predicted: no more than both may be wrong by"
)


@dataclass(frozen=True, slots=True)
class Bar:
    """One step. value_ul with standard uncertainty u_ul (k = 1), in µl at 20 °C; drawn from begins to ends.

    role: “start” stands on nothing, “out” and “predicted” lead down, “rest” is what is left. state
    “not-told”: nothing can be said, value_ul is 0 and must not be read as nothing lost.
    """

    code: str
    words: str
    role: Role
    value_ul: int
    u_ul: int
    begins_ul: int
    ends_ul: int
    state: State
    note: str = ""


@dataclass(frozen=True, slots=True)
class Waterfall:
    """All steps of one solvent; k: coverage factor for the whiskers.

    unexplained: lost, less what was named, less what is predicted of the rest.
    """

    solvent: str
    bars: tuple[Bar, ...]
    k: float
    code: Code
    words: str
    unexplained: Combined
    notes: tuple[str, ...] = ()

    @property
    def closes(self) -> bool:
        """Whether all steps together come to what was charged, to the µl."""
        steps = sum(bar.value_ul for bar in self.bars if bar.role != "start")
        return self.bars[0].value_ul == steps


def waterfall(*, solvent: str, balance: Balance, prediction: Prediction) -> Waterfall:
    """Put a balance and a prediction together. A predicted term whose loss was measured is left out."""
    named = {row.code: row.amount.volume_ul for row in balance.named}
    left = prediction.booked(named)
    rest = _rest(balance.unexplained, left)
    code = _code(balance.code, rest)
    steps: list[tuple[str, str, Role, int, float, State, str]] = [
        (
            "charged",
            Phrase("charged"),
            "start",
            balance.charged.volume_ul,
            balance.charged.u_ul,
            "recorded",
            "",
        ),
        _returned(balance),
    ]
    if balance.held.volume_ul:
        held = balance.held
        steps.append(("held", Phrase("still in the run"), "out", held.volume_ul, held.u_ul, "recorded", ""))
    steps += [
        (row.code, row.words, "out", row.amount.volume_ul, row.amount.u_ul, "recorded", "")
        for row in balance.named
    ]
    steps += [_predicted(term) for term in left.terms if term.counts]
    steps.append(("unexplained", Phrase("unexplained"), "rest", rest.volume_ul, rest.u_ul, "rest", ""))
    words = balance.words if code == "still-open" else _words(rest, balance)
    return Waterfall(
        solvent, _placed(steps), rest.k, code, words, rest, _notes(balance, prediction, left.terms)
    )


def _returned(balance: Balance) -> tuple[str, str, Role, int, float, State, str]:
    water = balance.water
    amount = expanded_words(water)
    note = Phrase("less {amount} of water in it", amount=amount) if water.volume_ul else ""
    back = balance.solvent_returned
    return "returned", Phrase("came back"), "out", back.volume_ul, back.u_ul, "recorded", note


def _predicted(term: Term) -> tuple[str, str, Role, int, float, State, str]:
    note = term.assumptions[0] if term.value_ul is None and term.assumptions else ""
    return f"predicted-{term.code}", term.words, "predicted", term.value_ul or 0, term.u_ul, term.state, note


def _placed(steps: Iterable[tuple[str, str, Role, int, float, State, str]]) -> tuple[Bar, ...]:
    """Each step where the one before ended."""
    level, bars = 0, []
    for code, words, role, value_ul, u_ul, state, note in steps:
        begins = 0 if role == "start" else level
        level = value_ul if role == "start" else level - value_ul
        bars.append(Bar(code, words, role, value_ul, round(u_ul), begins, level, state, note))
    return tuple(bars)


def _rest(unexplained: Combined, left: Prediction) -> Combined:
    """What a prediction leaves of the unexplained; the two are independent (JCGM 100:2008 5.1.2)."""
    u = hypot(unexplained.u_ul, left.u_total_ul)
    dof = inf
    if not isinf(unexplained.dof) and unexplained.u_ul:
        dof = unexplained.dof * (u / unexplained.u_ul) ** 4  # Welch and Satterthwaite, GUM G.4.1
    return Combined(unexplained.volume_ul - left.total_ul, u, dof)


def _code(of_balance: Code, rest: Combined) -> Code:
    if of_balance == "still-open":
        return of_balance
    if not rest.beyond:
        return "within-uncertainty"
    return "unexplained-loss" if rest.volume_ul > 0 else "unexplained-gain"


def _words(rest: Combined, balance: Balance) -> str:
    """Less missing than predicted is no gain of solvent unless more came back than went out."""
    if rest.volume_ul >= 0 or balance.unexplained.volume_ul < 0:
        return remainder_words(rest, explained=EXPLAINED)
    amount = expanded_words(rest)
    return Phrase(LESS if rest.beyond else LESS_WITHIN, amount=amount, coverage=coverage_words(rest))


def _notes(balance: Balance, prediction: Prediction, left: tuple[Term, ...]) -> tuple[str, ...]:
    dropped = [term.words for term in prediction.terms if term not in left]
    notes: list[str] = [
        Phrase("not predicted, because it was measured and booked: {words}", words=words) for words in dropped
    ]
    silent = [term.words for term in left if term.value_ul is None]
    notes += [Phrase("nothing can be said of: {words}", words=words) for words in silent]
    if prediction.fit:
        notes.append(Phrase("predicted with {fit}", fit=prediction.fit))
    return (*notes, *balance.notes)

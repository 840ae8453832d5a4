"""Run rules: patterns in the order of values that are unlikely while nothing has changed.

Each rule carries the publication that it is from. The rules assume values that scatter normally and know
nothing of each other, and a centre and spread that are known; from a few values of a baseline they signal
more often than their publications say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from inventory.rules.phrases import Phrase

WESTERN_ELECTRIC = Phrase("Western Electric, Statistical Quality Control Handbook, 1956")
NELSON = Phrase("L. S. Nelson, Journal of Quality Technology 16, 237, 1984")


@dataclass(frozen=True, slots=True)
class Broken:
    """A rule broken by the value at index `at`. indices: the values behind it, that one among them.

    side: 1 above the centre, -1 below, 0 where the rule knows no side.
    """

    rule: str
    at: int
    indices: tuple[int, ...]
    side: int


# Looks at the last values up to one, in standard deviations from the centre: the side, or None if it holds.
Look = Callable[[Sequence[float]], int | None]


@dataclass(frozen=True, slots=True)
class RunRule:
    """One rule: it looks at `span` values in a row."""

    key: str
    words: str
    source: str
    span: int
    look: Look

    def broken(self, scores: Sequence[float]) -> Iterator[Broken]:
        """Every value that breaks the rule. scores: values in standard deviations from the centre."""
        for at in range(self.span - 1, len(scores)):
            first = at - self.span + 1
            side = self.look(scores[first : at + 1])
            if side is not None:
                yield Broken(self.key, at, tuple(range(first, at + 1)), side)


def _beyond(limit: float, least: int) -> Look:
    """At least so many of the values beyond the limit on the side where the last one is."""

    def look(scores: Sequence[float]) -> int | None:
        side = 1 if scores[-1] > 0 else -1
        if side * scores[-1] <= limit:
            return None
        return side if sum(side * score > limit for score in scores) >= least else None

    return look


def _one_side(scores: Sequence[float]) -> int | None:
    if all(score > 0 for score in scores):
        return 1
    return -1 if all(score < 0 for score in scores) else None


def _steps(scores: Sequence[float]) -> list[float]:
    return [after - before for before, after in pairwise(scores)]


def _trend(scores: Sequence[float]) -> int | None:
    steps = _steps(scores)
    if all(step > 0 for step in steps):
        return 1
    return -1 if all(step < 0 for step in steps) else None


def _alternating(scores: Sequence[float]) -> int | None:
    steps = _steps(scores)
    turns = all(before * after < 0 for before, after in pairwise(steps))
    return 0 if turns else None


def _close(scores: Sequence[float]) -> int | None:
    return 0 if all(abs(score) < 1 for score in scores) else None


def _far(scores: Sequence[float]) -> int | None:
    return 0 if all(abs(score) > 1 for score in scores) else None


WESTERN_ELECTRIC_RULES = (
    RunRule("western-electric-1", Phrase("one beyond 3 sigma"), WESTERN_ELECTRIC, 1, _beyond(3, 1)),
    RunRule("western-electric-2", Phrase("two of three beyond 2 sigma"), WESTERN_ELECTRIC, 3, _beyond(2, 2)),
    RunRule("western-electric-3", Phrase("four of five beyond 1 sigma"), WESTERN_ELECTRIC, 5, _beyond(1, 4)),
    RunRule("western-electric-4", Phrase("eight in a row on one side"), WESTERN_ELECTRIC, 8, _one_side),
)
NELSON_RULES = (
    RunRule("nelson-1", Phrase("one beyond 3 sigma"), NELSON, 1, _beyond(3, 1)),
    RunRule("nelson-2", Phrase("nine in a row on one side"), NELSON, 9, _one_side),
    RunRule("nelson-3", Phrase("six in a row rising or falling"), NELSON, 6, _trend),
    RunRule("nelson-4", Phrase("fourteen in a row up and down in turn"), NELSON, 14, _alternating),
    RunRule("nelson-5", Phrase("two of three beyond 2 sigma"), NELSON, 3, _beyond(2, 2)),
    RunRule("nelson-6", Phrase("four of five beyond 1 sigma"), NELSON, 5, _beyond(1, 4)),
    RunRule("nelson-7", Phrase("fifteen in a row within 1 sigma"), NELSON, 15, _close),
    RunRule("nelson-8", Phrase("eight in a row beyond 1 sigma, on either side"), NELSON, 8, _far),
)
RULE_SETS = {"western-electric-1956": WESTERN_ELECTRIC_RULES, "nelson-1984": NELSON_RULES}
RULES = {rule.key: rule for rules in RULE_SETS.values() for rule in rules}


def broken_rules(
    values: Sequence[float], *, centre: float, sigma: float, rules: Sequence[RunRule]
) -> list[Broken]:
    """Every break of the rules, in the order of the values that complete them.

    sigma: standard deviation of the values, in their unit. Raises ValueError unless it is over zero.
    """
    if sigma <= 0:
        raise ValueError("without any spread there is no rule to break")
    scores = [(value - centre) / sigma for value in values]
    order = {rule.key: index for index, rule in enumerate(rules)}
    found = [one for rule in rules for one in rule.broken(scores)]
    return sorted(found, key=lambda one: (one.at, order[one.rule]))

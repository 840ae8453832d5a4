"""Run rules: each on a pattern that breaks it and one that does not, and how often they cry wolf."""

from __future__ import annotations

import random
from collections.abc import Sequence
from math import nan, sqrt

import pytest

from recovery.rules.run_rules import (
    NELSON,
    NELSON_RULES,
    RULES,
    WESTERN_ELECTRIC,
    WESTERN_ELECTRIC_RULES,
    RunRule,
    broken_rules,
)

UP, DOWN = [0.1 * n for n in range(1, 7)], [-0.1 * n for n in range(1, 7)]
SWING = [0.5, -0.5] * 7
# Key, scores that break it with the last value and not before, scores one step short of it.
CASES: list[tuple[str, list[float], list[float]]] = [
    ("western-electric-1", [3.01], [3.0]),
    ("western-electric-2", [2.1, 0.0, 2.1], [2.1, 0.0, -2.1]),
    ("western-electric-3", [1.1, 1.1, -0.5, 1.1, 1.1], [1.1, 1.1, -0.5, 1.1, 0.9]),
    ("western-electric-4", [0.1] * 8, [0.1] * 7 + [0.0]),
    ("nelson-1", [-3.01], [-3.0]),
    ("nelson-2", [-0.1] * 9, [-0.1] * 8),
    ("nelson-3", UP, UP[:5]),
    ("nelson-3", DOWN, [*DOWN[:5], DOWN[4]]),
    ("nelson-4", SWING, [*SWING[:13], SWING[12]]),
    ("nelson-5", [-2.1, -2.1], [-2.1, -1.9]),
    ("nelson-6", [-1.1] * 4, [-1.1] * 3),
    ("nelson-7", [0.9, -0.9, 0.5] * 5, [0.9, -0.9, 0.5] * 4 + [0.9, -0.9, 1.0]),
    ("nelson-8", [1.1, -1.1] * 4, [1.1, -1.1] * 3 + [1.1, 0.9]),
]


def breaks(key: str, scores: Sequence[float]) -> list[int]:
    padded = [nan] * max(RULES[key].span - len(scores), 0) + list(scores)
    return [one.at - (len(padded) - len(scores)) for one in RULES[key].broken(padded)]


@pytest.mark.parametrize(("key", "breaking", "holding"), CASES)
def test_each_rule_by_its_publication(key: str, breaking: list[float], holding: list[float]) -> None:
    """Western Electric 1956 and Nelson 1984, as NIST 6.3.2 and the journal word them (from memory)."""
    assert breaks(key, breaking)[-1:] == [len(breaking) - 1]
    assert breaks(key, breaking[:-1]) == []
    assert breaks(key, holding) == []


def test_every_rule_has_a_case_and_a_publication() -> None:
    assert {key for key, _, _ in CASES} == set(RULES)
    assert {rule.source for rule in WESTERN_ELECTRIC_RULES} == {WESTERN_ELECTRIC}
    assert {rule.source for rule in NELSON_RULES} == {NELSON}


def test_a_break_names_its_side_and_the_values_behind_it() -> None:
    found = broken_rules([10, 10, 14.2, 10, 14.2], centre=10, sigma=2, rules=WESTERN_ELECTRIC_RULES)
    assert [(one.rule, one.at, one.indices, one.side) for one in found] == [
        ("western-electric-2", 4, (2, 3, 4), 1)
    ]
    with pytest.raises(ValueError, match="spread"):
        broken_rules([1, 1], centre=1, sigma=0, rules=NELSON_RULES)


def _mean_run_length(rules: Sequence[RunRule], *, seed: int, runs: int) -> tuple[float, float]:
    """Mean number of values up to the first break on normal values, and its standard error."""
    dice, lengths = random.Random(seed), []
    span = max(rule.span for rule in rules)
    for _ in range(runs):
        scores: list[float] = []
        while True:
            scores.append(dice.gauss(0, 1))
            last = scores[-span:]
            if any(len(last) >= r.span and r.look(last[-r.span :]) is not None for r in rules):
                break
        lengths.append(len(scores))
    mean = sum(lengths) / runs
    return mean, sqrt(sum((n - mean) ** 2 for n in lengths) / (runs - 1) / runs)


@pytest.mark.parametrize(
    ("chosen", "published"),
    [((1, 2), 225.44), ((1, 3), 166.05), ((1, 4), 152.73), ((1, 2, 3, 4), 91.75)],
)
def test_run_lengths_are_those_that_champ_and_woodall_published(
    chosen: tuple[int, ...], published: float
) -> None:
    """Champ and Woodall, Technometrics 29, 393, 1987, exact values for normal data (from memory)."""
    rules = [WESTERN_ELECTRIC_RULES[n - 1] for n in chosen]
    mean, error = _mean_run_length(rules, seed=sum(chosen), runs=600)
    assert abs(mean - published) < 3 * error


def test_run_length_of_three_sigma_limits_is_370_4() -> None:
    """One over the chance of a normal value beyond 3 sigma: exact, by SciPy."""
    from scipy.stats import norm

    exact = 1 / (2 * norm.sf(3))
    assert round(exact, 1) == 370.4
    mean, error = _mean_run_length(WESTERN_ELECTRIC_RULES[:1], seed=3, runs=400)
    assert abs(mean - exact) < 3 * error

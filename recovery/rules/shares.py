"""Whole parts of a whole, in proportion, with nothing lost to rounding."""

from __future__ import annotations

from collections.abc import Sequence


def split_in_proportion(total: int, weights: Sequence[int]) -> list[int]:
    """Split a whole number by weights (>= 0, not all zero) so that the parts sum to it exactly.

    Largest remainder method: whole shares first, then one more each to the largest remainders.
    """
    whole = sum(weights)
    if total < 0 or whole <= 0 or min(weights) < 0:
        raise ValueError("a total of 0 or more and weights with a positive sum are needed")
    parts = [total * weight // whole for weight in weights]
    by_remainder = sorted(range(len(weights)), key=lambda i: (-(total * weights[i] % whole), i))
    for i in by_remainder[: total - sum(parts)]:
        parts[i] += 1
    return parts

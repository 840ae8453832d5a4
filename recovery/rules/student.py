"""Student's t without a library, for whole degrees of freedom: pages that show an interval start no SciPy."""

from __future__ import annotations

from functools import lru_cache
from math import atan, cos, pi, sin, sqrt

HALVINGS = 200


def t_within(t: float, freedom: int) -> float:
    """The chance that a t variable lies within ±t, t zero or more, freedom 1 or more.

    Exact sums for whole degrees of freedom: Abramowitz and Stegun 26.7.3 and 26.7.4 (from memory; held to
    SciPy by the tests).
    """
    angle = atan(t / sqrt(freedom))
    cosine = cos(angle)
    odd = freedom % 2
    if odd and freedom == 1:
        return 2 * angle / pi
    term = total = cosine if odd else 1.0
    for k in range(3 if odd else 2, freedom - 1, 2):
        term *= cosine * cosine * (k - 1) / k
        total += term
    return 2 / pi * (angle + sin(angle) * total) if odd else sin(angle) * total


@lru_cache(maxsize=512)
def t_quantile(level: float, freedom: int) -> float:
    """The t with `level` of the chance within ±t: 0.95 and 34 give 2.03224.

    Raises ValueError for a level that is no chance, or less than one degree of freedom.
    """
    if not 0 < level < 1 or freedom < 1:
        raise ValueError("a level lies between 0 and 1, and one degree of freedom is the least")
    low, high = 0.0, 1.0
    while t_within(high, freedom) < level:
        high *= 2
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if t_within(middle, freedom) < level else (low, middle)
    return (low + high) / 2

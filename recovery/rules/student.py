"""Student's t without a library, for whole degrees of freedom: pages that show an interval start no SciPy."""

from __future__ import annotations

from functools import lru_cache
from math import atan, cos, exp, log1p, pi, sin, sqrt

HALVINGS = 200
# More degrees of freedom than this are not summed one by one.
MANY = 200
# From here on no float tells it from the normal distribution.
NORMAL = 10**15
# Beyond it the chance is 1 to the last digit of a float with as many degrees of freedom as that, or more.
CERTAIN = 12.0
# Γ(b + ½) / (Γ(b) √b) in powers of 1/b (DLMF 5.11.13); what is left out is below 1e-15 from b = 100 on.
GAMMA_RATIO = (1.0, -1 / 8, 1 / 128, 5 / 1024, -21 / 32768, -399 / 262144, 869 / 4194304)


def t_within(t: float, freedom: int) -> float:
    """The chance that a t variable lies within ±t, t zero or more, freedom 1 or more.

    Exact sums for whole degrees of freedom: Abramowitz and Stegun 26.7.3 and 26.7.4 (from memory; held to
    SciPy by the tests). With many of them the series of `_within_many`, as long whatever their number.
    """
    if freedom > MANY:
        return _within_many(t, freedom)
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


def _within_many(t: float, freedom: int) -> float:
    """The same by the series of the incomplete beta function I_x(½, b), b half the freedom, x = t²/(t² + 2b).

    All its terms are positive (DLMF 8.17.8), and some hundreds are enough up to `CERTAIN`.
    """
    if t >= CERTAIN:
        return 1.0
    freedom = min(freedom, NORMAL)
    b, x = freedom / 2, t * t / (freedom + t * t)
    ratio = sqrt(b) * sum(part / b**power for power, part in enumerate(GAMMA_RATIO))
    term = total = 2 * ratio / sqrt(pi) * sqrt(x) * exp(-b * log1p(t * t / freedom))
    n = 0
    while term > total * 1e-17:
        term *= x * (b + 0.5 + n) / (1.5 + n)
        total += term
        n += 1
    return min(1.0, total)


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

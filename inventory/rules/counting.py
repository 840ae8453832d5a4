"""Whether what was found differs from what was recorded by more than both can be wrong by.

Variances of independent parts add up, and twice the standard uncertainty covers about 95 % (GUM, JCGM
100:2008, 5.1.2 and 6.2.1, k = 2). That two readings share an instrument or a density is left out: the parts
then count as independent, the sum comes out smaller, and a difference is rather told of than passed over.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import isqrt

COVERAGE_FACTOR = 2


def combined_u_ul(parts_ul: Iterable[int]) -> int:
    """Standard uncertainty of a sum or a difference of independent volumes, in whole µl, rounded up."""
    squares = sum(part * part for part in parts_ul)
    root = isqrt(squares)
    return root if root * root == squares else root + 1


def beyond_uncertainty(difference_ul: int, u_ul: int) -> bool:
    """Whether a difference is larger than its expanded uncertainty (k = 2). u_ul: standard uncertainty."""
    return abs(difference_ul) > COVERAGE_FACTOR * u_ul

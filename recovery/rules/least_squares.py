"""Straight least squares, free or not below nothing, by one triangle.

The design with the values beside it is turned into a triangle by Householder's reflections once (QR); what
comes after works on a triangle as small as there are coefficients, whatever the number of runs. Squares are
never formed, so ill-conditioned data keep their digits (NIST StRD in the tests).

Heavy packages are loaded inside functions: import this module freely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import Any

from recovery.rules.student import t_quantile

__all__ = ["CONDITION_MOST", "Solution", "Triangle", "free", "not_below_zero", "profile_limits", "triangle"]

#: scaled condition number above which coefficients cannot be told apart: Belsley, Kuh and Welsch 1980
CONDITION_MOST = 30.0
DOUBLINGS_MAX = 60
STEPS_MAX = 60
TOLERANCE = 1e-12
BLOCK_ROWS = 512


@dataclass(frozen=True)
class Triangle:
    """R of the design with columns scaled to length 1, what is left of the values, and their residue.

    upper: p × p; right: p values; rest: root of the residual sum of squares of the free fit; scale: length of
    each column; centred_ss, raw_ss: sum of squares of the values about their mean and about nothing.
    """

    upper: Any
    right: Any
    rest: float
    scale: Any
    count: int
    centred_ss: float
    raw_ss: float

    @property
    def condition(self) -> float:
        """Condition number of the scaled columns."""
        import numpy as np

        values = np.linalg.svd(self.upper, compute_uv=False)
        return float(values[0] / values[-1]) if values[-1] > 0 else inf


@dataclass(frozen=True)
class Solution:
    """coefficients in the units of the columns; free: which of them are above nothing. rss: residual sum of
    squares; dof: count less those free; covariance: of all, zeros for those at nothing."""

    coefficients: Any
    free: Any
    rss: float
    dof: int
    covariance: Any

    @property
    def sd(self) -> float:
        """Residual standard deviation."""
        return sqrt(self.rss / self.dof)

    @property
    def sds(self) -> Any:
        """Standard deviations of the coefficients."""
        import numpy as np

        return np.sqrt(np.diag(self.covariance))


def triangle(rows: Sequence[Sequence[float]] | Any, values: Sequence[float] | Any) -> Triangle:
    """Rows of drivers and one value for each. Raises ValueError for a column of nothing or too few rows."""
    import numpy as np

    design, given = np.asarray(rows, float), np.asarray(values, float)
    count, width = design.shape
    if count <= width:
        raise ValueError("more rows than coefficients are needed")
    scale = np.sqrt((design**2).sum(axis=0))
    if not (scale > 0).all():
        raise ValueError("a column of nothing says nothing")
    whole = _upper(np.column_stack([design / scale, given]))
    about_mean = given - given.mean()
    return Triangle(
        whole[:width, :width],
        whole[:width, width],
        float(abs(whole[width, width])),
        scale,
        count,
        float((about_mean * about_mean).sum()),
        float((given * given).sum()),
    )


def _upper(matrix: Any) -> Any:
    """The triangle of a tall matrix: of blocks of rows first, then of their triangles, stacked.

    As exact as in one go (Demmel, Grigori, Hoemmen and Langou, SIAM J. Sci. Comput. 34, A206, 2012, from
    memory), and no library starts threads for so little, which took ten times as long on a busy machine.
    """
    import numpy as np

    rows, width = matrix.shape
    whole = rows // BLOCK_ROWS
    if whole < 2 or width >= BLOCK_ROWS:
        return np.linalg.qr(matrix, mode="r")
    blocks = matrix[: whole * BLOCK_ROWS].reshape(whole, BLOCK_ROWS, width)
    parts: Any = np.linalg.qr(blocks, mode="r")
    return _upper(np.vstack([parts.reshape(-1, width), matrix[whole * BLOCK_ROWS :]]))


def free(of: Triangle) -> Solution:
    """Ordinary least squares."""
    import numpy as np

    return _solved(of, np.ones(len(of.scale), bool))


def not_below_zero(of: Triangle) -> Solution:
    """Least squares with no coefficient below nothing (Lawson and Hanson 1974, by scipy)."""
    from scipy.optimize import nnls

    found, _ = nnls(of.upper, of.right)
    return _solved(of, found > 0)


def _solved(of: Triangle, used: Any) -> Solution:
    """The solution in which only the columns that are used count."""
    import numpy as np

    width = len(of.scale)
    coefficients, covariance = np.zeros(width), np.zeros((width, width))
    rss, dof = of.rest**2, of.count - int(used.sum())
    if used.any():
        q, r = np.linalg.qr(of.upper[:, used])
        projected = q.T @ of.right
        coefficients[used] = np.linalg.solve(r, projected) / of.scale[used]
        left = of.right - q @ projected
        rss += float(left @ left)
        inverse = np.linalg.solve(r, np.eye(len(r))) / of.scale[used][:, None]
        covariance[np.ix_(used, used)] = inverse @ inverse.T * (rss / dof)
    else:
        rss += float(of.right @ of.right)
    return Solution(coefficients, used, rss, dof, covariance)


def profile_limits(of: Triangle, found: Solution, index: int, level: float) -> tuple[float, float]:
    """Between what a coefficient lies: all values that raise the residual sum of squares, the others fitted
    anew and not below nothing, by no more than s²·t².

    Where no bound is near, that is the t interval of ordinary least squares. At a bound a standard deviation
    means nothing and a bootstrap goes wrong (Andrews, Econometrica 68, 399, 2000, from memory); turning the
    test round still holds, on the safe side. No seed, no chance.
    """
    t = t_quantile(level, found.dof)
    short = _straight(of, found, index, t)
    if short is not None:
        return short
    most = found.sd**2 * t**2
    best = float(found.coefficients[index] * of.scale[index])
    step = sqrt(most) or abs(best) or 1.0
    at = _Profile(of, index, found.rss + most)
    high = at.root(best, step)
    low = 0.0 if at.height(0.0)[0] <= 0 else at.root(best, -step)
    scale = float(of.scale[index])
    return max(low, 0.0) / scale, high / scale


def _straight(of: Triangle, found: Solution, index: int, t: float) -> tuple[float, float] | None:
    """The limits where no other coefficient reaches or leaves nothing between them; None where one does.

    With the same ones above nothing all the way, the others and what pulls at those at nothing go in straight
    lines as one coefficient is moved: what holds at both ends holds in between, and the limits are t·sd away.
    """
    if not found.free[index]:
        return None
    best, reach = float(found.coefficients[index]), t * float(found.sds[index])
    ends = max(best - reach, 0.0), best + reach
    scale = float(of.scale[index])
    return ends if all(_same_free(of, found, index, end * scale) for end in ends) else None


def _same_free(of: Triangle, found: Solution, index: int, held: float) -> bool:
    """Whether the same other coefficients are above nothing with this scaled one held there."""
    import numpy as np

    others = found.free.copy()
    others[index] = False
    right = of.right - held * of.upper[:, index]
    if others.any():
        part = of.upper[:, others]
        values = np.linalg.lstsq(part, right, rcond=None)[0]
        if (values < 0).any():
            return False
        right = right - part @ values
    pull = of.upper[:, ~found.free].T @ right
    return bool((pull <= 0).all())


@dataclass(frozen=True)
class _Profile:
    """The residual sum of squares with one scaled coefficient held, less a ceiling; it bends upwards."""

    of: Triangle
    index: int
    ceiling: float

    def height(self, held: float) -> tuple[float, float]:
        """(height over the ceiling, slope)."""
        import numpy as np
        from scipy.optimize import nnls

        column = self.of.upper[:, self.index]
        right = self.of.right - held * column
        others = np.delete(self.of.upper, self.index, axis=1)
        left = right
        if others.shape[1]:
            left = right - others @ nnls(others, right)[0]
        return float(left @ left) + self.of.rest**2 - self.ceiling, float(-2 * column @ left)

    def root(self, start: float, step: float) -> float:
        """Where it reaches the ceiling on the side of `step`: past it by doubling, then back by Newton."""
        at = start + step
        for _ in range(DOUBLINGS_MAX):
            height, slope = self.height(at)
            if height >= 0:
                break
            step *= 2
            at = start + step
        for _ in range(STEPS_MAX):
            if slope == 0 or height <= TOLERANCE * max(self.ceiling, 1e-300):
                break
            at -= height / slope
            height, slope = self.height(at)
        return at

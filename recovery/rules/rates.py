"""A loss rate with its interval: the sum lost over the sum charged, as a ratio estimator over runs.

The interval says between what bounds the rate of such runs lies in the long run, judged by how they scatter
from one to the next. It says nothing of readings that are all wrong in the same way. Few runs give none: five
is the least, our choice, since with fewer the bounds are so wide that they tell nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt
from typing import Literal

from inventory.rules.phrases import Phrase
from recovery.rules.student import t_quantile

RUNS_LEAST, RUNS_FEW = 5, 10
LEVEL = 0.95
SOURCE = Phrase(
    "ratio of sums with the limits of E. C. Fieller, J. R. Statist. Soc. B 16, 175, 1954, and Student's t; "
    "standard error: W. G. Cochran, Sampling Techniques, chapter 6 (both from memory)"
)
# Closer than this to nothing, a spread of charges is what adding up in floating point leaves.
GRAIN = 1e-12

Why = Literal["", "nothing-charged", "too-few-runs", "charges-too-unlike"]
WHY_WORDS: dict[Why, str] = {
    "": "",
    "nothing-charged": Phrase("Nothing was charged: there is no rate."),
    "too-few-runs": Phrase("Fewer than {runs_least} runs: too few for an interval.", runs_least=RUNS_LEAST),
    "charges-too-unlike": Phrase("The charges are too unlike for an interval with so few runs."),
}
FEW_WORDS = Phrase("Fewer than {runs_few} runs: one more may move it a good deal.", runs_few=RUNS_FEW)


@dataclass(frozen=True, slots=True)
class Moments:
    """Sums over runs: of charges, losses, their squares and their product, in any one unit of volume."""

    runs: int
    charged: float
    lost: float
    charged_charged: float
    charged_lost: float
    lost_lost: float

    @classmethod
    def of(cls, pairs: Iterable[tuple[float, float]]) -> Moments:
        """Of pairs of charged and lost."""
        rows = [(float(charged), float(lost)) for charged, lost in pairs]
        return cls(
            len(rows),
            sum(charged for charged, _ in rows),
            sum(lost for _, lost in rows),
            sum(charged * charged for charged, _ in rows),
            sum(charged * lost for charged, lost in rows),
            sum(lost * lost for _, lost in rows),
        )


@dataclass(frozen=True, slots=True)
class Rate:
    """fraction: lost over charged. u: its standard error. lower, upper: its interval at `level`.

    None where there is none; why and words say so.
    """

    runs: int
    fraction: float | None
    u: float | None = None
    lower: float | None = None
    upper: float | None = None
    level: float = LEVEL
    why: Why = ""

    @property
    def words(self) -> str:
        """What is to be said of so few runs; empty where nothing is."""
        if self.why:
            return WHY_WORDS[self.why]
        return FEW_WORDS if self.runs < RUNS_FEW else ""


def loss_rate(moments: Moments, *, level: float = LEVEL) -> Rate:
    """The rate of some runs, with Fieller's interval once there are five and their charges bear it."""
    n = moments.runs
    if moments.charged <= 0:
        return Rate(n, None, level=level, why="nothing-charged")
    ratio = moments.lost / moments.charged
    if n < RUNS_LEAST:
        return Rate(n, ratio, level=level, why="too-few-runs")
    x, y = moments.charged / n, moments.lost / n
    xx, xy, yy = _covariances(moments, x, y)
    u = sqrt(max(yy - 2 * ratio * xy + ratio * ratio * xx, 0.0) / n) / x
    t2 = t_quantile(level, n - 1) ** 2 / n
    a, b, c = x * x - t2 * xx, x * y - t2 * xy, y * y - t2 * yy
    if a <= GRAIN * x * x:
        return Rate(n, ratio, u, level=level, why="charges-too-unlike")
    half = sqrt(max(b * b - a * c, 0.0)) / a
    return Rate(n, ratio, u, b / a - half, b / a + half, level)


def _covariances(moments: Moments, x: float, y: float) -> tuple[float, float, float]:
    """Variance of the charges, covariance, and variance of the losses, with n - 1."""
    n = moments.runs
    return (
        max(moments.charged_charged - n * x * x, 0.0) / (n - 1),
        (moments.charged_lost - n * x * y) / (n - 1),
        max(moments.lost_lost - n * y * y, 0.0) / (n - 1),
    )

"""The one way in which a measured value and its uncertainty are rounded for people."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from typing import NamedTuple

__all__ = ["Rounded", "rounded"]

FIGURES = 2
#: Floats are exact to some 15 figures; beyond these an uncertainty is noise that must not push it up.
TRUE_FIGURES = 13


class Rounded(NamedTuple):
    """Value and uncertainty, both whole numbers of `step`."""

    value: Decimal
    spread: Decimal
    step: Decimal


def rounded(value: float | Decimal, spread: float | Decimal, *, finest: Decimal | None = None) -> Rounded:
    """8.8 and 30.1 give 9 and 31: the uncertainty up to two figures, the value to the same place.

    At most two figures, and it may go up rather than to the nearest: JCGM 100:2008 7.2.6. So nothing looks
    better known than it is, and the same pair is the same wherever it stands. spread: above zero, standard
    or expanded. finest: no step is smaller. Raises ValueError for a spread of nothing or less.
    """
    exact, wide = Decimal(str(value)), _without_noise(Decimal(str(spread)))
    if wide <= 0:
        raise ValueError("only an uncertainty above zero says where to round")
    step = _step(wide, finest)
    up = _at(wide, step, ROUND_CEILING)
    if _step(up, finest) > step:  # 0.996 goes up to 1.0
        step = _step(up, finest)
        up = _at(up, step, ROUND_CEILING)
    return Rounded(_at(exact, step, ROUND_HALF_UP) or abs(step * 0), up, step)


def _step(spread: Decimal, finest: Decimal | None) -> Decimal:
    step = Decimal(1).scaleb(spread.adjusted() - FIGURES + 1)
    return step if finest is None else max(step, finest)


def _at(number: Decimal, step: Decimal, how: str) -> Decimal:
    return (number / step).quantize(Decimal(1), how) * step


def _without_noise(spread: Decimal) -> Decimal:
    if not spread:
        return spread
    return round(spread, TRUE_FIGURES - 1 - spread.adjusted())

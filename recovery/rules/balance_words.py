"""Amounts in words: rounded so that nothing looks better known than it is."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from math import isinf

from recovery.rules.amounts import Combined

__all__ = ["plus_minus", "remainder_words"]

UL_PER_ML = 1000


def plus_minus(volume_ul: float, expanded_ul: float) -> str:
    """ "38 ± 6 mL": U rounded up to one figure, two when it begins with 1 or 2; the value to the same place.

    At most two figures of an uncertainty, and the value to match: GUM 7.2.6. Never finer than 1 µl.
    """
    value, spread = Decimal(str(volume_ul)) / UL_PER_ML, Decimal(str(expanded_ul)) / UL_PER_ML
    if spread <= 0:
        return f"{value.quantize(Decimal('0.001'), ROUND_HALF_EVEN).normalize():f} mL"
    step = _step(spread)
    up = spread.quantize(step, ROUND_CEILING)
    if _step(up) > step:  # 0.96 goes up to 1.0
        step = _step(up)
        up = up.quantize(step, ROUND_CEILING)
    return f"{_at(value, step)} ± {_at(up, step)} mL"


def _step(spread: Decimal) -> Decimal:
    figures = 2 if spread.as_tuple().digits[0] in (1, 2) else 1
    return max(Decimal(1).scaleb(spread.adjusted() - figures + 1), Decimal("0.001"))


def _at(value: Decimal, step: Decimal) -> str:
    return format((value / step).quantize(Decimal(1), ROUND_HALF_EVEN) * step, "f")


def coverage_words(found: Combined) -> str:
    """ "k = 2", or k with the degrees of freedom that it was read at."""
    if isinf(found.dof):
        return "k = 2"
    return f"k = {found.k:.2f}, {int(found.dof)} degrees of freedom"


def remainder_words(found: Combined, *, explained: str = "what is explained") -> str:
    """What a remainder means. Within its uncertainty it is no finding; more back than out is one."""
    amount = plus_minus(abs(found.volume_ul), found.expanded_ul)
    said = f"{amount} ({coverage_words(found)})"
    if found.volume_ul >= 0:
        if found.beyond:
            return f"{said} beyond {explained}"
        return f"{said} beyond {explained}: no more than the measuring may be wrong by"
    more = f"{said} more than {explained} and what was charged"
    if found.beyond:
        return f"{more}: not to be put down to measuring. Look for water, a mix-up or a charge not booked"
    return f"{more}: no more than the measuring may be wrong by"

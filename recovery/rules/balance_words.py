"""Amounts in words: rounded so that nothing looks better known than it is."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from math import isinf

from inventory.rules.phrases import Phrase
from recovery.rules.amounts import Combined

__all__ = ["plus_minus", "remainder_words"]

UL_PER_ML = 1000
EXPLAINED = Phrase("what is explained")
MISSING = Phrase("{amount} ({coverage}) beyond {explained}")
MISSING_WITHIN = Phrase(
    "{amount} ({coverage}) beyond {explained}: no more than the measuring may be wrong by"
)
MORE = Phrase(
    "{amount} ({coverage}) more than {explained} and what was charged: not to be put down to measuring. "
    "Look for water, a mix-up or a charge not booked"
)
MORE_WITHIN = Phrase(
    "{amount} ({coverage}) more than {explained} and what was charged: no more than the measuring may be "
    "wrong by"
)


def plus_minus(volume_ul: float, expanded_ul: float) -> Phrase:
    """ "38 ± 6 mL": U rounded up to one figure, two when it begins with 1 or 2; the value to the same place.

    At most two figures of an uncertainty, and the value to match: GUM 7.2.6. Never finer than 1 µl.
    """
    value, spread = Decimal(str(volume_ul)) / UL_PER_ML, Decimal(str(expanded_ul)) / UL_PER_ML
    if spread <= 0:
        return Phrase("{value:f} mL", value=value.quantize(Decimal("0.001"), ROUND_HALF_EVEN).normalize())
    step = _step(spread)
    up = spread.quantize(step, ROUND_CEILING)
    if _step(up) > step:  # 0.96 goes up to 1.0
        step = _step(up)
        up = up.quantize(step, ROUND_CEILING)
    return Phrase("{value:f} ± {spread:f} mL", value=_at(value, step), spread=_at(up, step))


def _step(spread: Decimal) -> Decimal:
    figures = 2 if spread.as_tuple().digits[0] in (1, 2) else 1
    return max(Decimal(1).scaleb(spread.adjusted() - figures + 1), Decimal("0.001"))


def _at(value: Decimal, step: Decimal) -> Decimal:
    return (value / step).quantize(Decimal(1), ROUND_HALF_EVEN) * step


def coverage_words(found: Combined) -> Phrase:
    """ "k = 2", or k with the degrees of freedom that it was read at."""
    if isinf(found.dof):
        return Phrase("k = 2")
    return Phrase("k = {k:.2f}, {freedom} degrees of freedom", k=found.k, freedom=int(found.dof))


def remainder_words(found: Combined, *, explained: Phrase = EXPLAINED) -> Phrase:
    """What a remainder means. Within its uncertainty it is no finding; more back than out is one."""
    amount = plus_minus(abs(found.volume_ul), found.expanded_ul)
    parts = {"amount": amount, "coverage": coverage_words(found), "explained": explained}
    if found.volume_ul >= 0:
        return Phrase(MISSING if found.beyond else MISSING_WITHIN, **parts)
    return Phrase(MORE if found.beyond else MORE_WITHIN, **parts)

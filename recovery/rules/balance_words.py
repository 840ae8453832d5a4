"""Amounts in words: rounded so that nothing looks better known than it is."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from math import isinf
from typing import Any

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.words import Unit, number
from inventory.rules.pictures.words import plus_minus as written
from recovery.rules.amounts import Combined

__all__ = ["Amount", "amounts_in", "expanded_words", "plus_minus", "remainder_words"]

UL_PER_ML = 1000
TENTH_ML_UL = 100
ML = Unit("mL", 1.0)
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


class Amount(Phrase):
    """A volume with its expanded uncertainty in words, which can be said again in another unit."""

    amount_ul: float
    expanded_ul: float


def plus_minus(volume_ul: float, expanded_ul: float, unit: Unit = ML) -> Amount:
    """ "38.2 ± 5.8 mL", rounded as everywhere (`inventory.rules.rounding`), never finer than 1 µl.

    Without an uncertainty to a tenth of a millilitre, as pages show what a bottle holds.
    """
    size_ul = Decimal(str(unit.size)) * UL_PER_ML
    value, spread = (Decimal(str(amount)) / size_ul for amount in (volume_ul, expanded_ul))
    if spread > 0:
        words = written(float(value), float(spread), unit.name, finest=1 / size_ul)
    else:
        step = TENTH_ML_UL / size_ul if size_ul >= UL_PER_ML else Decimal(1)
        told = number(float((value / step).quantize(Decimal(1), ROUND_HALF_UP) * step), float(step))
        words = Phrase("{value} {unit}", value=told, unit=unit.name)
    made = Amount(words.template, **words.parts)
    made.amount_ul, made.expanded_ul = volume_ul, expanded_ul
    return made


def amounts_in(words: Any, unit: Unit) -> Any:
    """Words with each amount in them in another unit; text without amounts stays as it is."""
    if isinstance(words, Amount):
        return plus_minus(words.amount_ul, words.expanded_ul, unit)
    if not isinstance(words, Phrase) or not words.parts:
        return words
    return Phrase(words.template, **{name: amounts_in(part, unit) for name, part in words.parts.items()})


def expanded_words(found: Combined) -> Amount:
    """How much, never below nothing, with its expanded uncertainty.

    Its standard uncertainty is taken in whole µl, as a chart and a table have it: they show the same pair.
    """
    return plus_minus(abs(found.volume_ul), found.k * round(found.u_ul))


def coverage_words(found: Combined) -> Phrase:
    """ "k = 2", or k with the degrees of freedom that it was read at."""
    if isinf(found.dof):
        return Phrase("k = 2")
    return Phrase("k = {k:.2f}, {freedom} degrees of freedom", k=found.k, freedom=int(found.dof))


def remainder_words(found: Combined, *, explained: Phrase = EXPLAINED) -> Phrase:
    """What a remainder means. Within its uncertainty it is no finding; more back than out is one."""
    amount = expanded_words(found)
    parts = {"amount": amount, "coverage": coverage_words(found), "explained": explained}
    if found.volume_ul >= 0:
        return Phrase(MISSING if found.beyond else MISSING_WITHIN, **parts)
    return Phrase(MORE if found.beyond else MORE_WITHIN, **parts)

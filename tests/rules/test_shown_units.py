"""Volumes in the unit that a person chose: the same volume, never less exact than a tenth of a millilitre."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.shown_units import UNITS, shown
from inventory.templatetags.amounts import ml, volumes_in
from recovery.templatetags.drawn import grams


# Conversion by the SI prefixes: 1 L = 1000 mL = 1 000 000 µL.
@pytest.mark.parametrize(
    ("volume_ul", "unit", "value", "symbol"),
    [
        (2_500_000, "", "2500.0", "mL"),
        (2_500_000, "L", "2.5000", "L"),
        (2_500_000, "uL", "2500000", "µL"),
        (50, "mL", "0.1", "mL"),
        (-50, "mL", "-0.1", "mL"),
        (123_456, "L", "0.1235", "L"),
        (7, "fl oz", "0.0", "mL"),
    ],
)
def test_a_volume_is_shown_in_the_chosen_unit(volume_ul: int, unit: str, value: str, symbol: str) -> None:
    assert shown(volume_ul, unit) == (Decimal(value), symbol)


@given(st.integers(-(10**12), 10**12), st.sampled_from(sorted(UNITS)))
def test_what_is_shown_is_within_half_a_tenth_of_a_millilitre(volume_ul: int, unit: str) -> None:
    value, _ = shown(volume_ul, unit)
    assert abs(value * UNITS[unit].ul - volume_ul) <= 50


def test_the_filter_shows_it_and_forgets_it_afterwards() -> None:
    with volumes_in("L"):
        assert ml(2_500_000) == '<data value="2500000">2.5000\u00a0L</data>'
    assert ml(2_500_000) == '<data value="2500000">2\u202f500.0\u00a0mL</data>'


@pytest.mark.parametrize(
    ("mass_ng", "words"),
    [
        (0, "0.00\u00a0g"),
        (5_000_000, "0.01\u00a0g"),
        (4_999_999, "below 0.01\u00a0g"),
        (-1, "above −0.01\u00a0g"),
        (1_234_560_000_000, "1\u202f234.56\u00a0g"),
    ],
)
def test_what_is_there_is_never_shown_as_nothing(mass_ng: int, words: str) -> None:
    assert grams(mass_ng) == words

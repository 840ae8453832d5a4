"""Inhibitor: mass ppm by its definition; rounding makes no dose too small and no content too large."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.inhibitor import dose_ug, reached_ppm

ETHER = Decimal("713.6")
volumes = st.integers(1, 10_000_000_000)
contents = st.decimals("0.001", "1000", places=3)


def test_a_litre_of_ether() -> None:
    """250 mg/kg in 0.7136 kg is 178.4 mg (definition of mass ppm)."""
    assert dose_ug(volume_ul=1_000_000, density_kg_m3=ETHER, wanted_ppm=Decimal(250)) == 178_400
    reached = reached_ppm(mass_ug=178_400, volume_ul=1_000_000, density_kg_m3=ETHER)
    assert reached == 250


@given(volumes, contents, contents)
def test_a_dose_reaches_what_is_wanted(volume_ul: int, wanted: Decimal, present: Decimal) -> None:
    mass_ug = dose_ug(volume_ul=volume_ul, density_kg_m3=ETHER, wanted_ppm=wanted, present_ppm=present)
    if mass_ug == 0:
        assert present >= wanted
    else:
        got = reached_ppm(mass_ug=mass_ug, volume_ul=volume_ul, density_kg_m3=ETHER, present_ppm=present)
        assert got >= wanted


@given(volumes, st.integers(1, 10**12))
def test_a_content_is_never_told_too_high(volume_ul: int, mass_ug: int) -> None:
    got = reached_ppm(mass_ug=mass_ug, volume_ul=volume_ul, density_kg_m3=ETHER)
    assert got * volume_ul * ETHER <= Decimal(mass_ug) * 10**6


@pytest.mark.parametrize("wanted", ["0", "-1", "10001"])
def test_a_content_out_of_range_is_refused(wanted: str) -> None:
    with pytest.raises(InputError) as caught:
        dose_ug(volume_ul=1, density_kg_m3=ETHER, wanted_ppm=Decimal(wanted))
    assert caught.value.code == "out-of-range"

"""Test methods: ranges of RIT, Aarhus iNANO and ASTM D3703; none vouches for what it cannot see."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.methods import H2O2_PER_ACTIVE_OXYGEN, METHODS, Method
from inventory.rules.peroxide import Reading, parse_reading, passes, reaches

ETHER_KG_M3 = Decimal("713.6")
LEVEL = Decimal(25)
AMOUNTS = st.decimals(0, 5000, places=2)
KEYS = st.sampled_from(sorted(METHODS))


def read(text: str, method: str) -> Reading:
    return parse_reading(text, method=method, density_20c_kg_m3=ETHER_KG_M3)


def scale(key: str) -> Method:
    return METHODS[key].at_density(ETHER_KG_M3)


@pytest.mark.parametrize(("key", "top"), [("strip-25", "25"), ("strip-100", "100")])
def test_strips_end_where_their_makers_say(key: str, top: str) -> None:
    """RIT: up to 25 mg/L; Aarhus iNANO: 1 to 100 mg/L."""
    assert METHODS[key].top_mg_per_l == METHODS[key].steps_mg_per_l[-1] == Decimal(top)


def test_factor_of_active_oxygen() -> None:
    """M(H2O2) 34.01468 and M(O) 15.999: 2.126 in four figures."""
    assert round(Decimal("34.01468") / Decimal("15.999"), 3) == H2O2_PER_ACTIVE_OXYGEN


def test_a_peroxide_number_in_ether() -> None:
    """10 mg/kg of active oxygen (ASTM D3703 section 9) is 21.26 mg/kg as H2O2: 15.17 mg/L of ether."""
    assert read("10", "peroxide-number").lower_mg_per_l == Decimal("15.171136")
    assert read("10 ppm", "peroxide-number") == read("10 mg/kg", "peroxide-number")
    assert read("neg", "peroxide-number").upper_mg_per_l == Decimal("0.75855680")


@pytest.mark.parametrize(
    ("text", "method", "density", "code"),
    [
        ("10", "peroxide-number", None, "density-needed"),
        ("10 mg/L", "peroxide-number", ETHER_KG_M3, "unit-does-not-fit"),
        ("1 %", "peroxide-number", ETHER_KG_M3, "unit-does-not-fit"),
        ("10 mg/kg", "strip-25", ETHER_KG_M3, "unit-does-not-fit"),
    ],
)
def test_units_are_not_mixed_up(text: str, method: str, density: Decimal | None, code: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_reading(text, method=method, density_20c_kg_m3=density)
    assert caught.value.code == code


@given(KEYS, AMOUNTS, st.sampled_from(["", ">", ">=", "~", "<"]))
def test_above_the_range_is_more_than(key: str, value: Decimal, sign: str) -> None:
    """From the end of a scale on nothing is known but "at least this": such a reading never passes."""
    reading, top = read(f"{sign}{value}", key), scale(key).top_mg_per_l
    if top is None or sign == "<":
        return
    if reading.lower_mg_per_l >= top:
        assert reading.upper_mg_per_l is None
        assert not passes(reading, Decimal(10) ** 9)
    assert sign == "" or reading.upper_mg_per_l is None


@given(KEYS, st.sampled_from(["neg", "0", "nd", "none detected"]))
def test_nothing_seen_reaches_up_to_the_first_step(key: str, text: str) -> None:
    assert read(text, key).lower_mg_per_l == 0
    assert read(text, key).upper_mg_per_l == scale(key).first_step_mg_per_l


@given(KEYS, AMOUNTS)
def test_no_upper_end_lies_below_the_first_step_or_above_the_scale(key: str, value: Decimal) -> None:
    upper, method = read(str(value), key).upper_mg_per_l, scale(key)
    if upper is not None:
        assert upper >= (method.first_step_mg_per_l or 0)
        assert method.top_mg_per_l is None or upper <= method.top_mg_per_l


@given(KEYS, AMOUNTS, st.none() | st.booleans())
def test_expired_reagents_harm_but_never_help(key: str, value: Decimal, expired: bool | None) -> None:
    fresh = replace(read(str(value), key).on(date(2026, 3, 1)), reagent_expired=False)
    old = replace(fresh, reagent_expired=expired)
    assert reaches(old, LEVEL) == reaches(fresh, LEVEL)
    assert passes(old, LEVEL) == (passes(fresh, LEVEL) and expired is not True)


def test_every_method_says_what_it_misses_and_who_says_so() -> None:
    for method in METHODS.values():
        assert method.limits, method.key
        assert all(limit.words.endswith(".") and limit.source for limit in method.limits)
        assert method.source
    strips = " ".join(METHODS["strip-25"].limit_words)
    assert "polymeric" in strips
    assert "dialkyl" in strips
    assert "pH 2 and pH 12" in strips
    for key in ("iodide-visual", "iodometric-titration", "peroxide-number"):
        assert "dialkyl" in " ".join(METHODS[key].limit_words)

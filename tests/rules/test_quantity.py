"""Reading quantities. Conversion figures: NIST SP 811 (2008) table B.8 (from memory), 7 digits as printed."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.quantity import Dimension, Quantity, parse_quantity
from inventory.rules.units import _TENS, UNITS, _registry, affine

ROOT = Path(__file__).resolve().parents[2]
ANY: tuple[Dimension, ...] = (
    "volume",
    "mass",
    "temperature",
    "mass-concentration",
    "amount-concentration",
    "density",
    "length",
    "time",
    "fraction",
)


def parse(raw: Any, **more: Any) -> Quantity:
    more.setdefault("dimension", ("volume", "mass", "temperature"))
    return parse_quantity(raw, field="amount", **more)


def code_of(raw: Any, **more: Any) -> str:
    with pytest.raises(InputError) as caught:
        parse(raw, **more)
    assert caught.value.field.startswith("amount")
    assert caught.value.remedy
    return caught.value.code


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("1 US gal", "L", "3.785412"),
        ("1 imp gal", "L", "4.54609"),
        ("1 US pint", "L", "0.4731765"),
        ("1 US qt", "L", "0.9463529"),
        ("1 US fl oz", "mL", "29.57353"),
        ("1 imp fl oz", "mL", "28.41306"),
        ("1 imp pint", "mL", "568.26125"),  # exactly an eighth of the imperial gallon
        ("1 lb", "kg", "0.4535924"),
        ("1 oz av", "g", "28.34952"),
        ("1 in", "mm", "25.4"),
        ("0.7136 g/cm3", "kg/m3", "713.6"),
        ("0.1 N", "mmol/L", "100"),  # one equivalent to the mole: thiosulfate
    ],
)
def test_conversions_agree_with_nist_sp_811(text: str, unit: str, expected: str) -> None:
    places = -int(Decimal(expected).as_tuple().exponent)
    assert round(parse(text, dimension=ANY).to(unit), places) == Decimal(expected)


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("68 °F", "20"),
        ("32 °F", "0"),
        ("212 F", "100"),
        ("-40 °F", "-40"),
        ("293.15 K", "20"),
        ("20 ℃", "20"),
    ],
)
def test_temperatures(text: str, celsius: str) -> None:
    """t/°C = (t/°F − 32)/1.8 and t/°C = T/K − 273.15, NIST SP 811 B.8 (from memory)."""
    assert parse(text).to("Cel") == Decimal(celsius)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("12.5 mL", "12.5", "mL"),
        ("500ml", "500", "mL"),
        ("500 ml.", "500", "mL"),
        ("0,50 L", "0.50", "L"),
        ("0,376 L", "0.376", "L"),
        ("2,39 L", "2.39", "L"),
        ("1.601 L", "1.601", "L"),
        ("1.000 mL", "1.000", "mL"),
        ("1 000 mL", "1000", "mL"),
        ("1 000,5 mL", "1000.5", "mL"),
        ("12\u202f500\u00a0µL", "12500", "uL"),
        ("1,000.5 mL", "1000.5", "mL"),
        ("1.000,5 mL", "1000.5", "mL"),
        ("1.234.567 uL", "1234567", "uL"),
        (".5 L", "0.5", "L"),
        ("250 cm³", "250", "mL"),
        ("50 cc", "50", "mL"),
        ("1e-3 L", "0.001", "L"),
        ("16 US fl oz", "16", "[foz_us]"),
        ("16 fl. oz. (U.S.)", "16", "[foz_us]"),
        ("16 imp fl oz", "16", "[foz_br]"),
        ("2 imperial pints", "2", "[pt_br]"),
        ("1 [gal_br]", "1", "[gal_br]"),
        ("210 g", "210", "g"),
        ("-5 °C", "-5", "Cel"),
        ({"value": "12.5", "unit": "mL"}, "12.5", "mL"),
        ({"value": 3, "unit": "L"}, "3", "L"),
        ({"value": Decimal("0.25"), "unit": "kg"}, "0.25", "kg"),
    ],
)
def test_what_people_write(text: Any, value: str, unit: str) -> None:
    found = parse(text)
    assert (found.value, found.unit) == (Decimal(value), unit)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1,000 mL", "ambiguous-number"),
        ("886,125 mL", "ambiguous-number"),
        ("1 pint", "ambiguous-unit"),
        ("2 gal", "ambiguous-unit"),
        ("3 fl oz", "ambiguous-unit"),
        ("1 qt", "ambiguous-unit"),
        ("5 oz", "ambiguous-unit"),
        ("5 firkin", "unknown-unit"),
        ("5 mL 3", "unknown-unit"),
        ("12", "unit-missing"),
        ("-3 mL", "negative"),
        ("-300 °C", "out-of-range"),
        ("1e400 mL", "out-of-range"),
        ("1e-400 mL", "out-of-range"),
        ("9" * 30 + " mL", "too-many-digits"),
        ("9" * 70 + " mL", "too-long"),
        ("NaN mL", "not-a-number"),
        ("Infinity mL", "not-a-number"),
        ("half", "not-a-number"),
        ("2½ L", "not-a-number"),
        ("1/2 L", "not-a-number"),
        ("5-6 mL", "not-a-number"),
        ("<5 mL", "not-a-number"),
        ("1.2.3 mL", "not-a-number"),
        ("12 34 mL", "not-a-number"),
        ("", "empty"),
        (" \u2009 ", "empty"),
        ("20 h", "wrong-dimension"),
        (12.5, "wrong-type"),
        ({"value": 12.5, "unit": "mL"}, "wrong-type"),
        ({"value": True, "unit": "mL"}, "wrong-type"),
        ({"value": "1", "unit": 7}, "wrong-type"),
        ({"unit": "mL"}, "empty"),
        ({"value": "1", "unit": "mL", "colour": "red"}, "unknown-key"),
        ({"value": "1 mL", "unit": "mL"}, "unit-twice"),
        ({"value": 10**5000, "unit": "mL"}, "out-of-range"),
        ({"value": "NaN", "unit": "mL"}, "not-a-number"),
    ],
)
def test_refused_with_a_remedy(text: Any, code: str) -> None:
    assert code_of(text) == code


def test_ambiguous_unit_names_both_choices() -> None:
    with pytest.raises(InputError, match="US pint or imp pint"):
        parse("1 pint")


def test_zero_and_default_unit() -> None:
    assert parse("0 mL").value == 0
    assert str(parse("-0 mL").value) == "0"
    assert code_of("0 mL", allow_zero=False) == "zero"
    assert parse("0 °C", allow_zero=False).value == 0
    assert parse("250", default_unit="mL").unit == "mL"


def test_conversion_to_another_kind_is_refused() -> None:
    with pytest.raises(InputError, match="cannot be given in mL"):
        parse("1 g").to("mL")


def test_reading_brings_no_heavy_library() -> None:
    script = (
        "import sys, inventory.rules.volume, inventory.rules.chemicals_lookup as c;"
        "from inventory.rules.quantity import parse_quantity as p;"
        "p('12.5 mL', field='x', dimension='volume'); c.load_catalogue();"
        "print([m for m in ('pint', 'scipy', 'numpy', 'chemicals', 'django') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == "[]"


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused_in_plain_words(text: str) -> None:
    try:
        found = parse(text, dimension=ANY)
    except InputError as error:
        assert error.code
        assert error.detail
    else:
        assert found.value.is_finite()


@given(
    st.decimals(min_value=0, max_value=10**6, places=4),
    st.sampled_from([unit.code for unit in UNITS.values() if unit.dimension == "volume"]),
    st.sampled_from([unit.code for unit in UNITS.values() if unit.dimension == "volume"]),
)
def test_there_and_back(value: Decimal, unit: str, other: str) -> None:
    there = Quantity(value, unit, "volume", "")
    back = Quantity(there.to(other), other, "volume", "").to(unit)
    assert abs(back - value) <= value * Decimal("1e-24")


@given(st.integers(0, 10**12))
def test_comma_and_point_mean_the_same(number: int) -> None:
    text = f"{number // 100}.{number % 100:02d} mL"
    assert parse(text).value == parse(text.replace(".", ",")).value == Decimal(number) / 100


@pytest.mark.parametrize(
    ("text", "expected"), [("0.01 M", "0.01"), ("0.01M", "0.01"), ("10 mM", "0.01"), ("0.1 N", "0.1")]
)
def test_a_titrant_is_molar_as_its_bottle_says(text: str, expected: str) -> None:
    """M for mol/L and mM for mmol/L: IUPAC Gold Book, "amount concentration" (from memory)."""
    read = parse(text, dimension="amount-concentration")
    assert read.to("mol/L") == Decimal(expected)
    assert read.unit in {"mol/L", "mmol/L"}


@pytest.mark.parametrize("text", ["0.01 M", "10 mM", "0.1 N"])
@pytest.mark.parametrize("dimension", ["length", "volume", "mass", "time"])
def test_a_molarity_is_no_length(text: str, dimension: Dimension) -> None:
    with pytest.raises(InputError) as caught:
        parse(text, dimension=dimension)
    assert caught.value.code == "wrong-dimension"
    assert "amount-concentration" in caught.value.detail


def test_small_letters_stay_lengths() -> None:
    assert parse("10 mm", dimension="length").unit == "mm"
    assert parse("2 m", dimension="length").unit == "m"
    assert parse("2 MM", dimension="length").unit == "mm"


def test_powers_of_ten_are_those_of_the_library() -> None:
    """pint's own table of units."""
    for units in _TENS.values():
        for source in units:
            for target in units:
                one = _registry().Quantity(Fraction(1), UNITS[source].pint_name)
                factor = Fraction(one.to(UNITS[target].pint_name).magnitude)
                assert affine(source, target) == (factor, Fraction(0)), (source, target)

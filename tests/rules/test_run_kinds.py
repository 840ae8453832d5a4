"""Kinds of run and their facts as data: what is shipped, how a fact is read, what a lab may add."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.units import UNITS
from recovery.rules.kinds_file import check_asked, load_fields, load_kinds
from recovery.rules.run_facts import read_fact
from recovery.rules.run_kinds import DIMENSIONS, AskedFor, FieldData, check_field, number_text

FIELDS = load_fields()
BY_CYLINDER = {"value": "80", "unit": "mL", "instrument": "cylinder-a-100"}
# The keys that predictions, plans and charts read, by their quantity and unit.
AGREED = {
    "water-volume": ("volume", "mL"), "water-phases": ("count", ""), "contacts": ("count", ""),
    "water-temperature": ("temperature", "Cel"), "salting": ("choice", ""),
    "salt-concentration": ("concentration", "g/L"), "coolant-temperature": ("temperature", "Cel"),
    "take-over-time": ("duration", "min"), "room-temperature": ("temperature", "Cel"),
    "pressure": ("pressure", "kPa"), "bath-temperature": ("temperature", "Cel"),
    "gas-volume": ("volume", "L"),
    "open-time": ("duration", "min"), "open-area": ("area", "cm2"), "transfers": ("count", ""),
    "wetted-volume": ("volume", "mL"), "product-mass": ("mass", "g"), "product-hold-up": ("volume", "mL"),
    "bed-volume": ("volume", "mL"), "cycles": ("count", ""),
}  # fmt: skip


def test_the_shipped_fields_are_those_agreed_on() -> None:
    assert {key: (field.quantity, field.unit) for key, field in FIELDS.items()} == AGREED
    assert dict(FIELDS["salting"].choices).keys() == {"none", "part", "saturated"}
    assert all(field.source for field in FIELDS.values())


def test_only_rinsing_is_taken_as_not_distilling() -> None:
    """What is not known is the worse: solvent is distilled or concentrated."""
    assert [key for key, kind in load_kinds().items() if not kind.distils] == ["rinsing"]
    assert all(kind.source for kind in load_kinds().values())


@pytest.mark.parametrize(
    ("key", "raw", "number", "u"),
    [
        # 100 mL cylinder class A: ±0.5 mL rectangular (ASTM E1272-02 Table 1), GUM 4.3.7.
        (
            "water-volume",
            {"value": "80", "unit": "mL", "instrument": "cylinder-a-100"},
            80,
            0.5 / math.sqrt(3),
        ),
        ("water-volume", {"value": "0.5", "unit": "L", "uncertainty": "0.01"}, 500, 10),
        ("coolant-temperature", "12 °C", 12, 0.5 / math.sqrt(3)),
        ("coolant-temperature", "50 °F", 10, 0.5 / math.sqrt(3)),
        ("coolant-temperature", "12", 12, 0.5 / math.sqrt(3)),
        # The last digit told, d/√12 (GUM F.2.2.1).
        ("take-over-time", "2 h", 120, 60 / math.sqrt(12)),
        ("take-over-time", "120 min", 120, 1 / math.sqrt(12)),
        ("pressure", "250 mbar", 25, 0.1 / math.sqrt(12)),
        ("open-area", "0.012 m2", 120, 10 / math.sqrt(12)),
        ("salt-concentration", "350 g/L", 350, 1 / math.sqrt(12)),
        ("contacts", 3, 3, 0),
        ("contacts", "3", 3, 0),
    ],
)
def test_a_fact_is_a_number_with_its_uncertainty(key: str, raw: Any, number: float, u: float) -> None:
    found = read_fact(FIELDS[key], raw, field="x")
    assert found.number is not None and found.u_number is not None
    assert float(found.number) == pytest.approx(number)
    assert float(found.u_number) == pytest.approx(u, abs=2e-6)
    assert found.as_entered["text"]


@pytest.mark.parametrize(
    ("key", "raw", "field", "code"),
    [
        ("water-volume", "150", "x", "unit-missing"),
        ("water-volume", "150 g", "x", "wrong-dimension"),
        ("water-volume", "101 L", "x", "out-of-range"),
        ("water-volume", {"value": "1", "unit": "mL", "colour": "red"}, "x", "unknown-key"),
        ("water-volume", {"value": "1", "unit": "mL", "uncertainty": "-1"}, "x.uncertainty", "not-a-number"),
        (
            "water-volume",
            {"value": "1", "unit": "mL", "instrument": "spoon"},
            "x.instrument",
            "unknown-instrument",
        ),
        ("water-volume", {"value": "1", "unit": "mL", "instrument": 5}, "x.instrument", "wrong-type"),
        ("coolant-temperature", "200 °C", "x", "out-of-range"),
        ("coolant-temperature", {"value": "1", "instrument": "x"}, "x", "unknown-key"),
        ("contacts", "2.5", "x", "not-whole"),
        ("contacts", "3 mL", "x", "not-whole"),
        ("contacts", True, "x", "wrong-type"),
        ("contacts", 51, "x", "out-of-range"),
        ("salting", "pepper", "x", "unknown-choice"),
        ("salting", {"value": "none"}, "x", "unknown-choice"),
    ],
)
def test_what_cannot_be_read_names_field_bounds_and_remedy(key: str, raw: Any, field: str, code: str) -> None:
    with pytest.raises(InputError) as refused:
        read_fact(FIELDS[key], raw, field=field.partition(".")[0])
    assert (refused.value.field, refused.value.code) == (field, code)
    assert refused.value.remedy
    if code == "out-of-range":
        assert FIELDS[key].bounds in refused.value.remedy


def test_words_and_yes_or_no() -> None:
    yes_no, words = FieldData("shaken", "Shaken", "yes-no"), FieldData("colour", "Colour", "text")
    assert read_fact(yes_no, True, field="x").number == 1
    assert read_fact(words, " green ", field="x").as_entered["value"] == "green"
    for field, raw in ((yes_no, "yes"), (words, ""), (words, 5), (words, "a\x00"), (words, "a" * 501)):
        with pytest.raises(InputError):
            read_fact(field, raw, field="x")


@given(
    value=st.decimals("0.001", 100, places=3),
    pair=st.sampled_from(
        [
            (key, unit)
            for key, field in FIELDS.items()
            if field.quantity in ("volume", "mass", "duration", "pressure", "area")
            for unit, known in UNITS.items()
            if known.dimension in DIMENSIONS[field.quantity]
        ]
    ),
)
def test_units_go_round(value: Decimal, pair: tuple[str, str]) -> None:
    """Told in the field's own unit, the number found is the number found before."""
    key, unit = pair
    field = replace(FIELDS[key], lowest=None, highest=None)
    first = read_fact(field, f"{value} {unit}", field="x").number
    assert first is not None
    again = read_fact(field, f"{first} {field.unit}", field="x").number
    assert again == first


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"key": "Not A Key"}, "key"),
        ({"name": " "}, "name"),
        ({"quantity": "mood"}, "quantity"),
        ({"unit": "g"}, "unit"),
        ({"unit": ""}, "unit"),
        ({"quantity": "count"}, "unit"),
        ({"lowest": Decimal(5), "highest": Decimal(4)}, "highest"),
        ({"highest": Decimal("1e30")}, "highest"),
        ({"choices": (("a", "A"),)}, "choices"),
        ({"quantity": "choice", "unit": ""}, "choices"),
        ({"quantity": "choice", "unit": "", "choices": (("a", "A"), ("a", "B"))}, "choices"),
        ({"quantity": "text", "unit": "", "lowest": Decimal(1)}, "lowest"),
    ],
)
def test_a_field_that_cannot_be_is_refused(changes: dict[str, Any], field: str) -> None:
    good = FieldData("leaf-volume", "Volume of leaves", "volume", "mL")
    assert check_field(good) is good
    with pytest.raises(InputError) as refused:
        check_field(replace(good, **changes))
    assert refused.value.field == field


def test_a_kind_asks_for_what_there_is_with_defaults_that_fit() -> None:
    check_asked([AskedFor("cycles", "12"), AskedFor("salting", "none")], FIELDS)
    for asked, field in (
        ([AskedFor("nothing")], "fields.0.field"),
        ([AskedFor("cycles"), AskedFor("cycles")], "fields.1.field"),
        ([AskedFor("cycles", "12 mL")], "fields.0.default"),
        ([AskedFor("cycles")] * 41, "fields"),
    ):
        with pytest.raises(InputError) as refused:
            check_asked(asked, FIELDS)
        assert refused.value.field == field


@pytest.mark.parametrize(
    ("value", "text"), [("0", "0"), ("100.000000", "100"), ("1E+3", "1000"), ("-0.5", "-0.5")]
)
def test_numbers_read_the_same_from_every_database(value: str, text: str) -> None:
    assert number_text(Decimal(value)) == text

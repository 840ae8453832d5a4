"""Peroxide readings: levels of Michigan State and Iowa State EHS, ranges of RIT and Aarhus iNANO strips."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.peroxide import (
    METHODS,
    PeroxideClass,
    Reading,
    parse_reading,
    passes,
    reaches,
    worst_class,
)

LEVEL = Decimal(25)
STOP = Decimal(100)


@pytest.mark.parametrize(
    ("text", "method", "lower", "upper"),
    [
        ("5", "not-stated", "5", "5"),
        ("0,5", "not-stated", "0.5", "0.5"),
        ("<1", "not-stated", "0", "1"),
        ("≤ 10 ppm", "not-stated", "0", "10"),
        (">25", "not-stated", "25", None),
        ("5-10", "not-stated", "5", "10"),
        ("10 to 5", "not-stated", "5", "10"),
        # A negative result means "below what the method shows": of an unknown method, nothing.
        ("neg", "not-stated", "0", None),
        ("0", "not-stated", "0", None),
        ("trace", "not-stated", "0", None),
        ("?", "not-stated", "0", None),
        ("5?", "not-stated", "5", None),
        ("ca. 5", "not-stated", "5", None),
        # RIT procedure: strip to 25 mg/L; steps 0-0.5-2-5-10-25 (from memory).
        ("neg", "strip-25", "0", "0.5"),
        ("0", "strip-25", "0", "0.5"),
        ("0.2", "strip-25", "0.2", "0.5"),
        ("trace", "strip-25", "0.5", None),
        ("10", "strip-25", "10", "10"),
        ("25", "strip-25", "25", None),
        ("50", "strip-25", "50", None),
        ("<30", "strip-25", "0", None),
        ("10-50", "strip-25", "10", None),
        # Aarhus iNANO: strip from 1 to 100 mg/L.
        ("neg", "strip-100", "0", "1"),
        ("<0.5", "strip-100", "0", "1"),
        ("50", "strip-100", "50", "50"),
        ("100", "strip-100", "100", None),
        # Faint at 0.01 %, strong at 0.1 % (from memory); 0.01 % (m/v) = 0.1 g/L = 100 mg/L.
        ("neg", "iodide-visual", "0", "100"),
        ("faint", "iodide-visual", "100", None),
        ("brown", "iodide-visual", "1000", None),
        ("0.1 %", "iodide-visual", "1000", "1000"),
        # ProMinent manual p. 48: 11.8 mL of 0.1 N on 20 mL is 1003 mg/L.
        ("1003 mg/L", "iodometric-titration", "1003", "1003"),
        ("neg", "iodometric-titration", "0", "10"),
    ],
)
def test_what_people_write(text: str, method: str, lower: str, upper: str | None) -> None:
    expected = Reading(Decimal(lower), None if upper is None else Decimal(upper), method)
    assert parse_reading(text, method=method, field="peroxide") == expected


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "reading-missing"),
        ("  ", "reading-missing"),
        ("-5", "reading-not-understood"),
        ("ok", "reading-not-understood"),
        ("nan", "reading-not-understood"),
        ("1e3", "reading-not-understood"),
        ("٥", "reading-not-understood"),
        ("1,000", "number-ambiguous"),
        ("1.000", "number-ambiguous"),
        ("5 - 1,000", "number-ambiguous"),
    ],
)
def test_what_is_no_result_is_refused(text: str, code: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_reading(text, field="rows[3].peroxide")
    assert (caught.value.code, caught.value.field) == (code, "rows[3].peroxide")
    assert caught.value.remedy


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(InputError, match="strip-25"):
        parse_reading("5", method="litmus")


@pytest.mark.parametrize(
    ("text", "fit", "reached", "stopped"),
    [
        # Michigan State EHS: < 25 usable, 25 to 100 pickup. Iowa State EHS: 100 itself is already "dispose".
        ("24", True, False, False),
        ("24.99", True, False, False),
        ("25", False, True, False),
        ("99", False, True, False),
        ("100", False, True, True),
        ("101", False, True, True),
        ("<25", False, False, False),
        ("10-30", False, False, False),
        (">10", False, False, False),
        ("neg", False, False, False),
    ],
)
def test_levels(text: str, fit: bool, reached: bool, stopped: bool) -> None:
    reading = parse_reading(text)
    assert (passes(reading, LEVEL), reaches(reading, LEVEL), reaches(reading, STOP)) == (
        fit,
        reached,
        stopped,
    )


@given(
    st.decimals(0, 1000, places=2),
    st.sampled_from(sorted(key for key, method in METHODS.items() if method.unit == "mg/L")),
    st.sampled_from(["", "<", ">", "~"]),
)
def test_a_method_only_ever_widens(value: Decimal, method: str, sign: str) -> None:
    bare = parse_reading(f"{sign}{value}")
    known = parse_reading(f"{sign}{value}", method=method)
    assert known.lower_mg_per_l == bare.lower_mg_per_l
    if value and bare.upper_mg_per_l is not None and known.upper_mg_per_l is not None:
        assert known.upper_mg_per_l >= bare.upper_mg_per_l
    assert not (passes(known, LEVEL) and value >= LEVEL)


@given(st.text(max_size=12))
def test_any_text_is_a_reading_or_a_clear_error(text: str) -> None:
    try:
        reading = parse_reading(text, method="strip-25")
    except InputError as error:
        assert error.field == "reading"
    else:
        assert reading.lower_mg_per_l >= 0


@pytest.mark.parametrize(("lower", "upper"), [("-1", None), ("5", "4"), ("NaN", None), ("0", "Infinity")])
def test_impossible_bounds_are_refused(lower: str, upper: str | None) -> None:
    with pytest.raises(InputError):
        Reading(Decimal(lower), None if upper is None else Decimal(upper))


def test_a_reading_takes_its_date() -> None:
    day = date(2024, 5, 1)
    assert parse_reading("5", tested_on=day) == parse_reading("5").on(day)


def test_a_mixture_is_as_bad_as_its_worst_part() -> None:
    held: tuple[PeroxideClass, ...] = ("none", "D", "B")
    for parts in permutations(held):
        assert worst_class(parts, inhibited=False) == "B"
    # Cornell and Princeton: class C uninhibited 24 h, class A 3 months, class C inhibited 12.
    both: tuple[PeroxideClass, ...] = ("A", "C")
    assert worst_class(both, inhibited=False) == "C"
    assert worst_class(both, inhibited=True) == "A"
    assert worst_class(("unknown", "B"), inhibited=True) == "unknown"
    assert worst_class((), inhibited=True) == "unknown"

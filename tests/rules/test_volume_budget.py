"""The budget of a volume: the printed example, Student's t against SciPy, drawing against adding."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from inventory.rules.instruments import INSTRUMENTS
from recovery.rules.volume_budget import (
    added,
    instrument_line,
    reading_line,
    repeat_line,
    spread_line,
    temperature_line,
    tolerance_line,
)


def test_the_printed_volume_of_a_standard() -> None:
    """EURACHEM/CITAC CG 4, example A1: 100 mL ± 0.1 (triangle), ± 4 K × 2.1e-4, 0.02: 0.06647."""
    parts = [
        tolerance_line(0.1, "triangular", "A1"),
        temperature_line(100, 4, 2.1e-4, "A1"),
        spread_line(0.02),
    ]
    found = added(100, parts)
    assert found.u_ml == pytest.approx(0.0664730521840743, abs=1e-5)
    assert [round(line.u_ml, 3) for line in parts] == [0.041, 0.048, 0.02]
    assert found.lines[0].name == "temperature"
    assert found.expanded_ml == pytest.approx(2 * found.u_ml)


def test_the_printed_concentration_of_that_standard() -> None:
    """The same example: m 100.28 mg, u(V) 0.07 as printed: 1002.7 mg/L, u 0.9 (from memory)."""
    from recovery.rules.budget import combined

    inputs = {"m": (100.28, 0.05), "p": (0.9999, 0.000058), "v": (100.0, 0.07)}
    found = combined(lambda x: 1000 * x["m"] * x["p"] / x["v"], inputs)
    assert (round(found.value, 1), round(found.u, 1)) == (1002.7, 0.9)


@pytest.mark.parametrize(("half", "spread", "u"), [(4.0, "rectangular", 2.3), (4.0, "triangular", 1.6)])
def test_bounds_of_a_temperature(half: float, spread: str, u: float) -> None:
    """JCGM 100:2008 4.4.5 and 4.4.6: bounds 96 to 104, 2.3 as a rectangle and 1.6 as a triangle."""
    assert round(tolerance_line(half, spread, "").u_ml, 1) == u  # type: ignore[arg-type]


readings = st.lists(st.floats(99, 101), min_size=2, max_size=25)


@given(readings, st.floats(0.001, 0.5))
def test_few_readings_widen_the_interval(values: list[float], half: float) -> None:
    repeats = repeat_line(values)
    found = added(100, [repeats, tolerance_line(half, "rectangular", "")])
    assert found.u_ml >= repeats.u_ml
    if found.k_exact is not None and math.isfinite(found.freedom):
        exact = student.ppf((1 + 0.9545) / 2, float(math.floor(found.freedom)))
        assert found.k_exact == pytest.approx(exact, rel=1e-6)
    assert found.expanded_ml >= 2 * found.u_ml


def test_adding_agrees_with_drawing() -> None:
    """JCGM 101:2008: a rectangle, a triangle and a normal part, 100 000 draws."""
    parts = [tolerance_line(0.5, "rectangular", ""), reading_line(0.4), spread_line(0.2)]
    dice = random.Random(11)
    drawn = [
        dice.uniform(-0.5, 0.5) + dice.triangular(-0.4, 0.4) + dice.gauss(0, 0.2) for _ in range(100_000)
    ]
    spread = math.sqrt(math.fsum(x * x for x in drawn) / len(drawn))
    assert added(100, parts).u_ml == pytest.approx(spread, rel=0.01)


def test_a_listed_cylinder() -> None:
    """ASTM E1272-02 Table 1: class A of 250 mL ± 1.00 mL; two fillings count twice."""
    cylinder = INSTRUMENTS["cylinder-a-250"]
    assert instrument_line(cylinder, 200).u_ml == pytest.approx(1 / math.sqrt(3))
    assert instrument_line(cylinder, 400).u_ml == pytest.approx(2 / math.sqrt(3))

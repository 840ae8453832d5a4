"""Calculators: they keep nothing, so anybody who is signed in may ask, in any lab or none."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from inventory.api.calculator import Calculator
from inventory.api.fields import AmountField, Body
from inventory.api.measures import MeasureField, TitrationAsk
from inventory.api.shapes_bench import DoseShape, TitrationShape
from inventory.rules import titration
from inventory.rules.errors import InputError
from inventory.rules.inhibitor import COUNTS_AFTER_A_TEST, CURES_NOTHING, FORMULA, SOURCE, dose_ug
from inventory.rules.methods import METHODS
from inventory.rules.quantity import parse_quantity
from inventory.rules.titration import interval
from inventory.rules.titration_entry import read_titration
from inventory.rules.volume import MAX_VOLUME_UL

UG_PER_MG = 1000


class TitrationCalculations(Calculator):
    """Iodometric titration: peroxide as mg/L of H2O2, mass ppm and mg/kg of active oxygen."""

    name = "titration"
    summary = "Work a titration out"
    words = "lower and upper: value ± 2 u, the upper never below what one drop shows."
    ask = TitrationAsk
    answer = TitrationShape
    formula = titration.FORMULA
    sources = titration.SOURCES

    def work(self, data: Any) -> dict[str, Any]:
        return _titration(data)


def _titration(data: Any) -> dict[str, Any]:
    done = read_titration(data)
    working = dict(done.working)
    del working["given"]
    known = done.result.mg_per_l is not None
    found = interval(done.result) if known else None
    return {
        "method": done.method,
        **working,
        "lower_mg_per_l": found and _text(found.lower_mg_per_l),
        "upper_mg_per_l": found and found.upper_mg_per_l and _text(found.upper_mg_per_l),
        "limits": list(METHODS[done.method].limit_words),
    }


def _text(value: Decimal) -> str:
    return format(value.quantize(Decimal("0.001")), "f")


class DoseAsk(Body):
    """How much inhibitor a volume takes for a wanted content in mass ppm."""

    volume = AmountField(help_text="Of solvent.")
    density = MeasureField(help_text='At 20 °C, as "0.7136 g/mL".')
    wanted = MeasureField(help_text='As "250 ppm".')
    present = MeasureField(required=False, help_text="Left out: none. Distilled solvent holds none.")


class InhibitorDoses(Calculator):
    """Mass of inhibitor, such as BHT, for a wanted content."""

    name = "inhibitor-dose"
    summary = "Work a dose of inhibitor out"
    words = CURES_NOTHING
    ask = DoseAsk
    answer = DoseShape
    formula = FORMULA
    sources = (SOURCE,)

    def work(self, data: Any) -> dict[str, Any]:
        return _dose(data)


def _dose(data: Any) -> dict[str, Any]:
    volume = parse_quantity(data["volume"], field="volume", dimension="volume", allow_zero=False)
    density = parse_quantity(data["density"], field="density", dimension="density", allow_zero=False)
    wanted = parse_quantity(data["wanted"], field="wanted", dimension="fraction", allow_zero=False)
    present = parse_quantity(data.get("present", "0 ppm"), field="present", dimension="fraction")
    volume_ul = int(volume.to("uL").to_integral_value())
    if not 0 < volume_ul <= MAX_VOLUME_UL:
        raise InputError(
            "volume", "out-of-range", "1 uL to 10 000 L is taken here.", "Check number and unit."
        )
    kg_m3 = density.to("kg/m3")
    if not 500 <= kg_m3 <= 3000:
        raise InputError(
            "density", "out-of-range", "500 to 3000 kg/m3 is taken here.", "Check number and unit."
        )
    mass_ug = dose_ug(
        volume_ul=volume_ul,
        density_kg_m3=kg_m3,
        wanted_ppm=wanted.to("[ppm]"),
        present_ppm=present.to("[ppm]"),
    )
    return {
        "mass": mass_mg_out(mass_ug),
        "formula": FORMULA,
        "source": SOURCE,
        "warnings": [CURES_NOTHING, COUNTS_AFTER_A_TEST],
    }


def mass_mg_out(mass_ug: int) -> dict[str, str | None]:
    """A mass in mg, exact."""
    value = format(Decimal(mass_ug) / UG_PER_MG, "f")
    return {"value": value, "unit": "mg", "uncertainty": None}

"""The calculators of density and of the uncertainty of a volume."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from rest_framework import serializers

from inventory.api.calculator import Calculator
from inventory.api.fields import Body, TextField
from inventory.api.measures import MeasureField
from inventory.rules.density import CAUTIOUS_EXPANSION_PER_K, Liquid, density_kg_m3, u_density_kg_m3
from inventory.rules.errors import InputError
from inventory.rules.instruments import NOT_STATED, find_instrument
from inventory.rules.volume import GLASS_EXPANSION_PER_K
from recovery.api.calculator_fields import (
    LOCAL,
    PureField,
    measured_out,
    number_out,
    shipped_solvent,
)
from recovery.api.shapes_calculators import DensityShape, VolumeBudgetShape
from recovery.rules import volume_budget
from recovery.rules.asked import Wanted, read_amount, read_number
from recovery.rules.budget import COVERAGE, Estimate, type_a
from recovery.rules.volume_budget import Line, VolumeBudget

DENSITY_FORMULA = "rho(T) = rho(20)·(1 - beta·(T - 20) - s·(T - 20)²), s for water alone"
DENSITY_SOURCES = (
    "a straight line, held against CoolProp 8 from 0 to 35 °C: worst 0.08 %, THF 0.19 %",
    "uncertainty: JCGM 100:2008 5.1.2",
)
TEMPERATURE = Wanted("temperature", "temperature", "Cel", -20, 60)
DENSITY = Wanted("density_20c", "density", "kg/m3", 300, 4000, 0.005 / math.sqrt(3))
VOLUME = Wanted("volume", "volume", "mL", 0.001, 10_000_000)
RANGE_USUAL_K = 5.0
READINGS_MAX = 30


class DensityAsk(Body):
    """A solvent of the catalogue, or a density at 20 °C with its expansion."""

    temperature = MeasureField(help_text='As "25 °C", -20 to 60.')
    solvent = TextField(max_length=120, required=False)
    density_20c = MeasureField(required=False, help_text="Where no solvent is named.")
    expansion = PureField(required=False, help_text='Per kelvin at 20 °C, as "0.0012".')


class Densities(Calculator):
    """Density of a solvent at a temperature."""

    name = "density"
    summary = "Work a density out"
    ask = DensityAsk
    answer = DensityShape
    formula = DENSITY_FORMULA
    sources = DENSITY_SOURCES

    def work(self, data: Any) -> dict[str, Any]:
        name, liquid, said, sources = _liquid(data)
        at = read_amount(data["temperature"], TEMPERATURE)
        if at.u == 0:
            said.append("thermometer not told: good to ± 0.5 K")
            at = replace(at, u=0.5 / math.sqrt(3))
        celsius = Decimal(repr(at.value))
        density, u = density_kg_m3(liquid, celsius), u_density_kg_m3(liquid, celsius)
        slope = float(liquid.density_20c_kg_m3 * liquid.expansion[0])
        both = Estimate(float(density), math.hypot(float(u), slope * at.u))
        ratio = float(liquid.density_20c_kg_m3 / density)
        drift = abs(at.value - 20) * float(liquid.expansion[1]) + float(liquid.expansion[0]) * at.u
        if not 0 <= at.value <= 35:
            said.append("outside of 0 to 35 °C, where the line was not held against anything")
        return {
            "solvent": name,
            "temperature": measured_out(at, "Cel"),
            "density": measured_out(both, "kg/m3"),
            "volume_of_1_l_at_20c": measured_out(Estimate(ratio, ratio * drift), "L"),
            "formula": DENSITY_FORMULA,
            "sources": [*DENSITY_SOURCES, *sources],
            "assumptions": said,
            "cautions": [LOCAL],
        }


def _liquid(data: Mapping[str, Any]) -> tuple[str, Liquid, list[str], list[str]]:
    """(name, liquid, assumptions, sources). Raises InputError when neither or both are told."""
    if ("solvent" in data) == ("density_20c" in data):
        words = "Name a solvent, or give its density at 20 °C."
        raise InputError("solvent", "one-of-two", words, "Send exactly one of the two.")
    if "solvent" in data:
        of = shipped_solvent(data["solvent"])
        return of.name, of.liquid, [], [of.source("density-20c"), of.source("expansion-20c")]
    told = read_amount(data["density_20c"], DENSITY)
    expansion, said = None, []
    if "expansion" in data:
        expansion = read_number(data["expansion"], field="expansion", low=0, high=0.01)
    else:
        said.append(f"expansion not told: {CAUTIOUS_EXPANSION_PER_K} per K taken, with a wide uncertainty")
    liquid = Liquid(
        Decimal(repr(told.value)),
        Decimal(repr(told.u)),
        None if expansion is None else Decimal(repr(expansion.value)),
        Decimal(repr(expansion.u)) if expansion and expansion.u else None,
    )
    return "", liquid, said, []


class VolumeAsk(Body):
    """One volume, or repeated readings of it, and what they were read with."""

    volume = MeasureField(required=False, help_text="One reading; or send `readings`.")
    readings = serializers.ListField(
        child=MeasureField(), required=False, min_length=2, max_length=READINGS_MAX
    )
    instrument = TextField(max_length=40, required=False, help_text='As "cylinder-b-100".')
    tolerance = MeasureField(required=False, help_text="± of an instrument that is not listed.")
    tolerance_spread = serializers.ChoiceField(["rectangular", "triangular", "normal"], required=False)
    mark = MeasureField(required=False, help_text="± of reading the mark.")
    repeatability = MeasureField(required=False, help_text="Standard uncertainty (k = 1) found elsewhere.")
    temperature_range = MeasureField(required=False, help_text='± in kelvins, as "4 K". Left out: 5 K.')
    solvent = TextField(max_length=120, required=False, help_text="For its expansion.")
    expansion = PureField(required=False, help_text="Per kelvin, liquid less glass.")


class VolumeUncertainties(Calculator):
    """The uncertainty budget of a volume read with glassware."""

    name = "volume-uncertainty"
    summary = "Work the uncertainty of a volume out"
    ask = VolumeAsk
    answer = VolumeBudgetShape
    formula = volume_budget.FORMULA
    sources = volume_budget.SOURCES

    def work(self, data: Any) -> dict[str, Any]:
        said: list[str] = []
        values = _readings(data)
        mean = values[0] if len(values) == 1 else type_a(values)[0]
        lines = [_instrument(data, mean, said), _temperature(data, mean, said)]
        if len(values) > 1:
            lines.append(volume_budget.repeat_line(values))
        if "mark" in data:
            lines.append(volume_budget.reading_line(_ml(data, "mark")))
        if "repeatability" in data:
            lines.append(volume_budget.spread_line(_ml(data, "repeatability")))
        return _budget_out(volume_budget.added(mean, lines), said)


def _readings(data: Mapping[str, Any]) -> list[float]:
    if ("volume" in data) == ("readings" in data):
        words = "One volume or several readings of it."
        raise InputError("volume", "one-of-two", words, "Send exactly one of the two.")
    if "volume" in data:
        return [read_amount(data["volume"], VOLUME).value]
    return [
        read_amount(raw, replace(VOLUME, field=f"readings.{index}")).value
        for index, raw in enumerate(data["readings"])
    ]


def _ml(data: Mapping[str, Any], field: str) -> float:
    return read_amount(data[field], Wanted(field, "volume", "mL", 0, 1_000_000)).value


def _instrument(data: Mapping[str, Any], volume_ml: float, said: list[str]) -> Line:
    if "tolerance" in data:
        if "instrument" in data:
            words = "A listed instrument has a tolerance already."
            raise InputError("tolerance", "one-of-two", words, "Send exactly one of the two.")
        spread = data.get("tolerance_spread", "rectangular")
        if "tolerance_spread" not in data:
            said.append("spread of the tolerance not told: rectangular, the wider")
        return volume_budget.tolerance_line(_ml(data, "tolerance"), spread, "as told")
    key = data.get("instrument", NOT_STATED)
    if key == NOT_STATED:
        said.append("instrument not told: taken as a rough estimate")
    found = find_instrument(key, field="instrument")
    if found.kind == "balance":
        raise InputError("instrument", "instrument-mismatch", "A balance reads no volume.", "Name glassware.")
    return volume_budget.instrument_line(found, volume_ml)


def _temperature(data: Mapping[str, Any], volume_ml: float, said: list[str]) -> Line:
    half_k = RANGE_USUAL_K
    if "temperature_range" in data:
        half_k = _kelvins(data["temperature_range"])
    else:
        said.append(f"temperature not told: 20 °C ± {RANGE_USUAL_K:g} K taken")
    if "expansion" in data:
        told = read_number(data["expansion"], field="expansion", low=-0.01, high=0.01)
        return volume_budget.temperature_line(volume_ml, half_k, told.value, "as told")
    glass = float(GLASS_EXPANSION_PER_K)
    if "solvent" not in data:
        said.append(f"liquid not told: expansion {CAUTIOUS_EXPANSION_PER_K} per K taken")
        return volume_budget.temperature_line(
            volume_ml, half_k, float(CAUTIOUS_EXPANSION_PER_K) - glass, "common practice, no source"
        )
    of = shipped_solvent(data["solvent"])
    gamma = float(of.liquid.expansion[0]) - glass
    return volume_budget.temperature_line(volume_ml, half_k, gamma, of.source("expansion-20c"))


def _kelvins(raw: Any) -> float:
    """A difference of temperature, in kelvins."""
    told = raw if isinstance(raw, str) else f"{raw.get('value', '')} {raw.get('unit', '')}"
    return read_amount(told, Wanted("temperature_range", "temperature", "K", 0, 50)).value


def _budget_out(found: VolumeBudget, said: list[str]) -> dict[str, Any]:
    expanded = Estimate(found.expanded_ml)
    k = found.expanded_ml / found.u_ml if found.u_ml else COVERAGE
    return {
        "volume": measured_out(Estimate(found.volume_ml, found.u_ml), "mL"),
        "expanded": measured_out(expanded, "mL"),
        "k": number_out(k),
        "effective_freedom": None if math.isinf(found.freedom) else number_out(found.freedom),
        "budget": [
            {
                "name": line.name,
                "kind": line.kind,
                "half_width_ml": None if line.half_width_ml is None else number_out(line.half_width_ml),
                "spread": line.spread,
                "u_ml": number_out(line.u_ml),
                "share": number_out((line.u_ml / found.u_ml) ** 2 if found.u_ml else 0.0),
                "source": line.source,
            }
            for line in found.lines
        ],
        "formula": volume_budget.FORMULA,
        "sources": list(volume_budget.SOURCES),
        "assumptions": said,
        "cautions": [LOCAL],
    }

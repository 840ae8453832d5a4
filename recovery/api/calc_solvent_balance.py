"""The calculator of a solvent balance from figures that are given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from inventory.api.calculator import Calculator
from inventory.api.fields import Body
from inventory.api.measures import MeasureField
from inventory.api.shapes import Number, Words, text
from inventory.api.shapes_bench import MeasuredShape
from inventory.rules.errors import InputError
from recovery.api.calculator_fields import LOCAL, measured_out, number_out
from recovery.api.shapes_calculators import WorkedShape
from recovery.rules.asked import Wanted, read_amount
from recovery.rules.budget import SOURCE, Budget, Estimate, combined
from recovery.rules.solvent_balance import CAPTURED, FUGITIVE, no_air_interface_limit_kg
from recovery.rules.solvent_balance_words import SOURCES
from recovery.rules.solvent_terms import OUTPUTS

MASS_MOST_KG, VOLUME_MOST_M3 = 1e9, 1e4
STOCK = ("opening", "purchased", "closing")
GIVEN = (*STOCK, "I2", *OUTPUTS)
NOT_NAMED = "What is put in and named nowhere counts as fugitive, the worse."
MORE_OUT = "More goes out than was put in: a term is missing or wrong."
LIMIT_SOURCE = "40 CFR 63.464, Table 5: 330·V^0.6 kg a month, V in m³"
FORMULA = (
    "I1 = opening + purchased - closing; C = I1 - O8; F = I1 - O1 - O5 - O6 - O7 - O8; E = F + O1; "
    "share = F/(I1 + I2)"
)


class SolventBalanceAsk(Body):
    """Masses of one period; a term left out is zero. By name: I2, and O1 to O9."""

    purchased = MeasureField(help_text='New solvent put in, as "8000 kg".')
    opening = MeasureField(required=False, help_text="Stock at the start.")
    closing = MeasureField(required=False, help_text="Stock at the end.")
    I2 = MeasureField(required=False, help_text="Recovered solvent put back in, every time.")
    machine_volume = MeasureField(
        required=False, help_text='Of a cleaning machine without an interface to air, as "2 m3".'
    )

    def get_fields(self) -> dict[str, Any]:
        terms = {term: MeasureField(required=False) for term in OUTPUTS}
        return {**super().get_fields(), **terms}


class SolventBalanceWorkedShape(WorkedShape):
    """fugitive: by what is left over, so with what nobody named; named: O2 + O3 + O4 + O9 as given.

    remainder: put in and named nowhere; below zero when more goes out than was put in.
    """

    I1 = MeasuredShape()
    I2 = MeasuredShape()
    consumption = MeasuredShape()
    fugitive = MeasuredShape()
    fugitive_named = MeasuredShape()
    remainder = MeasuredShape()
    total_emission = MeasuredShape()
    fugitive_share = MeasuredShape(allow_null=True)
    machine_limit_kg_per_month = Number(allow_null=True)
    findings = Words()
    unit = text()


class SolventBalanceSums(Calculator):
    """Solvent balance in the terms of Directive 2010/75/EU Annex VII Part 7, from figures that are given."""

    name = "solvent-balance"
    summary = "Work a solvent balance out"
    ask = SolventBalanceAsk
    answer = SolventBalanceWorkedShape
    formula = FORMULA
    sources = (*SOURCES, LIMIT_SOURCE, SOURCE)

    def work(self, data: Any) -> dict[str, Any]:
        given = {name: _mass(data[name], name) if name in data else Estimate(0.0) for name in GIVEN}
        inputs = {name: (found.value, found.u) for name, found in given.items()}
        if _i1(_values(inputs)) < 0:
            raise InputError(
                "closing",
                "more-than-there-was",
                "More is left than was there and came in.",
                "Check the stock.",
            )
        worked = {name: combined(function, inputs) for name, function in _FIGURES.items()}
        put_in = worked["I1"].value + given["I2"].value
        share = combined(_share, inputs) if put_in > 0 else None
        return {
            **{name: measured_out(found, "kg") for name, found in worked.items()},
            "I2": measured_out(given["I2"], "kg"),
            "fugitive_share": share and measured_out(share, "1"),
            "machine_limit_kg_per_month": _limit(data),
            "findings": _findings(worked["remainder"]),
            "unit": "kg",
            "formula": FORMULA,
            "sources": list(self.sources),
            "assumptions": _assumptions(data),
            "cautions": [NOT_NAMED, LOCAL],
        }


def _mass(raw: Any, name: str) -> Estimate:
    return read_amount(raw, Wanted(name, "mass", "kg", 0, MASS_MOST_KG))


Values = Mapping[str, float]


def _values(inputs: Mapping[str, tuple[float, float]]) -> Values:
    return {name: value for name, (value, _) in inputs.items()}


def _i1(at: Values) -> float:
    return at["opening"] + at["purchased"] - at["closing"]


def _fugitive(at: Values) -> float:
    return _i1(at) - sum(at[term] for term in CAPTURED)


def _share(at: Values) -> float:
    put_in = _i1(at) + at["I2"]
    return _fugitive(at) / put_in if put_in > 0 else 0.0


_FIGURES: dict[str, Callable[[Values], float]] = {
    "I1": _i1,
    "consumption": lambda at: _i1(at) - at["O8"],
    "fugitive": _fugitive,
    "fugitive_named": lambda at: sum(at[term] for term in FUGITIVE),
    "remainder": lambda at: _i1(at) - sum(at[term] for term in OUTPUTS),
    "total_emission": lambda at: _fugitive(at) + at["O1"],
}


def _findings(remainder: Budget) -> list[str]:
    """Beyond its uncertainty (k = 2) only."""
    if remainder.value < -remainder.expanded:
        return [MORE_OUT]
    return [NOT_NAMED] if remainder.value > remainder.expanded else []


def _assumptions(data: Mapping[str, Any]) -> list[str]:
    left_out = [name for name in GIVEN if name not in data]
    return [f"Not given, so zero: {', '.join(left_out)}."] if left_out else []


def _limit(data: Mapping[str, Any]) -> str | None:
    if "machine_volume" not in data:
        return None
    volume = read_amount(
        data["machine_volume"], Wanted("machine_volume", "volume", "m3", 1e-3, VOLUME_MOST_M3)
    )
    return number_out(no_air_interface_limit_kg(volume.value))

"""How much solvent a water layer keeps, and how much water the solvent takes up: mutual solubility.

At balance the two layers are saturated with each other, whatever their sizes, so two mass balances give both
of them. One water phase is saturated once, however many portions it is shaken with; fresh water is saturated
anew. Colder water keeps more of an ether or ester (Stephenson 1992, from memory): where no second temperature
is recorded, 2 % more for each kelvin is taken, our choice between those of ether (2.6 %) and 2-MeTHF (1.9 %).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from inventory.rules.catalogue import Fact
from inventory.rules.phrases import Phrase
from recovery.rules.budget import Estimate
from recovery.rules.properties import Properties

__all__ = ["Layers", "WaterPair", "mutual", "shake"]

WATER_G_ML = 0.9982
RECORDED_AT_C = 20.0
PER_KELVIN_WHEN_COLDER = 0.02
#: two roughly rounded values a few kelvins apart may suggest more than any liquid does; our choice
STEEPEST_PER_KELVIN = 0.04
COLDEST_C, WARMEST_C = 0.0, 40.0
#: half width where one value is recorded, as a share of it: our choice, as wide as the sources disagree
_HALF_SHARE = 0.15
#: taken where nothing is recorded: more than that of ether at 20 °C, and a tenth of water in the solvent
_WORST_IN_WATER = 0.10
_WORST_OF_WATER = 0.05
_AT = re.compile(r"(?<!second at )\b(\d+(?:\.\d+)?) Cel")
_SECOND_AT = re.compile(r"second at (\d+(?:\.\d+)?) Cel")


@dataclass(frozen=True, slots=True)
class WaterPair:
    """Mass fractions at saturation, 0 to 1. miscible: there are no two layers at all."""

    in_water: Estimate
    of_water: Estimate
    miscible: bool = False

    @property
    def assumptions(self) -> tuple[str, ...]:
        return (*self.in_water.assumptions, *self.of_water.assumptions)

    @property
    def sources(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys((*self.in_water.sources, *self.of_water.sources)))


@dataclass(frozen=True, slots=True)
class Layers:
    """After shaking: kept_ml of solvent in the water, taken_up_ml of water in the solvent, all at 20 °C.

    organic_ml: solvent in the upper or lower layer of its own, without the water in it; 0: all dissolved.
    """

    kept_ml: float
    taken_up_ml: float
    organic_ml: float


def mutual(of: Properties, temperature_c: float) -> WaterPair:
    """Mutual solubility with water at a temperature; assumptions say what was not recorded."""
    if of.miscible:
        one = Estimate(1.0, 0.0, (Phrase("{name} mixes with water: no two layers form", name=of.name),))
        return WaterPair(one, Estimate(1.0), miscible=True)
    within_c = min(max(temperature_c, COLDEST_C), WARMEST_C)
    return WaterPair(
        _solubility(of, "solubility-in-water", within_c, of.solubility_pct, of.second_solubility_pct),
        _solubility(of, "water-in-solvent", within_c, of.water_in_pct, of.second_water_in_pct),
    )


def _solubility(
    of: Properties, name: str, at_c: float, recorded: float | None, second: float | None
) -> Estimate:
    into = name == "solubility-in-water"
    what = Phrase("{name} in water", name=of.name) if into else Phrase("water in {name}", name=of.name)
    if recorded is None:
        worst = _WORST_IN_WATER if into else _WORST_OF_WATER
        words = Phrase("solubility of {what} not recorded: {worst:.0%} by mass taken", what=what, worst=worst)
        return Estimate(worst, worst * 0.5 / math.sqrt(3), (words,))
    fact = of.fact(name)
    value, half, said = _at(recorded, second, _temperatures(fact), at_c, what, into)
    return Estimate(min(value, 99.0) / 100, half / 100 / math.sqrt(3), said, (of.source(name),))


def _at(
    recorded: float,
    second: float | None,
    temperatures: tuple[float, float | None],
    at_c: float,
    what: str,
    into: bool,
) -> tuple[float, float, tuple[str, ...]]:
    """(mass %, half width, assumptions) at a temperature; beyond what is recorded as wide as the change."""
    (first_c, second_c), half = temperatures, recorded * _HALF_SHARE
    if second is not None and second_c is not None and second_c != first_c:
        slope = math.log(second / recorded) / (second_c - first_c)
        slope = min(max(slope, -STEEPEST_PER_KELVIN), STEEPEST_PER_KELVIN)
        value = recorded * math.exp(slope * (at_c - first_c))
        beyond_c = min(max(at_c, min(first_c, second_c)), max(first_c, second_c))
        if beyond_c == at_c:
            return value, half, ()
        change = abs(value - recorded * math.exp(slope * (beyond_c - first_c)))
        return (
            value,
            max(half, change),
            (
                Phrase(
                    "solubility of {what} drawn on to {at_c:g} °C from two recorded ones",
                    what=what,
                    at_c=at_c,
                ),
            ),
        )
    if into and at_c < first_c:
        value = recorded * (1 + PER_KELVIN_WHEN_COLDER * (first_c - at_c))
        words = Phrase(
            "solubility of {what} recorded near {first_c:g} °C: 2 % more for each kelvin colder",
            what=what,
            first_c=first_c,
        )
        return value, max(half, value - recorded), (words,)
    if second is not None:
        # The more of the two, since what the water keeps is lost.
        return max(recorded, second), max(half, abs(recorded - second)), ()
    return recorded, half, ()


def _temperatures(fact: Fact | None) -> tuple[float, float | None]:
    """At what temperatures the two values are recorded; near 20 °C unless it says so."""
    note = "" if fact is None else fact.note
    first, second = _AT.search(note), _SECOND_AT.search(note)
    return float(first.group(1)) if first else RECORDED_AT_C, float(second.group(1)) if second else None


def shake(
    solvent_ml: float, water_ml: float, *, density_g_ml: float, in_water: float, of_water: float
) -> Layers:
    """The two layers after solvent and water were shaken to balance, volumes as of the pure liquids at 20 °C.

    in_water, of_water: mass fractions at saturation. Mass of each: m(s) = w·A + (1 - v)·B and
    m(w) = (1 - w)·A + v·B, A and B the masses of the water and the solvent layer. Where one comes out below
    nothing, all is one layer.
    """
    solvent_g, water_g = solvent_ml * density_g_ml, water_ml * WATER_G_ML
    spread = 1 - in_water - of_water
    if spread <= 0:
        return Layers(solvent_ml, water_ml, 0.0)
    aqueous_g = (water_g * (1 - of_water) - solvent_g * of_water) / spread
    organic_g = (solvent_g * (1 - in_water) - water_g * in_water) / spread
    if organic_g <= 0:
        return Layers(solvent_ml, 0.0, 0.0)
    if aqueous_g <= 0:
        return Layers(0.0, water_ml, solvent_ml)
    kept_ml = aqueous_g * in_water / density_g_ml
    return Layers(kept_ml, organic_g * of_water / WATER_G_ML, solvent_ml - kept_ml)

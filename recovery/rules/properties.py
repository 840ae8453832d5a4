"""What predictions need to know of a solvent, as plain numbers, from a catalogue row or a lab's own.

None means that nothing is recorded; whoever predicts takes the worse case and says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from inventory.rules.catalogue import Antoine, Fact, SolventData
from inventory.rules.density import Liquid
from inventory.rules.phrases import Phrase

__all__ = ["Properties", "from_facts", "of_catalogue"]


@dataclass(frozen=True, slots=True)
class Properties:
    """One solvent. Units stand in the names; two recorded values: the safer counts, or the first.

    solubility_pct, water_in_pct: mass % of solvent in water and of water in solvent at saturation; second_…:
    the other recorded value. miscible: None when nothing is recorded. flammable: None when not known.
    """

    name: str
    liquid: Liquid
    molar_mass_g_per_mol: float | None = None
    boiling_point_c: float | None = None
    pressure_20c_kpa: float | None = None
    second_pressure_20c_kpa: float | None = None
    antoine: Antoine | None = None
    lel_vol_pct: float | None = None
    flammable: bool | None = None
    miscible: bool | None = None
    solubility_pct: float | None = None
    second_solubility_pct: float | None = None
    water_in_pct: float | None = None
    second_water_in_pct: float | None = None
    facts: tuple[Fact, ...] = ()

    def fact(self, name: str) -> Fact | None:
        """The recorded fact of a name such as "lel", with its sources."""
        return next((fact for fact in self.facts if fact.name == name), None)

    def source(self, name: str) -> str:
        """Where a fact is from; "not recorded" when it is not."""
        fact = self.fact(name)
        return Phrase("not recorded") if fact is None else fact.source

    @property
    def density_20c_g_ml(self) -> float:
        return float(self.liquid.density_20c_kg_m3) / 1000


def of_catalogue(data: SolventData) -> Properties | None:
    """The properties of a catalogue row; None when it has no density."""
    if data.liquid is None:
        return None
    return from_facts(
        name=data.name,
        liquid=data.liquid,
        molar_mass_g_per_mol=data.molar_mass_g_per_mol,
        facts=data.facts,
        flammable=data.has_flash_point,
    )


def from_facts(
    *,
    name: str,
    liquid: Liquid,
    molar_mass_g_per_mol: Decimal | None,
    facts: Iterable[Fact],
    flammable: bool | None = None,
) -> Properties:
    """The properties that a solvent's recorded facts tell."""
    known = {fact.name: fact for fact in facts}
    into, of_water = known.get("solubility-in-water"), known.get("water-in-solvent")
    pressure = known.get("vapour-pressure-20c")
    return Properties(
        name=name,
        liquid=liquid,
        molar_mass_g_per_mol=None if molar_mass_g_per_mol is None else float(molar_mass_g_per_mol),
        boiling_point_c=_in_use(known.get("boiling-point")),
        pressure_20c_kpa=_in_use(pressure),
        second_pressure_20c_kpa=_second(pressure),
        antoine=_antoine(known),
        lel_vol_pct=_in_use(known.get("lel")),
        flammable=flammable,
        miscible=None if into is None else into.value == "miscible",
        solubility_pct=_in_use(into),
        second_solubility_pct=_second(into),
        water_in_pct=_in_use(of_water),
        second_water_in_pct=_second(of_water),
        facts=tuple(known.values()),
    )


def _in_use(fact: Fact | None) -> float | None:
    value = None if fact is None else fact.in_use
    return None if value is None else float(value)


def _second(fact: Fact | None) -> float | None:
    """The other recorded number, whichever of the two is in use."""
    if fact is None or fact.in_use is None or not fact.second:
        return None
    numbers = [float(text) for text in (fact.value, fact.second) if text.replace(".", "", 1).isdigit()]
    return next((number for number in numbers if number != float(fact.in_use)), None)


def _antoine(known: dict[str, Fact]) -> Antoine | None:
    parts = [fact.in_use if (fact := known.get(f"antoine-{part}")) else None for part in _ANTOINE]
    return None if None in parts else Antoine(*(part for part in parts if part is not None))


_ANTOINE = ("a", "b", "c", "min", "max")

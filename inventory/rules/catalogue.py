"""The shipped solvents: every value with its source, the safer of two values where safety is decided.

Reads `inventory/data/*.csv` once; what each column means is in `inventory/data/SOURCES.md`.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import cache, cached_property
from types import MappingProxyType
from typing import Literal, cast

from inventory.rules.density import Liquid
from inventory.rules.flammability import GhsCategory, Nfpa30Class, ghs_category, nfpa30_class
from inventory.rules.instruments import ROOT_3
from inventory.rules.names import DATA, Match, UnknownSolvent, fold_name, match_name, resolve, suggest
from inventory.rules.solvent_words import solvent_words

__all__ = [
    "Antoine",
    "Fact",
    "Match",
    "PeroxideClass",
    "SolventData",
    "UnknownSolvent",
    "fold_name",
    "load_catalogue",
    "match_name",
    "resolve",
    "suggest",
]

PeroxideClass = Literal["A", "B", "C", "D", "none", "unknown"]

#: which of two recorded values is the safer; all other properties use the first
_LOWER_IS_SAFER = {"flash-point", "boiling-point", "lel", "autoignition"}
_HIGHER_IS_SAFER = {"uel", "vapour-pressure-20c"}
_WORST_VALUES = MappingProxyType(
    {**dict.fromkeys(_LOWER_IS_SAFER, min), **dict.fromkeys(_HIGHER_IS_SAFER, max)}
)
#: share of an unlisted density taken as half width, 0.5 %, common practice, no source
_DENSITY_SHARE = Decimal("0.005")


@dataclass(frozen=True, slots=True)
class Fact:
    """One recorded value. value, second: as recorded; unit: UCUM code or ""; half_width in that unit.

    disagreement: what is to be shown about two values that differ more than their kind usually does.
    """

    name: str
    value: str
    unit: str
    source: str
    second: str = ""
    second_source: str = ""
    half_width: Decimal | None = None
    disagreement: str = ""
    note: str = ""

    @property
    def in_use(self) -> Decimal | None:
        """The number that decisions use: the safer of the two where one is safer, else the first."""
        numbers = [n for n in (_number(self.value), _number(self.second)) if n is not None]
        return _WORST_VALUES.get(self.name, lambda found: found[0])(numbers) if numbers else None


@dataclass(frozen=True, slots=True)
class Antoine:
    """log10(P/Pa) = a - b/(T/K + c), good from min_k to max_k only."""

    a: Decimal
    b: Decimal
    c: Decimal
    min_k: Decimal
    max_k: Decimal


@dataclass(frozen=True)
class SolventData:
    """One solvent. Units are in the names; °C, kPa, kg/m3, % by volume for explosive limits.

    peroxide_class: the class in use; peroxide_basis: what was recorded, why this class, and the source.
    has_flash_point: False where none is found; facts: every value with its source, first and second.
    hazard_note: what is remarked on the hazard statements; hazard_basis: that and their source in one text.
    """

    key: str
    name: str
    cas: str
    formula: str
    molar_mass_g_per_mol: Decimal
    has_flash_point: bool
    peroxide_class: PeroxideClass
    peroxide_basis: str
    h_codes: tuple[str, ...]
    euh_codes: tuple[str, ...]
    pictograms: tuple[str, ...]
    signal_word: str
    hazard_basis: str
    un_number: str
    un_class: str
    facts: tuple[Fact, ...]
    notes: tuple[str, ...] = ()
    confirmed: bool = True
    hazard_note: str = ""
    hazard_source: str = ""
    un_source: str = ""

    @cached_property
    def _by_name(self) -> dict[str, Fact]:
        return {fact.name: fact for fact in self.facts}

    def fact(self, name: str) -> Fact | None:
        """The fact of a name such as "flash-point"."""
        return self._by_name.get(name)

    def number(self, name: str) -> Decimal | None:
        """The number in use of a fact, None when missing or in words."""
        fact = self.fact(name)
        return fact.in_use if fact else None

    @property
    def density_20c_kg_m3(self) -> Decimal | None:
        return self.number("density-20c")

    @property
    def expansion_20c_per_k(self) -> Decimal | None:
        return self.number("expansion-20c")

    @property
    def boiling_point_c(self) -> Decimal | None:
        """The lower of the recorded ones; the start of the range for a mixture."""
        return self.number("boiling-point")

    @property
    def flash_point_c(self) -> Decimal | None:
        """The lower of the recorded ones."""
        return self.number("flash-point")

    @property
    def lel_vol_pct(self) -> Decimal | None:
        return self.number("lel")

    @property
    def uel_vol_pct(self) -> Decimal | None:
        return self.number("uel")

    @property
    def autoignition_c(self) -> Decimal | None:
        return self.number("autoignition")

    @property
    def vapour_pressure_20c_kpa(self) -> Decimal | None:
        """The higher of the recorded ones."""
        return self.number("vapour-pressure-20c")

    @property
    def solubility_in_water_mass_pct(self) -> Decimal | None:
        return self.number("solubility-in-water")

    @property
    def water_in_solvent_mass_pct(self) -> Decimal | None:
        return self.number("water-in-solvent")

    @property
    def miscible_with_water(self) -> bool | None:
        """True when recorded as miscible, False when a solubility is recorded, None when neither is."""
        fact = self.fact("solubility-in-water")
        return None if fact is None else fact.value == "miscible"

    @property
    def antoine(self) -> Antoine | None:
        parts = [self.number(f"antoine-{part}") for part in ("a", "b", "c", "min", "max")]
        return None if None in parts else Antoine(*cast("list[Decimal]", parts))

    @property
    def ghs_category(self) -> GhsCategory | None:
        """From the values in use; category 1 when a flash point exists but is not recorded."""
        return ghs_category(self.flash_point_c, self.boiling_point_c, has_flash_point=self.has_flash_point)

    @property
    def nfpa30_class(self) -> Nfpa30Class | None:
        """From the values in use; IA when a flash point exists but is not recorded."""
        return nfpa30_class(self.flash_point_c, self.boiling_point_c, has_flash_point=self.has_flash_point)

    @property
    def disagreements(self) -> tuple[str, ...]:
        """One line for each value on which the sources disagree, with its name in front."""
        return tuple(f"{fact.name}: {fact.disagreement}" for fact in self.facts if fact.disagreement)

    @property
    def liquid(self) -> Liquid | None:
        """What `inventory.rules.volume` needs; None when no density is known."""
        density = self.density_20c_kg_m3
        if density is None:
            return None
        half_width, spread = self._half_width("density-20c"), self._half_width("expansion-20c")
        return Liquid(
            density_20c_kg_m3=density,
            u_density_20c_kg_m3=(half_width or density * _DENSITY_SHARE) / ROOT_3,
            expansion_20c_per_k=self.expansion_20c_per_k,
            u_expansion_per_k=spread / ROOT_3 if spread else None,
            expansion_slope_per_k2=self.number("expansion-slope") or Decimal(0),
        )

    def _half_width(self, name: str) -> Decimal | None:
        fact = self.fact(name)
        return fact.half_width if fact else None


def _number(text: str) -> Decimal | None:
    try:
        return Decimal(text)
    except InvalidOperation:
        return None


def _facts() -> dict[str, list[Fact]]:
    """Key → its facts, in the order of the table."""
    facts: dict[str, list[Fact]] = {}
    with (DATA / "properties.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            fact = Fact(
                row["property"],
                row["value"],
                row["unit"],
                row["source"],
                row["second"],
                row["second_source"],
                _number(row["half_width"]),
                row["disagreement"],
                row["note"],
            )
            facts.setdefault(row["solvent"], []).append(fact)
    return facts


def _solvent(row: Mapping[str, str], facts: list[Fact]) -> SolventData:
    told = row["peroxide_recorded"]
    recorded = f'recorded as "{told}"' if told and told != row["peroxide_class"] else ""
    basis = [recorded, row["peroxide_note"], row["peroxide_source"]]
    return SolventData(
        key=row["key"],
        name=solvent_words(row["name"]),
        cas=row["cas"],
        formula=row["formula"],
        molar_mass_g_per_mol=Decimal(row["molar_mass_g_per_mol"]),
        has_flash_point=row["has_flash_point"] != "no",
        peroxide_class=cast("PeroxideClass", row["peroxide_class"]),
        peroxide_basis="; ".join(part for part in basis if part),
        h_codes=tuple(row["h_codes"].split()),
        euh_codes=tuple(row["euh_codes"].split()),
        pictograms=tuple(row["pictograms"].split()),
        signal_word=row["signal_word"],
        hazard_basis="; ".join(part for part in (row["hazard_note"], row["hazard_source"]) if part),
        un_number=row["un_number"],
        un_class=row["un_class"],
        facts=tuple(facts),
        notes=tuple(part for part in row["note"].split(" | ") if part),
        hazard_note=row["hazard_note"],
        hazard_source=row["hazard_source"],
        un_source=row["un_source"],
    )


@cache
def load_catalogue() -> Mapping[str, SolventData]:
    """Key → solvent, in the order of the table; read once, not to be changed."""
    facts = _facts()
    with (DATA / "solvents.csv").open(encoding="utf-8", newline="") as lines:
        table = {row["key"]: _solvent(row, facts.get(row["key"], [])) for row in csv.DictReader(lines)}
    return MappingProxyType(table)

"""A property of recovered solvent, measured, brought to common conditions and held against a range.

Density and refractive index are brought to 20 °C, a boiling range to 101.325 kPa. What was read ± 2 u must
lie inside the range to be within, outside it to be outside; else nobody can say (a decision rule with guard
bands on both sides of a limit, in the sense of JCGM 106:2012, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

from inventory.rules.density import Liquid, u_density_kg_m3
from inventory.rules.instruments import ROOT_3
from inventory.rules.volume import quadrature
from recovery.rules.quality_data import (
    Need,
    What,
    associated,
    figure,
    load_boiling_ranges,
    load_indices,
    words,
)

Outcome = Literal["within", "outside", "undecided", "no-reference"]
K = 2
STANDARD_C, STANDARD_KPA = Decimal(20), Decimal("101.325")
MMHG_PER_KPA = Decimal(760) / STANDARD_KPA


@dataclass(frozen=True, slots=True)
class Sample:
    """What is known of the solvent itself. key: of the shipped catalogue, "" for one of a lab's own.

    boiling_c, source of it and of the density: None and "" where nothing is recorded.
    """

    key: str
    liquid: Liquid
    boiling_c: Decimal | None = None
    density_source: str = ""
    boiling_source: str = ""


@dataclass(frozen=True, slots=True)
class Entered:
    """A property as it was read. low, high in the unit of the property; equal but for a boiling range.

    u: standard uncertainty (k = 1). temperature_c, pressure_kpa: None where nobody said.
    """

    what: What
    low: Decimal
    high: Decimal
    u: Decimal
    temperature_c: Decimal | None = None
    pressure_kpa: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Corrected:
    """The same at 20 °C or 101.325 kPa, the uncertainty of that included in u. notes: what was taken."""

    low: Decimal
    high: Decimal
    u: Decimal
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Range:
    """What a property is held to at common conditions. u: standard uncertainty of the reference itself."""

    lowest: Decimal | None
    highest: Decimal | None
    source: str
    u: Decimal = Decimal(0)


def corrected(read: Entered, sample: Sample) -> Corrected:
    """Bring what was read to 20 °C, or to 101.325 kPa; water content is the same everywhere."""
    if read.what == "density":
        return _density(read, sample.liquid)
    if read.what == "refractive-index":
        return _index(read, sample.key)
    if read.what == "boiling-range":
        return _boiling(read, sample.key)
    return Corrected(read.low, read.high, read.u)


def _temperature(read: Entered) -> tuple[Decimal, Decimal, tuple[str, ...]]:
    """(T − 20, its standard uncertainty in K, what was taken)."""
    if read.temperature_c is None:
        wide = figure("not_stated", "temperature_k")
        return Decimal(0), wide / ROOT_3, (f"temperature not stated: 20 °C taken, give or take {wide} K",)
    return read.temperature_c - STANDARD_C, figure("not_stated", "thermometer_k") / ROOT_3, ()


def _density(read: Entered, liquid: Liquid) -> Corrected:
    """ρ20 = ρ(T) / [1 − β(T − 20) − s(T − 20)²], the line of `inventory.rules.density`."""
    rise, u_rise, notes = _temperature(read)
    beta, u_beta = liquid.expansion
    shrink = 1 - beta * rise - liquid.expansion_slope_per_k2 * rise * rise
    value = read.low / shrink
    u = quadrature((read.u / shrink, value * beta * u_rise, value * abs(rise) * u_beta))
    return Corrected(value, value, u, notes)


def _index(read: Entered, key: str) -> Corrected:
    rise, u_rise, notes = _temperature(read)
    per_k, u_per_k = _per_k(key)
    value = read.low - per_k * rise
    u = quadrature((read.u, abs(per_k) * u_rise, u_per_k * abs(rise)))
    return Corrected(value, value, u, notes)


def _per_k(key: str) -> tuple[Decimal, Decimal]:
    """Change of the refractive index with temperature, and its standard uncertainty, per K."""
    own = load_indices().get(key)
    usual = figure("correction", "refractive_index_per_k")
    half = figure("correction", "refractive_index_half_per_k")
    return (own.per_k if own is not None and own.per_k is not None else usual), half / ROOT_3


def _boiling(read: Entered, key: str) -> Corrected:
    """Sydney Young's rule for the pressure."""
    name = "boiling_per_mmhg_associated" if key in associated() else "boiling_per_mmhg"
    per_mmhg = figure("correction", name)
    notes: tuple[str, ...] = ()
    if read.pressure_kpa is None:
        wide = figure("not_stated", "pressure_kpa")
        lack, u_pressure = Decimal(0), wide / ROOT_3
        notes = (f"pressure not stated: 101.325 kPa taken, give or take {wide} kPa",)
    else:
        lack = STANDARD_KPA - read.pressure_kpa
        u_pressure = figure("not_stated", "barometer_kpa") / ROOT_3
    slopes = [per_mmhg * MMHG_PER_KPA * (Decimal("273.15") + t) for t in (read.low, read.high)]
    low, high = read.low + slopes[0] * lack, read.high + slopes[1] * lack
    return Corrected(low, high, quadrature((read.u, max(slopes) * u_pressure)), notes)


def reference(what: What, sample: Sample, need: Need | None = None) -> Range | None:
    """The shipped range of a property for a use, or in general; None where there is none.

    need: of a use; its half width or highest value counts in place of the general tolerance.
    """
    if what == "density":
        share = need.within if need and need.within is not None else figure("tolerance", "density_share")
        value = sample.liquid.density_20c_kg_m3
        source = sample.density_source or "density of the solvent's row"
        return _about(value, value * share, source, u_density_kg_m3(sample.liquid, STANDARD_C))
    if what == "refractive-index":
        return _index_range(sample.key, need)
    if what == "boiling-range":
        return _boiling_range(sample, need)
    if need is not None and need.highest is not None:
        return Range(None, need.highest, "limit of the use: our choice, not published")
    return None


def _about(value: Decimal, half: Decimal, source: str, u: Decimal = Decimal(0)) -> Range:
    return Range(value - half, value + half, f"{source}; {words('tolerance')}", u)


def _index_range(key: str, need: Need | None) -> Range | None:
    known = load_indices().get(key)
    if known is None:
        return None
    per_k, u_per_k = _per_k(key)
    away = STANDARD_C - known.at_c
    half = need.within if need and need.within is not None else figure("tolerance", "refractive_index")
    return _about(known.value + per_k * away, half, known.source, u_per_k * abs(away))


def _boiling_range(sample: Sample, need: Need | None) -> Range | None:
    mixed = load_boiling_ranges().get(sample.key)
    half = need.within if need and need.within is not None else figure("tolerance", "boiling_k")
    if mixed is not None:
        lowest, highest, source = mixed
        return Range(lowest - half, highest + half, f"{source}; {words('tolerance')}")
    if sample.boiling_c is None:
        return None
    return _about(sample.boiling_c, half, sample.boiling_source or "boiling point of the solvent's row")


def outcome(found: Corrected, held_to: Range | None) -> Outcome:
    """Within, outside, or undecided by the uncertainty of what was read and of the reference (k = 2)."""
    if held_to is None or (held_to.lowest is None and held_to.highest is None):
        return "no-reference"
    spread = K * quadrature((found.u, held_to.u))
    low, high = held_to.lowest, held_to.highest
    if (low is not None and found.low + spread < low) or (high is not None and found.high - spread > high):
        return "outside"
    sure_low = low is None or found.low - spread >= low
    sure_high = high is None or found.high + spread <= high
    return "within" if sure_low and sure_high else "undecided"


def looser(new: Range, old: Range | None) -> bool:
    """Whether a range lets through what another one does not; where nothing was held, nothing is."""
    if old is None:
        return False
    lower = old.lowest is not None and (new.lowest is None or new.lowest < old.lowest)
    higher = old.highest is not None and (new.highest is None or new.highest > old.highest)
    return lower or higher


def plain(held_to: Range | None, found: Corrected) -> dict[str, Any]:
    """What a check was compared with, as JSON."""
    kept: Mapping[str, Decimal | None] = {
        "low": found.low,
        "high": found.high,
        "u": found.u,
        "lowest": held_to.lowest if held_to else None,
        "highest": held_to.highest if held_to else None,
        "u_reference": held_to.u if held_to else None,
    }
    numbers = {name: None if value is None else short(value) for name, value in kept.items()}
    return {**numbers, "source": held_to.source if held_to else "", "notes": list(found.notes)}


def short(value: Decimal) -> str:
    """Six decimals at most, without needless zeros."""
    return format(value.quantize(Decimal("0.000001")).normalize() + 0, "f")

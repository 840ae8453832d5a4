"""Whether solvent in the air of a room comes near a limit, with the worse case for the unknown."""

from __future__ import annotations

from dataclasses import dataclass

from inventory.rules.phrases import Phrase
from recovery.rules.air_limits import ExplosiveShare, Share, air_limits, explosive_share, shares_of
from recovery.rules.budget import Estimate
from recovery.rules.properties import Properties
from recovery.rules.vapour import (
    ROOM_C,
    Exposure,
    Room,
    exposure,
    vapour_litres,
    ventilation_m3_h,
)
from recovery.rules.vapour_pressure import ATMOSPHERE_KPA, pressure_kpa

#: that of methanol, the lightest listed solvent that burns: the lighter, the more vapour from a millilitre
LIGHTEST_G_PER_MOL = 32.0
CAUTIONS = (
    Phrase("Work in a fume hood with the sash down; keep flames, sparks and hot plates away."),
    Phrase("These are means over a mixed room: vapour heavier than air collects low and travels to a flame."),
    Phrase("A passed check clears nothing: no reading of an instrument, no leave to work without a hood."),
)


@dataclass(frozen=True, slots=True)
class VapourCheck:
    """lost_ml: liquid that evaporates in over_h hours. needed_air_m3_h: holds the tightest mean limit.

    over: an exposure limit is passed near the bench, or a tenth of the explosive one.
    """

    lost_ml: Estimate
    over_h: float
    vapour_l: float
    molar_mass_g: float
    room: Room
    temperature_c: float
    exposure: Exposure
    shares: tuple[Share, ...]
    limits_in_words: tuple[str, ...]
    explosive: ExplosiveShare | None
    needed_air_m3_h: float | None
    assumptions: tuple[str, ...]

    @property
    def over(self) -> bool:
        passed = any(share.near_share > 1 for share in self.shares)
        return passed or (self.explosive is not None and self.explosive.alarm)


def vapour_check(
    of: Properties,
    lost_ml: Estimate,
    over_h: float,
    room: Room,
    *,
    temperature_c: float = ROOM_C,
    pressure_of_air_kpa: float = ATMOSPHERE_KPA,
) -> VapourCheck:
    """The air of a room into which so much solvent evaporates evenly. The volume counts with twice its u."""
    said: list[str] = list(room.assumptions)
    molar = of.molar_mass_g_per_mol
    if molar is None:
        molar = LIGHTEST_G_PER_MOL
        said.append(
            Phrase("molar mass not known: {molar:g} g/mol taken, the lightest usual one", molar=molar)
        )
    pressure = pressure_kpa(of, temperature_c)
    worst_ml = lost_ml.value + 2 * lost_ml.u
    density = of.density_20c_g_ml
    found = exposure(
        liquid_ml=worst_ml,
        over_h=over_h,
        room=room,
        density_g_ml=density,
        molar_mass_g=molar,
        vapour_pressure_kpa=pressure.value + 2 * pressure.u,
        temperature_c=temperature_c,
        pressure_kpa=pressure_of_air_kpa,
    )
    limits, in_words = air_limits(of)
    if not limits:
        said.append(
            Phrase(
                "no exposure limit of {solvent} is recorded as a number: keep it as low as can be",
                solvent=of.name,
            )
        )
    explosive = explosive_share(of, found)
    means = [limit.ppm for limit in limits if limit.kind == "mean-8h"]
    needed = None
    if means and over_h > 0:
        rate_l_h = worst_ml / 1000 / over_h
        needed = ventilation_m3_h(rate_l_h, density, molar, min(means), room.mixing)
    return VapourCheck(
        lost_ml=lost_ml,
        over_h=over_h,
        vapour_l=vapour_litres(worst_ml, density, molar, temperature_c, pressure_of_air_kpa),
        molar_mass_g=molar,
        room=room,
        temperature_c=temperature_c,
        exposure=found,
        shares=tuple(shares_of(limits, found)),
        limits_in_words=tuple(in_words),
        explosive=explosive,
        needed_air_m3_h=needed,
        assumptions=(*said, *pressure.assumptions, *(explosive.assumptions if explosive else ())),
    )

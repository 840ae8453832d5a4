"""How much of a wet return is solvent and how much is water.

What comes back over water, or distils over with it, holds water up to its saturation. Read by volume, the
two volumes are taken to add up (the contraction on mixing, below a thousandth at these shares, is left
out): of a volume V with the mass fraction w of water, V / (1 + w/(1 - w) * rho_solvent / rho_water) is
solvent. Weighed and turned into a volume by the density of dry solvent, (1 - w) V of what was booked is
solvent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

from inventory.rules.phrases import Phrase
from recovery.rules.amounts import Part

__all__ = ["DRY", "State", "WaterShare", "parted", "water_share"]

State = Literal["wet", "dried", "not-told", "no-water"]
WATER_KG_M3 = 998.2  # at 20 °C, IAPWS-95
SATURATED = "water in the solvent at saturation"
ANYTHING = "water in the solvent, not told"
MIXES = Phrase(
    "water content not told, and the solvent mixes with water in every proportion: nothing is taken off, so "
    "more may be missing"
)
NOT_KNOWN = Phrase(
    "water content not told, and the solvent holds water to an unknown share: nothing is taken off, so more "
    "may be missing"
)


@dataclass(frozen=True, slots=True)
class WaterShare:
    """Mass fraction of water with its standard uncertainty.

    source: amounts that name the same err together; "" for one that was measured by itself. words: what was
    taken and why. known False: nothing bounds it, and nothing is taken off.
    """

    fraction: float
    u: float
    source: str
    words: str
    known: bool = True


DRY = WaterShare(0.0, 0.0, "", Phrase("no water was there, so none is in what came back"))


def water_share(
    state: State,
    *,
    saturated: tuple[float, float] | None,
    measured: tuple[float, float] | None = None,
    miscible: bool = False,
) -> WaterShare:
    """What is taken for the water in a return.

    saturated: mass fraction of water in the saturated solvent and its standard uncertainty; None: not known.
    measured: the same of this return, which then counts. "wet" is taken as saturated, "not told" as anything
    from dry to saturated (rectangular, GUM 4.3.7), "dried" as dry.
    """
    if measured is not None:
        return WaterShare(*measured, "", Phrase("water content as measured"))
    if state == "no-water":
        return DRY
    if state == "dried":
        return WaterShare(0.0, 0.0, "", Phrase("told as dried: taken to hold no water"))
    if miscible or saturated is None:
        return WaterShare(0.0, 0.0, "", MIXES if miscible else NOT_KNOWN, known=False)
    fraction, u = saturated
    if state == "wet":
        words = Phrase(
            "told as wet: taken as saturated with water, {percent:.2g} % by mass", percent=fraction * 100
        )
        return WaterShare(fraction, u, SATURATED, words)
    top = fraction + u
    words = Phrase(
        "not told whether wet: taken as anything from dry to saturated, {percent:.2g} % by mass",
        percent=fraction * 100,
    )
    return WaterShare(top / 2, top / (2 * sqrt(3)), ANYTHING, words)


def parted(
    part: Part, share: WaterShare, *, density_kg_m3: float, weighed: bool = False
) -> tuple[Part, Part]:
    """(solvent, water) of what came back; the two volumes add up to what was booked, to the µl.

    density_kg_m3: of the dry solvent at 20 °C. weighed: whether the volume was worked out from a mass with
    it. The second is the difference between what was booked and the solvent in it.
    """
    w = share.fraction
    if not 0 <= w < 1:
        raise ValueError("a mass fraction of water lies between 0 and 1")
    ratio = density_kg_m3 / WATER_KG_M3
    factor = 1 - w if weighed else 1 / (1 + w / (1 - w) * ratio)
    slope = -1.0 if weighed else -ratio / (1 - w) ** 2 * factor**2
    from_water = part.volume_ul * slope * share.u
    solvent = _with(part.scaled(factor), from_water, share.source)
    water = _with(part.scaled(1 - factor), -from_water, share.source)
    notes = (*part.notes, share.words)
    return replace(solvent, notes=notes), replace(water, volume_ul=part.volume_ul - solvent.volume_ul)


def _with(part: Part, u_ul: float, source: str) -> Part:
    """One more part of uncertainty, shared when its source has a name."""
    if not u_ul:
        return part
    if source:
        return replace(part, shared={**part.shared, source: part.shared.get(source, 0.0) + u_ul})
    return replace(part, own_ul=sqrt(part.own_ul**2 + u_ul**2))

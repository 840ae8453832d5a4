"""Extraction from water by portions of a solvent: yield, portions, and what it costs in solvent.

One portion leaves q = Va / (Va + D·Vo) of what was in the water, n equal ones leave qⁿ (distribution law:
Harris, Quantitative Chemical Analysis; Harvey, Analytical Chemistry 2.1, 7.7). D is what is in the solvent
over what is in the water, both as concentrations, at the pH at hand.

The water layer keeps some of the solvent. It is saturated once: the first portions shrink by what it keeps,
and it is taken to have grown by all of that from the start, which makes the yield no better than it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from inventory.rules.phrases import Phrase
from recovery.rules.budget import Budget, Estimate, combined
from recovery.rules.solubility import WATER_G_ML

FORMULA = "q(n) = (Va / (Va + D·Vo))^n; yield = 1 - q"
NOTHING = Estimate(0.0)
SOURCES = (
    Phrase("distribution law: Harris, Quantitative Chemical Analysis; Harvey, Analytical Chemistry 2.1, 7.7"),
    Phrase("limit of ever smaller portions: q = exp(-D·V/Va), its n → ∞"),
    Phrase("uncertainty: JCGM 100:2008 5.1.2 and 5.1.3 note 2"),
)
PORTIONS_MAX = 20
#: what stays in funnel, flasks and on paper with each portion; common practice, no source
LOST_PER_PORTION_ML = 1.0
#: a layer that can still be run off cleanly; common practice, no source
SMALLEST_PORTION_ML = 10.0
WORTH_A_PORTION = 0.05
_STEPS = 100


@dataclass(frozen=True, slots=True)
class Extraction:
    """water_ml, d: value and standard uncertainty. kept_ml: of solvent, by the water layer, once."""

    water_ml: Estimate
    d: Estimate
    kept_ml: Estimate = NOTHING

    @property
    def aqueous_ml(self) -> float:
        """The water layer with what it keeps."""
        return self.water_ml.value + self.kept_ml.value


@dataclass(frozen=True, slots=True)
class Reuse:
    """What becomes of the solvent afterwards. Fractions from 0 to 1 of what goes into the still.

    distils: False where nothing is distilled back, so that nothing comes back.
    """

    distils: bool = True
    heel_fraction: float = 0.0
    lost_fraction: float = 0.0
    lost_per_portion_ml: float = LOST_PER_PORTION_ML

    def back_ml(self, total_ml: float, portions: int, kept_ml: float) -> float:
        """How much comes back of what was charged; never below nothing."""
        if not self.distils:
            return 0.0
        to_still = max(0.0, total_ml - kept_ml - portions * self.lost_per_portion_ml)
        return to_still * max(0.0, 1 - self.heel_fraction - self.lost_fraction)


@dataclass(frozen=True, slots=True)
class Row:
    """One way to do it. total_ml: charged; net_ml: charged and not back again; fits: it can be done so."""

    portions: int
    portion_ml: float
    total_ml: float
    yield_fraction: float
    kept_ml: float
    back_ml: float
    net_ml: float
    fits: bool
    note: str = ""


def distribution(
    kd: Estimate, *, pka: Estimate | None = None, ph: Estimate | None = None, base: bool = False
) -> Estimate:
    """D from K, or for a weak acid KD / (1 + Ka/[H⁺]), for a weak base KD / (1 + [H⁺]/Ka).

    pka: of the acid, or of the base's conjugate acid. Only the uncharged form is taken to leave the water.
    """
    if pka is None or ph is None:
        return kd
    sign = -1 if base else 1
    inputs = {"KD": (kd.value, kd.u), "pKa": (pka.value, pka.u), "pH": (ph.value, ph.u)}
    found = combined(
        lambda x: x["KD"] / (1 + 10 ** (sign * (x["pH"] - x["pKa"]))), inputs, lowest={"KD": 0.0}
    )
    return Estimate(found.value, found.u, (Phrase("only the uncharged form leaves the water"),))


def saturation_ml(water_ml: float, density_g_ml: float, in_water: float) -> float:
    """The most solvent that so much water keeps: all of the water, saturated, at 20 °C.

    in_water: mass fraction at saturation. What the solvent takes of the water in turn is not counted, so it
    is never too little.
    """
    return water_ml * WATER_G_ML * in_water / (1 - in_water) / density_g_ml


def left_in_water(extraction: Extraction, portions_ml: Sequence[float]) -> float:
    """The fraction left in the water after portions of these volumes, 0 to 1."""
    water, d, unfilled = extraction.aqueous_ml, extraction.d.value, extraction.kept_ml.value
    left = 1.0
    for portion_ml in portions_ml:
        layer_ml = max(0.0, portion_ml - unfilled)
        unfilled = max(0.0, unfilled - portion_ml)
        left *= water / (water + d * layer_ml)
    return left


def limit_left(extraction: Extraction, total_ml: float) -> float:
    """What ever more and smaller portions of the same total could leave at the least."""
    free_ml = max(0.0, total_ml - extraction.kept_ml.value)
    return math.exp(-extraction.d.value * free_ml / extraction.aqueous_ml)


def volume_in_one(extraction: Extraction, yield_fraction: float) -> float:
    """Solvent for a yield in one portion, in mL."""
    return portion_for(extraction, yield_fraction, 1)


def portions_for(extraction: Extraction, yield_fraction: float, portion_ml: float) -> float | None:
    """How many portions of a size a yield takes, not rounded up; None when no number does."""
    first_ml = portion_ml - extraction.kept_ml.value
    one = math.log1p(extraction.d.value * portion_ml / extraction.aqueous_ml)
    if portion_ml <= 0 or one <= 0:
        return None
    wanted = -math.log(1 - yield_fraction)
    if first_ml >= 0:
        by_first = math.log1p(extraction.d.value * first_ml / extraction.aqueous_ml)
        return wanted / by_first if wanted <= by_first else 1 + (wanted - by_first) / one
    whole = math.floor(extraction.kept_ml.value / portion_ml)
    rest = Extraction(
        extraction.water_ml,
        extraction.d,
        Estimate(extraction.kept_ml.value - whole * portion_ml),
    )
    grown = Extraction(Estimate(extraction.aqueous_ml - rest.kept_ml.value), rest.d, rest.kept_ml)
    more = portions_for(grown, yield_fraction, portion_ml)
    return None if more is None else whole + more


def portion_for(extraction: Extraction, yield_fraction: float, portions: int) -> float:
    """The size of each of so many equal portions that give a yield, in mL, by halving the interval."""
    wanted = 1 - yield_fraction
    high = extraction.kept_ml.value + extraction.aqueous_ml * (1 / wanted) / extraction.d.value
    low = 0.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if left_in_water(extraction, [middle] * portions) > wanted:
            low = middle
        else:
            high = middle
    return high


def rows_for_yield(
    extraction: Extraction,
    yield_fraction: float,
    reuse: Reuse,
    *,
    portions_max: int = PORTIONS_MAX,
    smallest_ml: float = SMALLEST_PORTION_ML,
) -> list[Row]:
    """For each number of portions the least size that gives the yield, and what it costs in solvent."""
    return [
        row_of(extraction, count, portion_for(extraction, yield_fraction, count), reuse, smallest_ml)
        for count in range(1, portions_max + 1)
    ]


def row_of(
    extraction: Extraction,
    portions: int,
    portion_ml: float,
    reuse: Reuse,
    smallest_ml: float = SMALLEST_PORTION_ML,
) -> Row:
    """What so many portions of a size come to."""
    total_ml = portions * portion_ml
    kept_ml = min(extraction.kept_ml.value, total_ml)
    back_ml = reuse.back_ml(total_ml, portions, kept_ml)
    note: str = ""
    if portion_ml <= extraction.kept_ml.value:
        note = Phrase("the first portion would dissolve in the water whole: no layer to run off")
    elif portion_ml < smallest_ml:
        note = Phrase(
            "portions below {smallest_ml:g} mL are hard to run off cleanly", smallest_ml=smallest_ml
        )
    return Row(
        portions=portions,
        portion_ml=portion_ml,
        total_ml=total_ml,
        yield_fraction=1 - left_in_water(extraction, [portion_ml] * portions),
        kept_ml=kept_ml,
        back_ml=back_ml,
        net_ml=total_ml - back_ml,
        fits=not note,
        note=note,
    )


def least_solvent(rows: Sequence[Row]) -> Row:
    """The row that uses up least solvent, of those that can be done; the one with fewer portions if equal.

    Where none can be done, the one with the fewest portions.
    """
    fitting = [row for row in rows if row.fits] or list(rows[:1])
    return min(fitting, key=lambda row: (round(row.net_ml, 6), row.portions))


def worth_while(rows: Sequence[Row], handy_ml: float = math.inf) -> Row:
    """The fewest portions that use up hardly more than the least: a twentieth, our choice.

    Each further portion costs shaking, venting and time for ever less solvent. handy_ml: the largest portion
    that is chosen while any smaller will do, such as the water layer. A still that seems to lose nothing
    would else make one huge portion look cheapest, though all of it has to be had, shaken and distilled.
    """
    fitting = [row for row in rows if row.fits]
    handy = [row for row in fitting if row.portion_ml <= handy_ml] or fitting
    least = least_solvent(handy or rows)
    near = [row for row in handy if row.net_ml <= least.net_ml * (1 + WORTH_A_PORTION)]
    return min(near, key=lambda row: row.portions, default=least)


def yield_budget(extraction: Extraction, portion_ml: Estimate, portions: int) -> Budget:
    """The yield with its uncertainty. All portions are measured alike, so they err together."""
    inputs = {
        "D": (extraction.d.value, extraction.d.u),
        "water": (extraction.water_ml.value, extraction.water_ml.u),
        "portion": (portion_ml.value, portion_ml.u),
        "kept by the water": (extraction.kept_ml.value, extraction.kept_ml.u),
    }

    def gained(x: Mapping[str, float]) -> float:
        moved = Extraction(Estimate(x["water"]), Estimate(x["D"]), Estimate(x["kept by the water"]))
        return 1 - left_in_water(moved, [x["portion"]] * portions)

    return combined(gained, inputs, lowest=dict.fromkeys(inputs, 1e-12))

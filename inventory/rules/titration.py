"""The iodometric titration: from volumes at the bench to mg/L as H2O2, with its uncertainty.

H2O2 + 2 I- + 2 H+ -> I2 + 2 H2O; I2 + 2 S2O3-- -> 2 I- + S4O6--: one mole of H2O2 takes two of thiosulfate
(Metrohm AN H-132). Uncorrelated parts add in variance (JCGM 100:2008 5.1.2). Nothing is clamped on the way:
a titre below its blank gives a negative value, and only the interval ends at zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.instruments import ROOT_3
from inventory.rules.methods import PEROXIDE_NUMBER, TITRATION
from inventory.rules.peroxide import Reading
from inventory.rules.phrases import Phrase

ZERO = Decimal(0)
G_PER_EQUIVALENT = Decimal("17.00734")  # M(H2O2) / 2 = 34.01468 / 2, Metrohm AN H-132
G_ACTIVE_OXYGEN_PER_EQUIVALENT = Decimal(8)  # ASTM D3703, section 9
MG_PER_G = 1000
COVERAGE = 2  # expanded uncertainty U = k u, k = 2: about 95 %, GUM 6.3
DROP_ML = Decimal("0.05")  # common practice, no source
BLANKS_SPREAD = 3  # three standard deviations of the blank: common convention, from memory
SOURCES = (
    "c(H2O2) = (V - V0) * c * 17.007 * 1000 / V(sample), 1 mol H2O2 to 2 mol thiosulfate: Metrohm AN H-132",
    "mg/kg of active oxygen = (V - V0) * c * 1000 * 8 / m(sample): ASTM D3703, section 9",
    "uncertainty: variances of uncorrelated parts, JCGM 100:2008 5.1.2; expanded by k = 2, 6.3",
    "end point: to one drop either way, rectangular; least amount: one drop, or three times the uncertainty "
    "of the blank if that is more: common convention, from memory",
)
FORMULA = "c = (V - V0) * c(thiosulfate) * 17.007 * 1000 / V(sample)"


@dataclass(frozen=True, slots=True)
class Measure:
    """A value with its standard uncertainty (k = 1), both in one unit."""

    value: Decimal
    u: Decimal = ZERO

    @property
    def expanded(self) -> Decimal:
        return COVERAGE * self.u


@dataclass(frozen=True, slots=True)
class Titration:
    """What was read at the bench.

    titre_ml, blank_ml: of thiosulfate. concentration_mol_per_l: of thiosulfate, equal to its normality.
    sample_ml or sample_g: one of the two. density_kg_per_l: at 20 °C; None leaves out what needs it.
    drop_ml: size of one drop.
    """

    titre_ml: Measure
    blank_ml: Measure
    concentration_mol_per_l: Measure
    sample_ml: Measure | None = None
    sample_g: Measure | None = None
    density_kg_per_l: Measure | None = None
    drop_ml: Decimal = DROP_ML


@dataclass(frozen=True, slots=True)
class Result:
    """None where a density is needed that is not known. detection_*: the least amount that can be told."""

    mg_per_l: Measure | None
    mass_ppm: Measure | None
    active_oxygen_mg_per_kg: Measure | None
    detection_mg_per_l: Decimal | None
    detection_mass_ppm: Decimal | None
    net_ml: Measure


# What is measured or told of a titration.
NAMES: Mapping[str, str] = {
    "titre": Phrase("titre"),
    "blank": Phrase("blank"),
    "sample": Phrase("sample"),
    "concentration": Phrase("concentration"),
    "density": Phrase("density"),
    "drop": Phrase("drop"),
}


def titrate(of: Titration) -> Result:
    """Work a titration out. Raises InputError: sample-missing, sample-twice, out-of-range, below-blank."""
    _check(of)
    net = _net(of)
    if net.value < -net.expanded:
        raise InputError(
            "titre",
            "below-blank",
            Phrase("The blank took more than the sample did, by more than the readings are uncertain."),
            Phrase("Check whether the two are swapped; titrate again if not."),
        )
    least_ml = max(of.drop_ml, BLANKS_SPREAD * _with_end_point(of.blank_ml, of.drop_ml).u)
    milligrams = _product(net, of.concentration_mol_per_l, G_PER_EQUIVALENT)
    least_mg = least_ml * of.concentration_mol_per_l.value * G_PER_EQUIVALENT
    sample_l, sample_kg = _sample(of)
    per_kg = None if sample_kg is None else _over(milligrams, sample_kg)
    oxygen_share = G_ACTIVE_OXYGEN_PER_EQUIVALENT / G_PER_EQUIVALENT
    return Result(
        mg_per_l=None if sample_l is None else _over(milligrams, sample_l),
        mass_ppm=per_kg,
        active_oxygen_mg_per_kg=None
        if per_kg is None
        else Measure(per_kg.value * oxygen_share, per_kg.u * oxygen_share),
        detection_mg_per_l=None if sample_l is None else least_mg / sample_l.value,
        detection_mass_ppm=None if sample_kg is None else least_mg / sample_kg.value,
        net_ml=net,
    )


def interval(result: Result, *, method: str = TITRATION) -> Reading:
    """The reading that a titration comes to: value ± 2 u, its upper end never below what can be told.

    Raises InputError (density-needed) when mg/L is not known.
    """
    found, least = result.mg_per_l, result.detection_mg_per_l
    if found is None or least is None:
        raise InputError(
            "titration",
            "density-needed",
            Phrase("A weighed sample becomes mg/L only through the density."),
            Phrase("Give the density, or the volume of the sample."),
        )
    upper = max(found.value + found.expanded, least)
    return Reading(max(found.value - found.expanded, ZERO), upper, method)


def method_of(of: Titration) -> str:
    """Its name among the methods: by a weighed sample it is the peroxide number."""
    return TITRATION if of.sample_g is None else PEROXIDE_NUMBER


def _check(of: Titration) -> None:
    if (of.sample_ml is None) == (of.sample_g is None):
        code = "sample-missing" if of.sample_ml is None else "sample-twice"
        raise InputError(
            "sample", code, Phrase("One sample is wanted."), Phrase("Give its volume or its mass.")
        )
    positive: Mapping[str, Measure | None] = {
        "concentration": of.concentration_mol_per_l,
        "sample": of.sample_ml or of.sample_g,
        "density": of.density_kg_per_l,
        "drop": Measure(of.drop_ml),
    }
    for name, measure in positive.items():
        if measure is not None and measure.value <= ZERO:
            raise InputError(
                name,
                "out-of-range",
                Phrase("The {name} must be above zero.", name=NAMES[name]),
                Phrase("Check the number."),
            )


def _with_end_point(volume: Measure, drop_ml: Decimal) -> Measure:
    """An end point is seen to one drop either way (rectangular, GUM 4.3.7) beside the burette's own."""
    return Measure(volume.value, (volume.u**2 + (drop_ml / ROOT_3) ** 2).sqrt())


def _net(of: Titration) -> Measure:
    titre, blank = (_with_end_point(volume, of.drop_ml) for volume in (of.titre_ml, of.blank_ml))
    return Measure(titre.value - blank.value, (titre.u**2 + blank.u**2).sqrt())


def _product(one: Measure, other: Measure, factor: Decimal = Decimal(1)) -> Measure:
    u = ((one.u * other.value) ** 2 + (one.value * other.u) ** 2).sqrt()
    return Measure(one.value * other.value * factor, u * factor)


def _over(one: Measure, other: Measure) -> Measure:
    u = ((one.u / other.value) ** 2 + (one.value * other.u / other.value**2) ** 2).sqrt()
    return Measure(one.value / other.value, u)


def _sample(of: Titration) -> tuple[Measure | None, Measure | None]:
    """The sample in L and in kg; one of them only through the density."""
    density = of.density_kg_per_l
    if of.sample_ml is not None:
        litres = Measure(of.sample_ml.value / MG_PER_G, of.sample_ml.u / MG_PER_G)
        return litres, None if density is None else _product(litres, density)
    assert of.sample_g is not None, "checked before"
    kilograms = Measure(of.sample_g.value / MG_PER_G, of.sample_g.u / MG_PER_G)
    return None if density is None else _over(kilograms, density), kilograms


def plain(measure: Measure | None, unit: str) -> dict[str, Any] | None:
    """{"value", "unit", "uncertainty"} as text: the uncertainty (k = 1) to two figures, the value as fine."""
    if measure is None:
        return None
    value, u = rounded(measure)
    return {"value": format(value, "f"), "unit": unit, "uncertainty": format(u, "f")}


def rounded(measure: Measure) -> tuple[Decimal, Decimal]:
    """Value and uncertainty as one writes them: GUM 7.2.6 (from memory), two figures, rounded up."""
    places = 3 if measure.u == 0 else min(6, max(0, 1 - measure.u.adjusted()))
    step = Decimal(1).scaleb(-places)
    return measure.value.quantize(step, ROUND_HALF_EVEN), measure.u.quantize(step, ROUND_CEILING)

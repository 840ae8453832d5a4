"""Sums and differences of measured volumes whose errors are partly shared.

Two amounts read in one cylinder err by the same calibration, two amounts weighed and divided by one density
by the same density: in a difference that cancels, in a sum it adds up. Each amount therefore carries its
own part of standard uncertainty, independent of all else, and signed parts by shared source. Of any sum the
parts of one source are added first, with their signs, and then all sources in quadrature: JCGM 100:2008
5.2.2 with r = 1 inside a source and r = 0 between sources. Units: µl at 20 °C throughout.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from math import floor, hypot, inf, isinf, sqrt
from typing import Any

from inventory.rules.instruments import INSTRUMENTS, NOT_STATED, Instrument, split_uncertainty
from inventory.rules.phrases import Phrase
from inventory.rules.units import affine
from inventory.rules.volume import note_words
from recovery.rules.instrument_words import instrument_words
from recovery.rules.student import t_quantile

__all__ = ["COVERAGE", "Combined", "Part", "apart", "combined", "coverage_factor", "part_of", "repeated"]

#: U = k u, k = 2 (GUM 6.3.1): of a normal distribution that is 95.45 %, and so of Student's t
COVERAGE = 2.0
LEVEL = 0.954499736103642
#: what a source of one piece's calibration is called
CALIBRATION = "calibration of "
ALL_OF_IT = Phrase("all that a bottle held by the records: its own error is not counted")
SOURCES = (
    "combined with what is shared: JCGM 100:2008 5.2.2",
    "expanded: U = k u, k = 2, 6.3; with few repeats k from Student's t at 95.45 % with the effective "
    "degrees of freedom of Welch and Satterthwaite, G.4.1",
)


@dataclass(frozen=True, slots=True)
class Part:
    """One measured volume.

    own_ul: standard uncertainty that nothing else shares, with `dof` degrees of freedom (infinite where it
    was not found by repeating). shared: source → signed standard uncertainty; the sign says which way the
    volume goes when that source errs upwards. notes: what was taken for granted.
    """

    volume_ul: int
    own_ul: float = 0.0
    shared: Mapping[str, float] = field(default_factory=dict)
    dof: float = inf
    notes: tuple[str, ...] = ()

    @property
    def u_ul(self) -> float:
        """Standard uncertainty of this volume alone."""
        return hypot(self.own_ul, *self.shared.values())

    def scaled(self, factor: float) -> Part:
        """The same uncertainty parts, `factor` times as large; volume_ul rounded to whole µl."""
        shared = {key: u * factor for key, u in self.shared.items()}
        return replace(
            self, volume_ul=round(self.volume_ul * factor), own_ul=self.own_ul * abs(factor), shared=shared
        )


@dataclass(frozen=True, slots=True)
class Combined:
    """A sum of amounts: its value, standard uncertainty and effective degrees of freedom."""

    volume_ul: int
    u_ul: float
    dof: float = inf

    @property
    def k(self) -> float:
        """Coverage factor for 95.45 %."""
        return coverage_factor(self.dof)

    @property
    def expanded_ul(self) -> float:
        """U = k u."""
        return self.k * self.u_ul

    @property
    def beyond(self) -> bool:
        """Whether it differs from nothing by more than its expanded uncertainty."""
        return abs(self.volume_ul) > self.expanded_ul


def combined(terms: Iterable[tuple[int, Part]]) -> Combined:
    """The sum of ±1 × part, exact in volume, combined in uncertainty. An empty sum is 0 ± 0."""
    held = list(terms)
    by_source: dict[str, float] = defaultdict(float)
    for sign, part in held:
        for key, u in part.shared.items():
            by_source[key] += sign * u
    u = hypot(*(part.own_ul for _, part in held), *by_source.values())
    fourth = sum(part.own_ul**4 / part.dof for _, part in held if not isinf(part.dof))
    dof = u**4 / fourth if fourth > 0 else inf
    return Combined(sum(sign * part.volume_ul for sign, part in held), u, dof)


def apart(part: Part) -> Part:
    """The same as if no other amount had been read with the same piece."""
    own = [u for key, u in part.shared.items() if key.startswith(CALIBRATION)]
    kept = {key: u for key, u in part.shared.items() if not key.startswith(CALIBRATION)}
    return replace(part, own_ul=hypot(part.own_ul, *own), shared=kept)


def coverage_factor(dof: float) -> float:
    """k for 95.45 %: 2 without end, else Student's t with the whole degrees of freedom below (GUM G.4.1)."""
    return COVERAGE if isinf(dof) else t_quantile(LEVEL, max(1, floor(dof + 1e-9)))


def repeated(readings_ul: Iterable[float]) -> Part:
    """Mean of repeated readings of one volume with the uncertainty of the mean (GUM 4.2.3), type A.

    Raises ValueError for fewer than two readings.
    """
    values = list(readings_ul)
    count = len(values)
    if count < 2:
        raise ValueError("two readings are needed to see how they scatter")
    mean = sum(values) / count
    spread = sqrt(sum((value - mean) ** 2 for value in values) / (count - 1))
    return Part(round(mean), spread / sqrt(count), dof=count - 1)


def part_of(volume_ul: int, u_volume_ul: int, as_entered: Mapping[str, Any] | None) -> Part:
    """A part from what a movement keeps: its volume, standard uncertainty and what was entered.

    The budget that was kept is parted into what one piece of glass or one balance repeats, named by its
    instrument, what one liquid repeats (density, expansion, buoyancy), and what each reading brings; the
    temperature of each reading counts as its own. Without a budget all of `u_volume_ul` is its own.
    """
    kept = as_entered or {}
    if kept.get("all"):
        return Part(volume_ul, notes=(ALL_OF_IT,))
    budget = {name: _number(value) for name, value in dict(kept.get("budget_ul") or {}).items()}
    instrument = INSTRUMENTS.get(str(kept.get("instrument") or NOT_STATED))
    if "instrument" not in budget or instrument is None:
        return Part(volume_ul, float(u_volume_ul))
    own, shared = _instrument_parts(kept, instrument, budget, volume_ul)
    own = hypot(own, budget.get("temperature", 0.0))
    warmer = _celsius(kept) > 20
    shared |= _liquid_parts(budget, -1.0 if warmer else 1.0)
    return Part(volume_ul, own, {key: u for key, u in shared.items() if u}, notes=_notes(kept, instrument))


def _instrument_parts(
    kept: Mapping[str, Any], instrument: Instrument, budget: Mapping[str, float], volume_ul: int
) -> tuple[float, dict[str, float]]:
    """(own part, shared part by piece) in µl of the instrument's share of a budget."""
    if instrument.kind == "estimate":
        return budget["instrument"], {}
    source = f"{CALIBRATION}{instrument.key}"
    if instrument.kind == "balance":
        step_ul = _step_ul(instrument, kept)
        return budget["instrument"], {source: step_ul / sqrt(3)}
    read_ml = _read_ml(kept, volume_ul)
    split = split_uncertainty(instrument, read_ml, measures="volume")
    return float(split.reading) * 1000, {source: budget["instrument"]}


def _step_ul(instrument: Instrument, kept: Mapping[str, Any]) -> float:
    """One step of a balance as a volume of the liquid that was weighed."""
    density_g_ml = _number((kept.get("used") or {}).get("density_20c_kg_m3")) / 1000
    return float(instrument.tolerance) / density_g_ml * 1000 if density_g_ml else 0.0


def _liquid_parts(budget: Mapping[str, float], expansion_sign: float) -> dict[str, float]:
    """What all amounts of one liquid share. A denser liquid makes less volume of a mass, a liquid that
    expands more makes less at 20 °C of what was read above it."""
    return {
        "expansion of the liquid": expansion_sign * budget.get("expansion", 0.0),
        "density of the liquid": -budget.get("density", 0.0),
        "buoyancy": budget.get("buoyancy", 0.0),
    }


def _notes(kept: Mapping[str, Any], instrument: Instrument) -> tuple[str, ...]:
    told: list[str] = [
        note_words(str(note)) for note in kept.get("notes") or () if "temperature not needed" not in str(note)
    ]
    if instrument.kind != "estimate":
        told.append(
            Phrase(
                "all readings by a {instrument} in one run count as made with one and the same piece",
                instrument=instrument_words(instrument.key),
            )
        )
    return tuple(told)


def _celsius(kept: Mapping[str, Any]) -> float:
    told = kept.get("temperature")
    if not told:
        return 20.0
    slope, offset = affine(told["unit"], "Cel")
    return float(slope) * _number(told["value"]) + float(offset)


def _read_ml(kept: Mapping[str, Any], volume_ul: int) -> Decimal:
    """What was read, in mL, for the number of fillings; the volume at 20 °C where it is not kept."""
    try:
        slope, offset = affine(str(kept["unit"]), "mL")
        return Decimal(float(slope) * _number(kept["value"]) + float(offset))
    except KeyError:
        return Decimal(volume_ul) / 1000


def _number(value: object) -> float:
    try:
        return float(Decimal(str(value)))
    except InvalidOperation:
        return 0.0

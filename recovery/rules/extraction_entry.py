"""An extraction as asked for: water, distribution constant, a wanted yield or portions, and the answer.

What is not told takes the worse case: cold water, which keeps more solvent; an undissociated acid or base is
taken only where pKa and pH are told; K to a tenth.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from recovery.rules.asked import Raw, Wanted, read_amount, read_number
from recovery.rules.budget import Budget, Estimate
from recovery.rules.extraction import (
    NOTHING,
    PORTIONS_MAX,
    SMALLEST_PORTION_ML,
    Extraction,
    Reuse,
    Row,
    distribution,
    least_solvent,
    limit_left,
    portions_for,
    row_of,
    rows_for_yield,
    saturation_ml,
    worth_while,
    yield_budget,
)
from recovery.rules.properties import Properties
from recovery.rules.solubility import mutual

COLD_TAP_C = 10.0
USUAL_YIELD = 0.99
#: with none at all one huge portion would seem to cost nothing, as if all of it came back
USUAL_STILL_LOSS = 0.2
K_SHARE = 0.1
PH_U, PKA_U = 0.1, 0.1
#: of a measured portion where no instrument is named: a 100 mL cylinder of class B, as in a titration
WATER = Wanted("water", "volume", "mL", 0.1, 100_000)
PORTION = Wanted("portion", "volume", "mL", 0.1, 100_000)
TEMPERATURE = Wanted("water_temperature", "temperature", "Cel", 0, 60)
SIDE_BY_SIDE = 8
CURVE_POINTS = 24
CURVES = (1, 2, 3, 5)
RULES_OF_THUMB = (
    Phrase(
        "Several small portions take out more than one large of the same total: common practice, and the law."
    ),
    Phrase(
        "A portion of no more than the water layer is chosen where one will do: common practice, no source."
    ),
    Phrase("Vent the funnel often and point it away: shaking builds up pressure. Common practice."),
    Phrase("The layer shrinks on shaking with water, and colder water keeps more: measure what is run off."),
    Phrase("K holds for dilute solutions at one temperature; salt, emulsions and association change it."),
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be worked out. yield_fraction None: portions are told. water_c None: not told."""

    extraction: Extraction
    yield_fraction: float | None
    portion_ml: Estimate | None
    portions: int | None
    portions_max: int
    reuse: Reuse
    smallest_ml: float
    assumptions: tuple[str, ...]
    sources: tuple[str, ...]
    water_c: float | None = None


@dataclass(frozen=True, slots=True)
class Curve:
    """Yield over total volume for so many portions; portions None: the limit of ever more."""

    portions: int | None
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Worked:
    """The answer. same_total: as much solvent in 1, 2, … portions. for_yield: each way to the yield.

    least: of those, the one that uses up least solvent; chosen may have fewer portions, nearly as good.
    """

    asked: Asked
    chosen: Row
    gained: Budget
    same_total: tuple[Row, ...]
    for_yield: tuple[Row, ...]
    least: Row | None
    limit_yield: float
    exact_portions: float | None
    curves: tuple[Curve, ...]


def read_extraction(
    raw: Mapping[str, Any],
    solvent: Properties | None,
    *,
    reuse: Reuse = Reuse(),  # noqa: B008 - frozen
) -> Asked:
    """Read water, k, pka, ph, base, water_temperature, wanted_percent, portion, portions, portions_max.

    solvent: whose solubility counts; None: the water keeps none, and that is said. reuse: what is known
    of what comes back. Raises InputError naming the field.
    """
    water = read_amount(raw["water"], WATER)
    k = read_number(raw["k"], field="k", low=1e-4, high=1e6)
    k = replace(k, u=k.u or k.value * K_SHARE) if not isinstance(raw["k"], Mapping) else k
    assumed: list[str] = []
    if not isinstance(raw["k"], Mapping):
        assumed.append(Phrase("K known to {percent}% (k = 1)", percent=f"{K_SHARE * 100:.0f}"))
    d = _distribution(raw, k)
    kept, said, sources = _kept(raw, water, solvent)
    assumed += [*d.assumptions, *said]
    portion = read_amount(raw["portion"], PORTION) if raw.get("portion") is not None else None
    portions, wanted = raw.get("portions"), _wanted(raw, portion)
    if wanted is not None and raw.get("wanted_percent") is None:
        percent = f"{USUAL_YIELD * 100:.0f}"
        assumed.append(Phrase("{percent}% taken as the wanted yield", percent=percent))
    return Asked(
        extraction=Extraction(water, d, kept),
        yield_fraction=wanted,
        portion_ml=portion,
        portions=portions,
        portions_max=raw.get("portions_max") or PORTIONS_MAX,
        reuse=reuse,
        smallest_ml=SMALLEST_PORTION_ML,
        assumptions=tuple(assumed),
        sources=sources,
        water_c=read_amount(raw["water_temperature"], TEMPERATURE).value
        if raw.get("water_temperature")
        else None,
    )


def _celsius(raw: Mapping[str, Any]) -> float | None:
    told = raw.get("water_temperature")
    return None if told is None else read_amount(told, TEMPERATURE).value


def _wanted(raw: Mapping[str, Any], portion: Estimate | None) -> float | None:
    """The wanted yield as a fraction; None where size and number of portions are told instead."""
    told = raw.get("wanted_percent")
    if told is None:
        return None if portion is not None and raw.get("portions") is not None else USUAL_YIELD
    if portion is not None and raw.get("portions") is not None:
        words = Phrase("Size and number of portions already give a yield.")
        raise InputError("wanted_percent", "too-much", words, Phrase("Leave one of the three out."))
    return read_number(told, field="wanted_percent", low=0.1, high=99.9999).value / 100


def _distribution(raw: Mapping[str, Any], k: Estimate) -> Estimate:
    pka, ph = raw.get("pka"), raw.get("ph")
    if (pka is None) != (ph is None):
        missing = "pka" if pka is None else "ph"
        words = Phrase("A weak acid or base takes both pKa and pH.")
        raise InputError(missing, "missing", words, Phrase("Give both, or none of them."))
    if pka is None or ph is None:
        return k
    acid = read_number(pka, field="pka", low=-5, high=20, u=PKA_U)
    at = read_number(ph, field="ph", low=0, high=14, u=PH_U)
    return distribution(k, pka=acid, ph=at, base=bool(raw.get("base")))


def _kept(
    raw: Mapping[str, Any], water: Estimate, solvent: Properties | None
) -> tuple[Estimate, list[str], tuple[str, ...]]:
    """(what the water layer keeps in mL, assumptions, sources)."""
    if solvent is None:
        return NOTHING, [Phrase("no solvent named: the water layer is taken to keep none of it")], ()
    said: list[str] = []
    celsius = _celsius(raw)
    if celsius is None:
        celsius = COLD_TAP_C
        said.append(
            Phrase(
                "temperature of the water not told: {celsius:g} °C taken, cold water keeps more",
                celsius=COLD_TAP_C,
            )
        )
    pair = mutual(solvent, celsius)
    if pair.miscible:
        words = Phrase(
            "{solvent} mixes with water: no layer forms, so nothing can be extracted with it.",
            solvent=solvent.name,
        )
        remedy = Phrase("Take a solvent that water does not mix with.")
        raise InputError("solvent", "no-layers", words, remedy)
    kept_ml = saturation_ml(water.value, solvent.density_20c_g_ml, pair.in_water.value)
    u_share = math.hypot(pair.in_water.u / pair.in_water.value, water.u / water.value)
    return Estimate(kept_ml, kept_ml * u_share), [*said, *pair.in_water.assumptions], pair.in_water.sources


def work_out(asked: Asked) -> Worked:
    """The portions to take, what they give, and the other ways beside them."""
    rows: tuple[Row, ...] = ()
    exact = None
    if asked.yield_fraction is None:
        assert asked.portion_ml is not None and asked.portions is not None
        chosen = _row(asked, asked.portions, asked.portion_ml.value)
    else:
        rows = tuple(
            rows_for_yield(
                asked.extraction,
                asked.yield_fraction,
                asked.reuse,
                portions_max=asked.portions_max,
                smallest_ml=asked.smallest_ml,
            )
        )
        chosen, exact = _chosen(asked, rows)
    portion = asked.portion_ml or Estimate(chosen.portion_ml, chosen.portion_ml * 0.01)
    return Worked(
        asked=asked,
        chosen=chosen,
        gained=yield_budget(asked.extraction, portion, chosen.portions),
        same_total=tuple(
            _row(asked, count, chosen.total_ml / count)
            for count in sorted({*range(1, SIDE_BY_SIDE + 1), chosen.portions})
        ),
        for_yield=rows,
        least=least_solvent(rows) if rows else None,
        limit_yield=1 - limit_left(asked.extraction, chosen.total_ml),
        exact_portions=exact,
        curves=_curves(asked.extraction, chosen.total_ml),
    )


def _row(asked: Asked, portions: int, portion_ml: float) -> Row:
    return row_of(asked.extraction, portions, portion_ml, asked.reuse, asked.smallest_ml)


def _chosen(asked: Asked, rows: tuple[Row, ...]) -> tuple[Row, float | None]:
    """By the size told, or the number told, or what is worth while; sizes rounded up to be measured."""
    wanted = asked.yield_fraction or USUAL_YIELD
    if asked.portion_ml is not None:
        exact = portions_for(asked.extraction, wanted, asked.portion_ml.value)
        if exact is None or exact > 1000:
            words = Phrase("Portions of that size never come to that yield.")
            remedy = Phrase("Take larger portions, or another solvent or pH.")
            raise InputError("portion", "never-enough", words, remedy)
        return _row(asked, math.ceil(exact - 1e-9), asked.portion_ml.value), exact
    if asked.portions is not None:
        row = rows_for_yield(asked.extraction, wanted, asked.reuse, portions_max=asked.portions)[-1]
    else:
        row = worth_while(rows, asked.extraction.water_ml.value)
    return _row(asked, row.portions, _measurable_ml(row.portion_ml)), None


def _measurable_ml(portion_ml: float) -> float:
    """Up to the next mark of a cylinder: 1 mL, above 100 mL 5 mL, above 1 L 50 mL; our choice."""
    step = 1 if portion_ml <= 100 else 5 if portion_ml <= 1000 else 50
    return math.ceil(portion_ml / step - 1e-6) * step


def _curves(extraction: Extraction, total_ml: float) -> tuple[Curve, ...]:
    """Yield over total volume up to twice the chosen one."""
    totals = [2 * total_ml * step / CURVE_POINTS for step in range(CURVE_POINTS + 1)]
    reuse = Reuse()

    def curve(count: int) -> Curve:
        gained = ((x, row_of(extraction, count, x / count, reuse).yield_fraction) for x in totals)
        return Curve(count, tuple(gained))

    limit = Curve(None, tuple((x, 1 - limit_left(extraction, x)) for x in totals))
    return (*map(curve, CURVES), limit)


def read_reuse(
    raw: Mapping[str, Any], heel_fraction: float = 0.0, known_loss: tuple[float, str] | None = None
) -> tuple[Reuse, list[str]]:
    """(what comes back, assumptions) from distils, heel_percent, still_loss_percent, lost_per_portion.

    known_loss: fraction lost in the still where nobody tells one, and in words where it is from.
    """
    said: list[str] = []
    if raw.get("distils") is False:
        return Reuse(distils=False, lost_per_portion_ml=_per_portion(raw, said)), said
    heel = heel_fraction
    if raw.get("heel_percent") is not None:
        heel = max(heel, read_number(raw["heel_percent"], field="heel_percent", low=0, high=100).value / 100)
    if raw.get("still_loss_percent") is not None:
        told = read_number(raw["still_loss_percent"], field="still_loss_percent", low=0, high=100)
        lost = told.value / 100
    elif known_loss is not None:
        lost, words = known_loss
        said.append(words)
    else:
        lost = USUAL_STILL_LOSS
        said.append(
            Phrase(
                "loss in the still not told: {percent}% taken, common practice, no source",
                percent=f"{lost * 100:.0f}",
            )
        )
    return Reuse(True, heel, lost, _per_portion(raw, said)), said


def _per_portion(raw: Mapping[str, Any], said: list[str]) -> float:
    told: Raw | None = raw.get("lost_per_portion")
    if told is None:
        usual = Reuse().lost_per_portion_ml
        said.append(
            Phrase("{usual:g} mL left on glass with each portion: common practice, no source", usual=usual)
        )
        return usual
    return read_amount(told, Wanted("lost_per_portion", "volume", "mL", 0, 1000)).value

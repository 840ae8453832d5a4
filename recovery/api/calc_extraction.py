"""The calculator of extractions, and how its answer is written; the plan before a run writes the same."""

from __future__ import annotations

from typing import Any

from inventory.api.calculator import Calculator
from inventory.api.fields import Body, FlagField, TextField
from inventory.api.measures import MeasureField
from recovery.api.calculator_fields import (
    LOCAL,
    PureField,
    measured_out,
    number_out,
    shipped_solvent,
    whole,
)
from recovery.api.shapes_calculators import ExtractionShape
from recovery.rules.budget import Estimate
from recovery.rules.extraction import FORMULA, SOURCES, Row
from recovery.rules.extraction_entry import RULES_OF_THUMB, Worked, read_extraction, read_reuse, work_out

PORTIONS_MAX = 50


class ExtractionBody(Body):
    """What is known of an extraction from water."""

    water = MeasureField(help_text="Volume of the water layer.")
    k = PureField(help_text="In the solvent over in the water; of a weak acid or base its uncharged form.")
    pka = PureField(required=False, help_text="Of the acid, or of the base's conjugate acid.")
    ph = PureField(required=False)
    base = FlagField(required=False, help_text="It is a weak base. Left out: an acid.")
    water_temperature = MeasureField(required=False, help_text="Left out: 10 °C, which keeps more solvent.")
    wanted_percent = PureField(required=False, help_text="Wanted yield. Left out: 99.")
    portion = MeasureField(required=False, help_text="Size of a portion; with `portions`, what they give.")
    portions = whole(PORTIONS_MAX)
    portions_max = whole(PORTIONS_MAX, help_text="Most that are compared. Left out: 20.")
    still_loss_percent = PureField(
        required=False, help_text="Of what goes into the still. Left out: 20, in a lab what its runs lost."
    )
    lost_per_portion = MeasureField(required=False, help_text="Left on glass and paper. Left out: 1 mL.")


class ExtractionAsk(ExtractionBody):
    solvent = TextField(
        max_length=120, required=False, help_text="For what the water keeps. Left out: it keeps none."
    )
    distils = FlagField(required=False, help_text="Whether it is distilled back. Left out: true.")
    heel_percent = PureField(required=False, help_text="Left in the still.")


class Extractions(Calculator):
    """Portions of solvent for a yield, one large against several small, and which way needs least solvent."""

    name = "extraction"
    summary = "Work an extraction out"
    ask = ExtractionAsk
    answer = ExtractionShape
    formula = FORMULA
    sources = SOURCES

    def work(self, data: Any) -> dict[str, Any]:
        solvent = shipped_solvent(data["solvent"]) if "solvent" in data else None
        reuse, said = read_reuse(data)
        worked = work_out(read_extraction(data, solvent, reuse=reuse))
        return extraction_out(worked, said)


def extraction_out(worked: Worked, also_assumed: list[str]) -> dict[str, Any]:
    """The answer as `ExtractionShape` tells."""
    asked, chosen = worked.asked, worked.chosen
    return {
        "distribution": measured_out(asked.extraction.d, ""),
        "water": measured_out(asked.extraction.water_ml, "mL"),
        "kept_by_water": measured_out(asked.extraction.kept_ml, "mL"),
        "yield_percent": measured_out(worked.gained, "%", 100),
        "left_percent": number_out(100 * (1 - chosen.yield_fraction)),
        "limit_percent": number_out(100 * worked.limit_yield, 7),
        "exact_portions": None if worked.exact_portions is None else number_out(worked.exact_portions),
        "chosen": row_out(chosen),
        "same_total": [row_out(row) for row in worked.same_total],
        "least": worked.least and row_out(worked.least),
        "for_yield": [row_out(row) for row in worked.for_yield],
        "curves": [
            {
                "portions": curve.portions,
                "points": [
                    {"total_ml": number_out(total), "yield_percent": number_out(100 * gained)}
                    for total, gained in curve.points
                ],
            }
            for curve in worked.curves
        ],
        "formula": FORMULA,
        "sources": list(dict.fromkeys((*SOURCES, *asked.sources))),
        "assumptions": [*asked.assumptions, *also_assumed],
        "cautions": [*RULES_OF_THUMB, LOCAL],
    }


def row_out(row: Row) -> dict[str, Any]:
    volumes = {"portion_ml", "total_ml", "kept_ml", "back_ml", "net_ml"}
    return {
        "portions": row.portions,
        **{name: volume_ml_out(getattr(row, name)) for name in sorted(volumes)},
        "yield_percent": number_out(100 * row.yield_fraction, 7),
        "fits": row.fits,
        "note": row.note,
    }


def volume_ml_out(volume_ml: float) -> str:
    """A predicted volume to a hundredth of a millilitre."""
    return str(measured_out(Estimate(round(volume_ml, 2)), "mL")["value"])

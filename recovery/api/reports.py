"""Loss rates and the stock ledger, read from sums that are kept as things are booked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpResponse

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.quantities import volume_out
from inventory.api.rows import decimal_text
from recovery.api.loss_charts import number_text
from recovery.api.shapes import FlowsShape, LossRatesShape
from recovery.selectors.losses import GROUPS, loss_rates
from recovery.selectors.report import ledger_report

PERIOD = (
    params.on("since", "A day in the first month."),
    params.on("until", "A day in the last month."),
)


class LossRates(LabView):
    """Sum of losses over sum charged, of closed runs; never a mean of percentages."""

    contracts = {
        "GET": Contract(
            "reports.read",
            LossRatesShape,
            "Loss rates",
            params=(
                params.choices("by", list(GROUPS), "What the rates are read by; solvent when left out."),
                params.text("solvent", "Id, key, name or synonym."),
                params.on("month", "First day of a month."),
                params.text("purpose"),
                params.text("operator"),
                params.text("kind", "Key."),
                params.text("apparatus", "Name."),
                *PERIOD,
            ),
            words="loss_fraction stands with its interval, or with words that say why there is none. By "
            "apparatus, a run that was done in two counts for both. Not paged: there is one entry for each "
            "group that closed runs of that time show, such as one for each solvent and month.",
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        by = given.pop("by", ["solvent"])
        rates = loss_rates(lab=self.caller.lab, by=by, **given)
        results = [
            {
                "group": rate.group,
                "runs": rate.runs,
                "runs_without_return": rate.runs_without_return,
                "charged": volume_out(rate.charged_ul),
                "returned": volume_out(rate.returned_ul),
                "lost": volume_out(rate.lost_ul),
                "loss_fraction": decimal_text(rate.loss_fraction),
                "uncertainty": number_text(rate.rate.u),
                "lower": number_text(rate.rate.lower),
                "upper": number_text(rate.rate.upper),
                "words": rate.rate.words,
            }
            for rate in rates
        ]
        return self.listing({"results": results})


class Flows(LabView):
    """What stood in containers at the start and end of each month, and what came and went between."""

    contracts = {
        "GET": Contract(
            "reports.read",
            FlowsShape,
            "Stock ledger by month",
            params=PERIOD,
            words="Not paged: there is one entry for each solvent and month, however much was booked.",
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        rows = ledger_report(lab=self.caller.lab, **self.query)
        results = [
            {
                "solvent": row.solvent,
                "month": row.month,
                "opening": volume_out(row.opening_ul),
                "into": _parts(row.into_ul),
                "out_of": _parts(row.out_of_ul),
                "lost_in_runs": _parts(row.lost_ul),
                "closing": volume_out(row.closing_ul),
            }
            for row in rows
        ]
        return self.listing({"results": results})


def _parts(volumes_ul: Mapping[str, int]) -> list[dict[str, Any]]:
    return [{"kind": kind, "volume": volume_out(ul)} for kind, ul in sorted(volumes_ul.items())]

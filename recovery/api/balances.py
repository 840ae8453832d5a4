"""The balance of a run: what went where with which uncertainty, what was predicted, what is not explained."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse

from inventory.api.base import Contract
from recovery.api.rows_balance import balance_out
from recovery.api.runs import RunView
from recovery.api.shapes_balance import RunBalanceShape
from recovery.models import Run
from recovery.selectors.balances import run_balances


class RunBalances(RunView):
    """Charged, returned, held and wasted with their uncertainties, predicted losses, and the rest.

    Worked out from the records when asked for. One entry for each solvent that was in the run.
    """

    contracts = {
        "GET": Contract(
            "runs.read",
            RunBalanceShape,
            "Balance of a run",
            words="Every amount is at 20 °C with its standard uncertainty (k = 1). What lies within U = k·u "
            "is no finding; more back than out is one, with its significance. A predicted loss for which "
            "too little was told has no amount: it is never taken for nothing.",
        )
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        found = self.caller.by_id(Run.objects.select_related("kind"), run)
        rows = run_balances(lab=self.caller.lab, run=found)
        return self.listing({"run": str(found.pk), "results": [balance_out(row) for row in rows]})

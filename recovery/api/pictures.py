"""What became of solvent, drawn: a run's balance, losses by run, the flows of a period, a plan's yields."""

from __future__ import annotations

from math import inf
from typing import Any

from django.http import HttpResponse

from inventory.api import params
from inventory.api.lookup import solvent_at
from inventory.api.pictures import PictureView, picture_of
from inventory.api.problems import QueryError
from inventory.rules.errors import InputError
from recovery.api.loss_charts import CHART_PARAMS, choice_of
from recovery.api.solvent_balance import month
from recovery.models import Run
from recovery.rules.amounts import Combined
from recovery.rules.loss_watch import BASELINE_RUNS
from recovery.rules.pictures.balance_bars import balance_bars
from recovery.rules.pictures.balance_flows import flows_of
from recovery.rules.pictures.flow_diagram import draw_flow_diagram
from recovery.rules.pictures.loss_chart import draw_loss_chart
from recovery.rules.pictures.loss_waterfall import draw_waterfall, run_title
from recovery.rules.pictures.plan_yields import yields_of
from recovery.rules.pictures.yield_curve import draw_yield_curve
from recovery.rules.solvent_balance_pdf import bars_of
from recovery.rules.solvent_terms import load_terms
from recovery.rules.waterfall import Waterfall
from recovery.selectors.balances import RunBalance, run_balances
from recovery.selectors.drawn_losses import PANELS, drawn
from recovery.selectors.loss_series import loss_chart
from recovery.selectors.solvent_balance import solvent_balance

# More runs than these run into each other on a phone.
RUNS_DRAWN, RUNS_DRAWN_MAX = 60, 300
BARS_MOST = 12
NOTHING = Waterfall("", (), 2.0, "within-uncertainty", "", Combined(0, 0.0, inf))


class RunBalancePicture(PictureView):
    """From what was charged down to what nobody can explain, step by step, with uncertainties."""

    contracts = {
        "GET": picture_of(
            "runs.read",
            "Picture of a run's balance",
            params.text("solvent", "Of which solvent; left out, of the one of which most was charged."),
        )
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        asked = self.asked
        found = self.caller.by_id(Run.objects.select_related("kind"), run)
        rows = run_balances(lab=self.caller.lab, run=found)
        fall = self._chosen(rows, asked.get("solvent"))
        title = run_title(found.pk, found.purpose)
        return self.picture(lambda look: draw_waterfall(fall, look, title))

    def _chosen(self, rows: list[RunBalance], solvent: str | None) -> Waterfall:
        """An empty one where nothing was charged. Raises QueryError for what was not in the run."""
        if solvent is None:
            most = max(rows, key=lambda row: row.balance.charged.volume_ul, default=None)
            return NOTHING if most is None else most.waterfall
        for row in rows:
            if row.solvent.key == solvent:
                return row.waterfall
        known = ", ".join(row.solvent.key for row in rows) or "nothing"
        raise QueryError("solvent", "not-in-run", "That was not in this run.", f"There was: {known}.")


class LossChartPicture(PictureView):
    """What each run lost, with limits, run rules, lasting changes and repairs."""

    contracts = {
        "GET": picture_of(
            "reports.read",
            "Picture of a chart of losses",
            *CHART_PARAMS,
            params.number("last", f"Runs drawn; {RUNS_DRAWN} when left out.", least=1, most=RUNS_DRAWN_MAX),
            params.choices("panels", PANELS, "Drawn one below the other; runs,ewma when left out."),
        )
    }

    def get(self, request: Any, lab: str, solvent: str) -> HttpResponse:
        asked = self.asked
        found = choice_of(self.caller, solvent_at(self.caller, solvent), asked)
        baseline = asked.get("baseline", BASELINE_RUNS)
        chart = loss_chart(lab=self.caller.lab, choice=found, today=self.today, baseline=baseline)
        panels = asked.get("panels", ["runs", "ewma"])
        made = drawn(chart, panels=panels, last=asked.get("last", RUNS_DRAWN))
        return self.picture(lambda look: draw_loss_chart(made, look))


class SolventBalancePicture(PictureView):
    """Where solvent came from and went in a period: bands in proportion, or inputs and outputs as bars."""

    contracts = {
        "GET": picture_of(
            "reports.read",
            "Picture of a solvent balance",
            month("since", "First month, as 2026-01."),
            month("until", "Last month, as 2026-12."),
            params.text("solvent", "Id, key, name or synonym; all, in mass, when left out."),
            params.choice("of", ("flows", "bars"), "flows when left out; bars: by the Directive's terms."),
            words=f"Bars show the {BARS_MOST} solvents of which most was put in.",
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        asked = self.asked
        of = asked.pop("of", "flows")
        try:
            report = solvent_balance(lab=self.caller.lab, **asked)
        except InputError as error:
            raise QueryError(error.field, error.code, error.detail, error.remedy) from error
        if of == "flows":
            flow = flows_of(report)
            return self.picture(lambda look: draw_flow_diagram(flow, look))
        most = sorted(report.solvents, key=lambda solvent: -solvent.mass.i1)[:BARS_MOST]
        bars = bars_of(most, load_terms())
        return self.picture(lambda look: balance_bars(bars, look))


class RunPlanPicture(PictureView):
    """What more or fewer portions would yield, and what each way would take."""

    contracts = {"GET": picture_of("runs.read", "Picture of a draft run's plan")}

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        self.asked  # noqa: B018 - refuses parameters
        found = self.caller.by_id(Run.objects.all(), run)
        kept = found.plan or {}
        extraction = kept.get("asked", {}).get("extraction") or {}
        wanted = extraction.get("wanted_percent")
        curve = yields_of(kept.get("planned"), purpose=found.purpose, wanted_percent=wanted)
        return self.picture(lambda look: draw_yield_curve(curve, look))

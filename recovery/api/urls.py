"""Addresses of runs and reports under /api/v1/."""

from __future__ import annotations

from inventory.api.urls import LAB, at
from recovery.api import distilling, imports, reports, runs

RUN = f"{LAB}runs/<str:run>/"

urlpatterns = [
    at(f"{LAB}runs/", runs.Runs),
    at(RUN, runs.RunDetail),
    at(f"{RUN}charges/", runs.Charges),
    at(f"{RUN}returns/", runs.Returns),
    at(f"{RUN}closings/", runs.Closings),
    at(f"{RUN}distillings/", distilling.Distillings),
    at(f"{RUN}clearances/", distilling.Clearances),
    at(f"{RUN}clearance-checks/", distilling.ClearanceChecks),
    at(f"{LAB}imports/runs/", imports.RunImports),
    at(f"{LAB}reports/loss-rates/", reports.LossRates),
    at(f"{LAB}reports/flows/", reports.Flows),
]

"""Addresses of runs and reports under /api/v1/."""

from __future__ import annotations

from inventory.api.calculator import at_calculator
from inventory.api.urls import LAB, at
from recovery.api import (
    apparatus,
    balances,
    calc_extraction,
    calc_measures,
    calc_vapour,
    distilling,
    imports,
    kinds,
    loss_fits,
    reports,
    run_course,
    runs,
    solvent_balance,
)

RUN = f"{LAB}runs/<str:run>/"

urlpatterns = [
    at_calculator(calc_extraction.Extractions),
    at_calculator(calc_vapour.Vapours),
    at_calculator(calc_measures.Densities),
    at_calculator(calc_measures.VolumeUncertainties),
    at(f"{LAB}runs/", runs.Runs),
    at(RUN, runs.RunDetail),
    at(f"{RUN}charges/", runs.Charges),
    at(f"{RUN}returns/", runs.Returns),
    at(f"{RUN}closings/", runs.Closings),
    at(f"{RUN}facts/", run_course.RunFacts),
    at(f"{RUN}losses/", run_course.RunLosses),
    at(f"{RUN}waste/", run_course.RunWaste),
    at(f"{RUN}reopenings/", run_course.Reopenings),
    at(f"{RUN}return-states/", run_course.ReturnStates),
    at(f"{LAB}run-kinds/", kinds.RunKinds),
    at(f"{LAB}run-kinds/<str:kind>/", kinds.RunKindDetail),
    at(f"{LAB}run-kinds/<str:kind>/endings/", kinds.RunKindEndings),
    at(f"{LAB}run-fields/", kinds.RunFields),
    at(f"{LAB}run-fields/<str:field>/", kinds.RunFieldDetail),
    at(f"{LAB}run-fields/<str:field>/endings/", kinds.RunFieldEndings),
    at(f"{LAB}apparatus/", apparatus.ApparatusList),
    at(f"{LAB}apparatus/<str:apparatus>/", apparatus.ApparatusDetail),
    at(f"{LAB}apparatus/<str:apparatus>/endings/", apparatus.ApparatusEndings),
    at(f"{LAB}apparatus/<str:apparatus>/records/", apparatus.ApparatusRecords),
    at(f"{LAB}apparatus-records/<str:record>/withdrawals/", apparatus.ApparatusRecordWithdrawals),
    at(f"{RUN}balance/", balances.RunBalances),
    at(f"{LAB}loss-fits/", loss_fits.LossFits),
    at(f"{LAB}loss-fits/<str:fit>/", loss_fits.LossFitDetail),
    at(f"{LAB}loss-fits/<str:fit>/adoptions/", loss_fits.LossFitAdoptions),
    at(f"{LAB}loss-fits/<str:fit>/endings/", loss_fits.LossFitEndings),
    at(f"{RUN}distillings/", distilling.Distillings),
    at(f"{RUN}clearances/", distilling.Clearances),
    at(f"{RUN}clearance-checks/", distilling.ClearanceChecks),
    at(f"{LAB}imports/runs/", imports.RunImports),
    at(f"{LAB}reports/loss-rates/", reports.LossRates),
    at(f"{LAB}reports/flows/", reports.Flows),
    at(f"{LAB}solvent-balance/", solvent_balance.SolventBalances),
]

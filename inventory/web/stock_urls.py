"""Pages of those who look after the stock: places and limits, solvents, policies, strips, papers."""

from __future__ import annotations

from django.urls import path

from inventory.web import (
    cabinet_list,
    inspection,
    limits,
    list_csv,
    places,
    policies,
    policy_rows,
    reagents,
    solvents,
    storage,
    waste,
    waste_add,
)

LAB = "labs/<slug:slug>/"
urlpatterns = [
    path(f"{LAB}inspection/", inspection.inspection_page, name="inspection"),
    path(f"{LAB}inspection.csv", inspection.inspection_csv, name="inspection-csv"),
    path(f"{LAB}inspection.pdf", inspection.inspection_file, name="inspection-file"),
    path(f"{LAB}inspection/report.pdf", inspection.report_file, name="inspection-report"),
    path(f"{LAB}limits/<str:limit>/change/", limits.change, name="limit-change"),
    path(f"{LAB}limits/<str:limit>/end/", limits.end, name="limit-end"),
    path(f"{LAB}policies/", policies.policies_page, name="policies"),
    path(f"{LAB}policies.csv", list_csv.policies_csv, name="policies-csv"),
    path(f"{LAB}policies/<str:policy>/", policies.policy_page, name="policy"),
    path(f"{LAB}policies/<str:policy>/copy/", policies.copy, name="policy-copy"),
    path(f"{LAB}policies/<str:policy>/rules.csv", policies.rules_csv, name="policy-csv"),
    path(f"{LAB}policies/<str:policy>/use/", policies.use, name="policy-use"),
    path(f"{LAB}policies/<str:policy>/<str:part>/<str:row>/", policy_rows.row_page, name="policy-row"),
    path(f"{LAB}reagents/", reagents.reagents_page, name="reagents"),
    path(f"{LAB}reagents.csv", reagents.reagents_csv, name="reagents-csv"),
    path(f"{LAB}reagents/add/", reagents.add, name="reagent-add"),
    path(f"{LAB}reagents/<str:reagent>/change/", reagents.change, name="reagent-change"),
    path(f"{LAB}reagents/<str:reagent>/end/", reagents.end, name="reagent-end"),
    path(f"{LAB}solvents/", solvents.solvents_page, name="solvents"),
    path(f"{LAB}solvents.csv", solvents.solvents_csv, name="solvents-csv"),
    path(f"{LAB}solvents/add/", solvents.add, name="solvent-add"),
    path(f"{LAB}solvents/<str:solvent>/", solvents.solvent_page, name="solvent"),
    path(f"{LAB}solvents/<str:solvent>/confirm/", solvents.confirm, name="solvent-confirm"),
    path(f"{LAB}solvents/<str:solvent>/values.csv", list_csv.facts_csv, name="solvent-csv"),
    path(f"{LAB}solvents/<str:solvent>/level/", solvents.level, name="solvent-level"),
    path(f"{LAB}storage/", storage.storage_page, name="storage"),
    path(f"{LAB}storage.csv", storage.storage_csv, name="storage-csv"),
    path(f"{LAB}storage/add/", places.add, name="place-add"),
    path(f"{LAB}storage/add-waste/", waste_add.add, name="waste-add"),
    path(f"{LAB}storage/<str:location>/", storage.place_page, name="place"),
    path(f"{LAB}storage/<str:location>/change/", places.change, name="place-change"),
    path(f"{LAB}storage/<str:location>/end/", places.end, name="place-end"),
    path(f"{LAB}storage/<str:location>/limit/", limits.add, name="limit-add"),
    path(f"{LAB}storage/<str:location>/list/", cabinet_list.list_page, name="cabinet-list"),
    path(f"{LAB}storage/<str:location>/list.csv", cabinet_list.list_csv, name="cabinet-list-csv"),
    path(f"{LAB}storage/<str:location>/list.pdf", cabinet_list.list_file, name="cabinet-list-file"),
    path(f"{LAB}waste/<str:waste>/", waste.waste_page, name="waste"),
    path(f"{LAB}waste/<str:waste>/hand-over/", waste.hand_over, name="waste-hand-over"),
]

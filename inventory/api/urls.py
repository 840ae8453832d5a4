"""Addresses of the inventory under /api/v1/."""

from __future__ import annotations

from django.urls import URLPattern, path

from inventory.api import bench, books, containers, imports, labs, safety
from inventory.api.base import ApiView, as_view

LAB = "labs/<slug:lab>/"
CONTAINER = f"{LAB}containers/<str:container>/"


def at(address: str, view: type[ApiView]) -> URLPattern:
    return path(address, as_view(view), name=f"api-{view.__name__.lower()}")


urlpatterns = [
    at("me/", labs.Me),
    at("labs/", labs.Labs),
    at(LAB, labs.LabDetail),
    at(f"{LAB}members/", labs.Members),
    at(f"{LAB}tokens/", labs.Tokens),
    at(f"{LAB}tokens/<str:prefix>/revocations/", labs.TokenRevocations),
    at(f"{LAB}locations/", labs.Locations),
    at(f"{LAB}policies/", labs.Policies),
    at(f"{LAB}solvents/", books.Solvents),
    at(f"{LAB}solvents/<str:solvent>/", books.SolventDetail),
    at(f"{LAB}solvents/<str:solvent>/confirmations/", books.SolventConfirmations),
    at(f"{LAB}containers/", containers.Containers),
    at(CONTAINER, containers.ContainerDetail),
    at(f"{CONTAINER}draws/", bench.Draws),
    at(f"{CONTAINER}put-backs/", bench.PutBacks),
    at(f"{CONTAINER}pours/", bench.Pours),
    at(f"{CONTAINER}counts/", bench.Counts),
    at(f"{CONTAINER}weighings/", bench.Weighings),
    at(f"{CONTAINER}openings/", bench.Openings),
    at(f"{CONTAINER}put-aways/", bench.PutAways),
    at(f"{CONTAINER}discards/", bench.Discards),
    at(f"{CONTAINER}movements/", books.ContainerMovements),
    at(f"{CONTAINER}tests/", safety.ContainerTests),
    at(f"{CONTAINER}signs/", safety.ContainerSigns),
    at(f"{LAB}lots/<str:lot>/", containers.LotDetail),
    at(f"{LAB}movements/", books.Movements),
    at(f"{LAB}entries/<str:entry>/reversals/", bench.EntryReversals),
    at(f"{LAB}tests/<str:test>/withdrawals/", safety.TestWithdrawals),
    at(f"{LAB}signs/<str:sign>/withdrawals/", safety.SignWithdrawals),
    at(f"{LAB}due/", safety.DueList),
    at(f"{LAB}alerts/", safety.Alerts),
    at(f"{LAB}sweeps/", safety.Sweeps),
    at(f"{LAB}events/", books.Events),
    at(f"{LAB}imports/stock/", imports.StockImports),
]

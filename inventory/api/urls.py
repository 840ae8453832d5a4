"""Addresses of the inventory under /api/v1/."""

from __future__ import annotations

from django.urls import URLPattern, path

from inventory.api import (
    alerts,
    bench,
    books,
    calculators,
    containers,
    delivery,
    feeds,
    imports,
    labs,
    policies,
    reagents,
    safety,
    stock_levels,
    treatments,
    verdicts,
)
from inventory.api.base import ApiView, as_view

LAB = "labs/<slug:lab>/"
CONTAINER = f"{LAB}containers/<str:container>/"


def at(address: str, view: type[ApiView]) -> URLPattern:
    return path(address, as_view(view), name=f"api-{view.__name__.lower()}")


urlpatterns = [
    at("me/", labs.Me),
    at("labs/", labs.Labs),
    at("calculators/titration/", calculators.TitrationCalculations),
    at("calculators/inhibitor-dose/", calculators.InhibitorDoses),
    at(LAB, labs.LabDetail),
    at(f"{LAB}members/", labs.Members),
    at(f"{LAB}tokens/", labs.Tokens),
    at(f"{LAB}tokens/<str:prefix>/revocations/", labs.TokenRevocations),
    at(f"{LAB}locations/", labs.Locations),
    at(f"{LAB}policies/", policies.Policies),
    at(f"{LAB}policies/<str:policy>/", policies.PolicyDetail),
    at(f"{LAB}policies/<str:policy>/checks/", policies.PolicyChecks),
    at(f"{LAB}solvents/", books.Solvents),
    at(f"{LAB}solvents/<str:solvent>/", books.SolventDetail),
    at(f"{LAB}solvents/<str:solvent>/confirmations/", books.SolventConfirmations),
    at(f"{LAB}containers/", containers.Containers),
    at(CONTAINER, containers.ContainerDetail),
    at(f"{CONTAINER}verdicts/", verdicts.ContainerVerdicts),
    at(f"{CONTAINER}quarantines/", verdicts.ContainerQuarantines),
    at(f"{CONTAINER}releases/", verdicts.ContainerReleases),
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
    at(f"{CONTAINER}treatments/", treatments.ContainerTreatments),
    at(f"{CONTAINER}signs/", safety.ContainerSigns),
    at(f"{LAB}lots/<str:lot>/", containers.LotDetail),
    at(f"{LAB}movements/", books.Movements),
    at(f"{LAB}entries/<str:entry>/reversals/", bench.EntryReversals),
    at(f"{LAB}tests/<str:test>/withdrawals/", safety.TestWithdrawals),
    at(f"{LAB}signs/<str:sign>/withdrawals/", safety.SignWithdrawals),
    at(f"{LAB}treatments/<str:treatment>/withdrawals/", treatments.TreatmentWithdrawals),
    at(f"{LAB}test-methods/", reagents.TestMethods),
    at(f"{LAB}reagents/", reagents.Reagents),
    at(f"{LAB}reagents/<str:reagent>/", reagents.ReagentDetail),
    at(f"{LAB}reagents/<str:reagent>/endings/", reagents.ReagentEndings),
    at(f"{LAB}due/", safety.DueList),
    at(f"{LAB}alerts/", alerts.Alerts),
    at(f"{LAB}alerts/<str:alert>/", alerts.AlertDetail),
    at(f"{LAB}alerts/<str:alert>/acknowledgements/", alerts.AlertAcknowledgements),
    at(f"{LAB}alerts/<str:alert>/put-offs/", alerts.AlertPutOffs),
    at(f"{LAB}sweeps/", alerts.Sweeps),
    at(f"{LAB}stock-levels/", stock_levels.StockLevels),
    at(f"{LAB}stock-levels/<str:solvent>/endings/", stock_levels.StockLevelEndings),
    at(f"{LAB}events/", books.Events),
    at(f"{LAB}imports/stock/", imports.StockImports),
    at(f"{LAB}mail-choice/", feeds.OwnMailChoice),
    at(f"{LAB}feeds/", feeds.Feeds),
    at(f"{LAB}feeds/<str:feed>/revocations/", feeds.FeedRevocations),
    at(f"{LAB}webhooks/", delivery.Webhooks),
    at(f"{LAB}webhooks/<str:webhook>/", delivery.WebhookDetail),
    at(f"{LAB}webhooks/<str:webhook>/trials/", delivery.WebhookTrials),
    at(f"{LAB}webhooks/<str:webhook>/secrets/", delivery.WebhookSecrets),
    at(f"{LAB}webhooks/<str:webhook>/endings/", delivery.WebhookEndings),
    at(f"{LAB}deliveries/", delivery.Deliveries),
    at(f"{LAB}deliveries/<str:delivery>/", delivery.DeliveryDetail),
    at(f"{LAB}deliveries/<str:delivery>/replays/", delivery.DeliveryReplays),
]

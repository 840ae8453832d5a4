"""Rows of the permission table for runs and what belongs to them; the rest stands in test_permissions."""

from __future__ import annotations

from typing import NamedTuple

EVERYONE = "member steward supervisor auditor"
BENCH = "member steward supervisor"
KEEPERS = "steward supervisor"
AUDIT = "steward supervisor auditor"
HEAD = "supervisor"
READ, LOG, MANAGE, NONE = "read log manage", "log manage", "manage", ""


class Row(NamedTuple):
    """roles: who may. scopes: with which of these a supervisor's token may."""

    method: str
    address: str
    roles: str
    scopes: str


PEOPLE_ROWS = [
    Row("POST", "members/{person}/removals/", HEAD, NONE),
    Row("GET", "invitations/", AUDIT, READ),
    Row("POST", "invitations/", HEAD, NONE),
    Row("POST", "invitations/{invitation}/revocations/", HEAD, NONE),
    Row("GET", "failed-jobs/", AUDIT, READ),
    Row("POST", "failed-jobs/{job}/reruns/", KEEPERS, MANAGE),
    Row("GET", "status/", AUDIT, READ),
    Row("POST", "ledger-checks/", KEEPERS, MANAGE),
]
RUN_ROWS = [
    Row("GET", "runs/", EVERYONE, READ),
    Row("POST", "runs/", BENCH, LOG),
    Row("GET", "runs/{run}/", EVERYONE, READ),
    Row("POST", "plans/", EVERYONE, READ),
    Row("POST", "runs/{run}/abandonments/", BENCH, LOG),
    Row("POST", "runs/{run}/charges/", BENCH, LOG),
    Row("POST", "runs/{run}/returns/", BENCH, LOG),
    Row("POST", "runs/{run}/closings/", BENCH, LOG),
    Row("PATCH", "runs/{run}/", BENCH, LOG),
    Row("GET", "runs/{run}/facts/", EVERYONE, READ),
    Row("POST", "runs/{run}/facts/", BENCH, LOG),
    Row("POST", "runs/{run}/losses/", BENCH, LOG),
    Row("POST", "runs/{run}/waste/", BENCH, LOG),
    Row("POST", "runs/{run}/reopenings/", KEEPERS, MANAGE),
    Row("GET", "runs/{run}/return-states/", EVERYONE, READ),
    Row("POST", "runs/{run}/return-states/", BENCH, LOG),
    Row("GET", "containers/{container}/quality-checks/", EVERYONE, READ),
    Row("POST", "containers/{container}/quality-checks/", BENCH, LOG),
    Row("GET", "containers/{container}/fitness/", EVERYONE, READ),
    Row("POST", "quality-checks/{check}/withdrawals/", KEEPERS, MANAGE),
    Row("GET", "quality-limits/", EVERYONE, READ),
    Row("POST", "quality-limits/", KEEPERS, MANAGE),
    Row("GET", "quality-limits/{quality_limit}/", EVERYONE, READ),
    Row("PATCH", "quality-limits/{quality_limit}/", KEEPERS, MANAGE),
    Row("POST", "quality-limits/{quality_limit}/endings/", HEAD, NONE),
    Row("GET", "run-kinds/", EVERYONE, READ),
    Row("POST", "run-kinds/", KEEPERS, MANAGE),
    Row("GET", "run-kinds/{kind}/", EVERYONE, READ),
    Row("PATCH", "run-kinds/{kind}/", KEEPERS, MANAGE),
    Row("POST", "run-kinds/{kind}/endings/", KEEPERS, MANAGE),
    Row("GET", "run-fields/", EVERYONE, READ),
    Row("POST", "run-fields/", KEEPERS, MANAGE),
    Row("GET", "run-fields/{field}/", EVERYONE, READ),
    Row("PATCH", "run-fields/{field}/", KEEPERS, MANAGE),
    Row("POST", "run-fields/{field}/endings/", KEEPERS, MANAGE),
    Row("GET", "apparatus/", EVERYONE, READ),
    Row("POST", "apparatus/", KEEPERS, MANAGE),
    Row("GET", "apparatus/{apparatus}/", EVERYONE, READ),
    Row("PATCH", "apparatus/{apparatus}/", KEEPERS, MANAGE),
    Row("POST", "apparatus/{apparatus}/endings/", KEEPERS, MANAGE),
    Row("GET", "apparatus/{apparatus}/records/", EVERYONE, READ),
    Row("POST", "apparatus/{apparatus}/records/", BENCH, LOG),
    Row("POST", "apparatus-records/{record}/withdrawals/", KEEPERS, MANAGE),
    Row("GET", "runs/{run}/balance/", EVERYONE, READ),
    Row("GET", "runs/{run}/balance/picture/", EVERYONE, READ),
    Row("GET", "runs/{run}/plan/picture/", EVERYONE, READ),
    Row("GET", "loss-fits/", EVERYONE, READ),
    Row("POST", "loss-fits/", KEEPERS, MANAGE),
    Row("GET", "loss-fits/{fit}/", EVERYONE, READ),
    Row("POST", "loss-fits/{fit}/adoptions/", KEEPERS, MANAGE),
    Row("POST", "loss-fits/{fit}/endings/", KEEPERS, MANAGE),
    Row("GET", "lots/{lot}/ancestors/", EVERYONE, READ),
    Row("GET", "lots/{lot}/descendants/", EVERYONE, READ),
    Row("GET", "containers/{container}/times-distilled/", EVERYONE, READ),
    Row("GET", "solvent-balance/", EVERYONE, READ),
    Row("GET", "solvent-use/", EVERYONE, READ),
    Row("GET", "solvent-prices/", EVERYONE, READ),
    Row("POST", "solvent-prices/", KEEPERS, MANAGE),
    Row("GET", "solvent-balance/picture/", EVERYONE, READ),
    Row("GET", "loss-charts/{solvent}/picture/", EVERYONE, READ),
    Row("POST", "runs/{run}/distillings/", BENCH, LOG),
    Row("GET", "runs/{run}/clearances/", EVERYONE, READ),
    Row("GET", "runs/{run}/clearance-checks/", EVERYONE, READ),
]

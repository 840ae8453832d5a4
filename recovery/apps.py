"""Runs, recovery and losses as an app."""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate


def _after_migrate(sender: AppConfig, using: str, **_: Any) -> None:
    from recovery.services import shipped

    if "recovery_runkind" in connections[using].introspection.table_names():
        shipped.load(using=using)


class RecoveryConfig(AppConfig):
    name = "recovery"

    def ready(self) -> None:
        from inventory.models import append_only
        from inventory.services.answering import acknowledged
        from inventory.services.ledger import posted
        from recovery.services import loss_signals, reuse
        from recovery.services.finding_alerts import on_acknowledged
        from recovery.services.run_hooks import recorded, settled
        from recovery.services.sums import on_posted

        posted.connect(on_posted, dispatch_uid="recovery.run_sums")
        posted.connect(reuse.on_posted, dispatch_uid="recovery.reuse")
        settled.connect(loss_signals.on_settled, dispatch_uid="recovery.loss_signals")
        recorded.connect(loss_signals.on_recorded, dispatch_uid="recovery.loss_signals_of_apparatus")
        post_migrate.connect(_after_migrate, sender=self, dispatch_uid="recovery.after_migrate")
        acknowledged.connect(on_acknowledged, dispatch_uid="recovery.findings_answered")
        for table in ("clearance", "runfact", "returnstate", "solventprice"):
            append_only.TABLES.setdefault(f"recovery_{table}", [["id"]])
        for table in ("apparatusrecord", "qualitycheck"):
            append_only.TABLES.setdefault(f"recovery_{table}", [["id"], ["withdraws_id"]])

"""Runs, recovery and losses as an app."""

from django.apps import AppConfig


class RecoveryConfig(AppConfig):
    name = "recovery"

    def ready(self) -> None:
        from inventory.models import append_only
        from inventory.services.ledger import posted
        from recovery.services.sums import on_posted

        posted.connect(on_posted, dispatch_uid="recovery.run_sums")
        for table in ("clearance", "runfact", "returnstate", "solventprice"):
            append_only.TABLES.setdefault(f"recovery_{table}", [["id"]])
        for table in ("apparatusrecord", "qualitycheck"):
            append_only.TABLES.setdefault(f"recovery_{table}", [["id"], ["withdraws_id"]])

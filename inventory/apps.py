"""What must hold after every migrate: guards on append-only tables, and the shipped catalogue."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate


def _after_migrate(sender: AppConfig, using: str, plan: Any = None, **_: Any) -> None:
    from django.utils import timezone

    from inventory.models import append_only
    from inventory.services import shipped

    connection = connections[using]
    append_only.install(connection)
    if sender.label == "inventory" and "inventory_solvent" in connection.introspection.table_names():
        shipped.load(now=timezone.now(), using=using)


class InventoryConfig(AppConfig):
    name = "inventory"

    def ready(self) -> None:
        from django.contrib.auth.signals import user_logged_in

        from inventory.rules.phrases import Phrase
        from inventory.services import waste
        from inventory.services.ledger import posted
        from inventory.web.language import shown

        Phrase.reader = staticmethod(shown)
        from inventory.web import personal

        import_module("inventory.web.inspection_job")  # says what the job's name stands for
        user_logged_in.connect(personal.on_signed_in, dispatch_uid="inventory.signed_in")
        posted.connect(waste.on_posted, dispatch_uid="inventory.waste_containers")
        # For each app, since any later migration may rebuild a table and drop its triggers.
        post_migrate.connect(_after_migrate, dispatch_uid="inventory.after_migrate")

"""The wiring as an app, so that its commands and the apps' scheduled work are found."""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig, apps
from django.core.management import call_command
from django.db.models.signals import post_migrate
from django.utils.module_loading import autodiscover_modules


def _make_cache_tables(using: str, **_: Any) -> None:
    call_command("createcachetable", database=using, verbosity=0)


class DeployConfig(AppConfig):
    name = "deploy"

    def ready(self) -> None:
        # The signal names only apps with models, so this listens for one that has some.
        stock = apps.get_app_config("inventory")
        post_migrate.connect(_make_cache_tables, sender=stock, dispatch_uid="deploy.cache_tables")
        # Every process that may run a job must know what each name stands for.
        autodiscover_modules("tasks")

"""A new database gets its tables straight from the models, and its migrations are noted as done.

Going through every migration renders all models again for each step, which takes most of a first start. The
tables are those that the migrations come to (`tests/house/test_migrations.py` compares them), so a database
made this way is upgraded like any other. A migration that writes rows of its own has no place here: what
comes with the package is written after every migrate.
"""

from __future__ import annotations

from django.apps import apps
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder

__all__ = ["make_tables"]


def make_tables() -> bool:
    """Make all tables in one transaction, in a database that has none. False: it has some, and keeps them."""
    recorder = MigrationRecorder(connection)
    if set(connection.introspection.table_names()) - {recorder.Migration._meta.db_table}:
        return False
    if recorder.applied_migrations():
        return False
    recorder.ensure_schema()
    with connection.schema_editor() as editor:
        for model in apps.get_models():
            if model._meta.can_migrate(connection):
                editor.create_model(model)
        for name in _known():
            recorder.record_applied(*name)
    return True


def _known() -> list[tuple[str, str]]:
    """App and name of every migration on disk, with those that another one stands for."""
    loader = MigrationLoader(None)
    stood_for = {name for each in loader.disk_migrations.values() for name in each.replaces}
    return sorted({*loader.disk_migrations, *stood_for})

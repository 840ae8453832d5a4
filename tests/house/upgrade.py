"""Makes databases in several ways: by the migrations of old and then upgraded, by all migrations afresh, and
straight from the models as a first start does.

Prints what differs between them, nothing when they are alike.
"""

from __future__ import annotations

import re
import sys
from typing import Any

import django
from django.conf import settings
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.loader import MigrationLoader

OLD = [("inventory", "0003_codes_in_any_capitals"), ("recovery", "0001_first_tables")]
Schema = dict[str, tuple[list[Any], list[str], list[str]]]


COLUMNS = 'SELECT name, type, "notnull", dflt_value, pk FROM pragma_table_info(%s)'
REST = "SELECT sql FROM sqlite_master WHERE tbl_name = %s AND type <> 'table' AND sql <> ''"
NAMED = re.compile(r'CONSTRAINT "(\w+)" (?:CHECK|UNIQUE)')
MADE_UP = re.compile(r'"?\b\w+_[0-9a-f]{8}(_\w+)?\b"?')
PG_COLUMNS = """
    SELECT column_name, data_type, is_nullable, column_default, character_maximum_length, numeric_precision,
        numeric_scale, is_identity FROM information_schema.columns
    WHERE table_schema = 'public' AND table_name = %s"""
PG_CONSTRAINTS = """
    SELECT conname || ' ' || pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = %s::regclass"""
PG_REST = """
    SELECT indexdef FROM pg_indexes WHERE schemaname = 'public' AND tablename = %s UNION ALL
    SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE tgrelid = %s::regclass AND NOT tgisinternal"""


class LongWay(MigrationLoader):
    """The migrations of old alone, without those that stand for several."""

    def load_disk(self) -> None:
        super().load_disk()
        self.disk_migrations = {key: each for key, each in self.disk_migrations.items() if not each.replaces}


def schema() -> Schema:
    """Of each table: its columns, its constraints (on SQLite their names), its indexes and triggers.

    Of Django's own only that it is there: its migrations number the rows of one wider than its models do.
    """
    found = on_postgresql() if connection.vendor == "postgresql" else on_sqlite()
    ours = ("inventory_", "recovery_")
    return {table: parts if table.startswith(ours) else ([], [], []) for table, parts in found.items()}


def on_postgresql() -> Schema:
    found: Schema = {}
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(PG_COLUMNS, [table])
            columns = sorted(cursor.fetchall(), key=str)
            cursor.execute(PG_CONSTRAINTS, [table])
            constraints = sorted(MADE_UP.sub('"made up"', row[0]) for row in cursor.fetchall())
            cursor.execute(PG_REST, [table, table])
            rest = sorted(MADE_UP.sub('"made up"', row[0]) for row in cursor.fetchall())
            found[table] = (columns, constraints, rest)
    return found


def on_sqlite() -> Schema:
    found: Schema = {}
    with connection.cursor() as cursor:
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'")
        for table, sql in [row for row in cursor.fetchall() if not row[0].startswith("sqlite_")]:
            cursor.execute(COLUMNS, [table])
            columns = sorted(cursor.fetchall())
            cursor.execute(REST, [table])
            # Names that Django makes up rest on the order of things.
            rest = sorted(MADE_UP.sub('"made up"', row[0]) for row in cursor.fetchall())
            found[table] = (columns, sorted(NAMED.findall(sql)), rest)
    return found


def upgraded() -> Schema:
    """Tables as an installation of the first hour had them, with a lab in a tree of places, then migrated."""
    from django.core.management import call_command

    executor = MigrationExecutor(connection)
    executor.loader = LongWay(connection)
    state = executor.migrate(OLD)
    policy = state.apps.get_model("inventory", "Policy").objects.create(
        key="own", name="Own", source="made up", body={}
    )
    lab = state.apps.get_model("inventory", "Lab").objects.create(slug="old", name="Old", policy_id=policy.pk)
    location = state.apps.get_model("inventory", "Location")
    room = location.objects.create(lab_id=lab.pk, name="Room", folded="room", kind="room")
    location.objects.create(lab_id=lab.pk, name="Shelf", folded="shelf", kind="shelf", parent_id=room.pk)
    state.apps.get_model("inventory", "User").objects.create(username="ada", email="ada@example.org")
    call_command("migrate", verbosity=0)
    from inventory.models import LocationPath, User

    assert User.objects.get().mail_state == "confirmed", "whoever gets alerts today goes on getting them"
    paths = sorted(LocationPath.objects.values_list("ancestor__name", "descendant__name"))
    assert paths == [("Room", "Room"), ("Room", "Shelf"), ("Shelf", "Shelf")], paths
    return schema()


def afresh() -> Schema:
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    return schema()


def back_and_forth() -> Schema:
    """All migrations, then back to where the secrets of webhooks lay in plain, and up again."""
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    from django.utils import timezone

    from inventory.models import BOUNDARIES, Delivery, Lab, Place, Policy, User, Webhook
    from inventory.services.delivery.webhook_secrets import opened, sealed_for

    now = timezone.now()
    policy = Policy.objects.create(key="own", name="Own", source="made up", body={})
    lab = Lab.objects.create(slug="old", name="Old", policy=policy)
    Place.objects.bulk_create([Place(lab=lab, kind=kind) for kind in BOUNDARIES])
    person = User.objects.create(username="ada")
    hook = Webhook.objects.create(
        lab=lab, name="b", url="https://b.example.org/", actor=person, created_at=now, held_at=now,
        held_because="left",
    )  # fmt: skip
    Webhook.objects.filter(pk=hook.pk).update(secret=sealed_for(hook.pk, "whsec_cGxhaW4="))
    Delivery.objects.create(lab=lab, channel="notice", key="n", user=person, created_at=now, due_at=now)
    executor = MigrationExecutor(connection)
    state = executor.migrate([("inventory", "0006_confirmed_mail_and_sealed_secrets")])
    before = state.apps.get_model("inventory", "Webhook").objects.get()
    assert (before.secret, before.secret_before) == ("whsec_cGxhaW4=", ""), "it can be used as it was"
    assert not state.apps.get_model("inventory", "Delivery").objects.exists()
    call_command("migrate", verbosity=0)
    hook.refresh_from_db()
    assert opened(hook.pk, hook.secret) == "whsec_cGxhaW4="
    return schema()


def straight() -> Schema:
    from django.core.management import call_command

    from deploy.new_tables import make_tables

    assert make_tables()
    assert not make_tables()
    call_command("migrate", verbosity=0)
    assert not MigrationExecutor(connection).migration_plan(
        MigrationExecutor(connection).loader.graph.leaf_nodes()
    ), "a migration is left over"
    return schema()


def another_database(name: str) -> None:
    """Go on in a new database beside the one that is set."""
    given = settings.DATABASES["default"]["NAME"]
    if connection.vendor == "postgresql":
        _connect_to(given)
        with connection.cursor() as cursor:
            cursor.execute(f'CREATE DATABASE "tables-{name}"')
        _connect_to(f"tables-{name}")
    else:
        _connect_to(f"{given}-{name}")


def _connect_to(name: str) -> None:
    connection.close()
    if connection.vendor == "postgresql":
        connection.close_pool()  # type: ignore[attr-defined]  # of the PostgreSQL backend
    connection.settings_dict["NAME"] = name


def main() -> None:
    django.setup()
    ways = {"old": upgraded, "new": afresh, "straight": straight, "back": back_and_forth}
    made = {}
    for name in sys.argv[1:]:
        another_database(name)
        made[name] = ways[name]()
    first, *others = made
    for name in others:
        for table in sorted(made[first].keys() | made[name].keys()):
            pair = (made[each].get(table, ((), (), ())) for each in (first, name))
            for one, other in zip(*pair, strict=True):
                if one != other:
                    rest = [x for x in one if x not in other], [x for x in other if x not in one]
                    print(first, name, table, *rest)


if __name__ == "__main__":
    main()

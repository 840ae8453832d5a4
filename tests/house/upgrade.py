"""Makes two databases: one by the migrations of old and then upgraded, one afresh.

Prints what differs between them, nothing when they are alike.
"""

from __future__ import annotations

import re
from typing import Any

import django
from django.db import connection
from django.db.migrations.loader import MigrationLoader

OLD = [("inventory", "0003_codes_in_any_capitals"), ("recovery", "0001_first_tables")]
Schema = dict[str, tuple[list[Any], list[str], list[str]]]


COLUMNS = 'SELECT name, type, "notnull", dflt_value, pk FROM pragma_table_info(%s)'
REST = "SELECT sql FROM sqlite_master WHERE tbl_name = %s AND type <> 'table' AND sql <> ''"
NAMED = re.compile(r'CONSTRAINT "(\w+)" (?:CHECK|UNIQUE)')
MADE_UP = re.compile(r'"\w+_[0-9a-f]{8}(_\w+)?"')


class LongWay(MigrationLoader):
    """The migrations of old alone, without those that stand for several."""

    def load_disk(self) -> None:
        super().load_disk()
        self.disk_migrations = {key: each for key, each in self.disk_migrations.items() if not each.replaces}


def schema() -> Schema:
    """Of each table: its columns, the names of its constraints, and its indexes and triggers."""
    found: Schema = {}
    with connection.cursor() as cursor:
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'")
        ours = [row for row in cursor.fetchall() if row[0].startswith(("inventory_", "recovery_"))]
        for table, sql in ours:
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
    from django.db.migrations.executor import MigrationExecutor

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
    call_command("migrate", verbosity=0)
    from inventory.models import LocationPath

    paths = sorted(LocationPath.objects.values_list("ancestor__name", "descendant__name"))
    assert paths == [("Room", "Room"), ("Room", "Shelf"), ("Shelf", "Shelf")], paths
    return schema()


def afresh() -> Schema:
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    return schema()


def main() -> None:
    django.setup()
    found = []
    for name, make in (("old", upgraded), ("new", afresh)):
        connection.close()
        connection.settings_dict["NAME"] = f"{connection.settings_dict['NAME']}-{name}"
        found.append(make())
    old, new = found
    for table in sorted(old.keys() | new.keys()):
        for one, other in zip(old.get(table, ((), (), ())), new.get(table, ((), (), ())), strict=True):
            if one != other:
                print(table, [x for x in one if x not in other], [x for x in other if x not in one])


if __name__ == "__main__":
    main()

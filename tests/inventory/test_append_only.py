"""What has been recorded is not changed: refused by the database itself, on SQLite and PostgreSQL."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import pytest
from django.apps import apps
from django.core.management import call_command
from django.core.management.sql import emit_post_migrate_signal
from django.db import DatabaseError, IntegrityError, connection, models, transaction
from django.db.migrations import AlterField, Migration
from django.db.migrations.loader import MigrationLoader

from inventory.models import (
    Container,
    Event,
    ImportedRow,
    Movement,
    Observation,
    PeroxideTest,
    Treatment,
    append_only,
)
from inventory.services import safety, volumes
from recovery.models import (
    Apparatus,
    ApparatusRecord,
    Clearance,
    QualityCheck,
    ReturnState,
    Run,
    RunFact,
    RunField,
    SolventPrice,
)
from recovery.services import runs
from tests import factories as make
from tests.conftest import ON_POSTGRESQL

pytestmark = pytest.mark.django_db
TABLES = list(append_only.TABLES)


def model_of(table: str) -> type[models.Model]:
    return next(m for m in apps.get_models() if m._meta.db_table == table)


@pytest.fixture
def club() -> make.Club:
    """A lab with at least one row in every append-only table."""
    club = make.club()
    one, two = (make.stocked(club, "tetrahydrofuran", amount) for amount in ("100 mL", "200 mL"))
    at: dict[str, Any] = {"lab": club.lab, "actor": club.steward, "now": make.NOW}
    assert one.lot_id is not None
    volumes.pour(**at, source=one, into=two, amount="50 mL")  # a blend has parents
    safety.test_record(**at, container=one, reading="5", method="strip-25", tested_on=make.TODAY)
    safety.observe(**at, container=one, sign="cloudy")
    Treatment.objects.create(
        lab=club.lab, container=one, lot_id=one.lot_id, kind="peroxides-removed", treated_on=make.TODAY,
        volume_ul=50_000, actor=club.steward, recorded_at=make.NOW,
    )  # fmt: skip
    run = runs.run_start(**at, purpose="fat in biscuits")
    Clearance.objects.create(
        lab=club.lab, run=run, container=one, lot_id=one.lot_id, entry=uuid.uuid4(), volume_ul=1000,
        level="use", allowed=True, heel_percent=20, heel_ul=200, heel_source="a test", actor=club.steward,
        recorded_at=make.NOW,
    )  # fmt: skip
    _runs_in_full(club, run, one)
    ImportedRow.objects.create(
        lab=club.lab, kind="stock", fingerprint="f" * 64, file_sha256="0" * 64, line=2,
        subject_kind="container", subject_id=one.pk, actor=club.steward, recorded_at=make.NOW,
    )  # fmt: skip
    return club


def _runs_in_full(club: make.Club, run: Run, container: Container) -> None:
    by: dict[str, Any] = {"actor": club.steward, "recorded_at": make.NOW}
    field = RunField.objects.filter(lab=None).earliest("pk")
    RunFact.objects.create(run=run, field=field, as_entered={"value": "1"}, **by)
    ReturnState.objects.create(run=run, entry=uuid.uuid4(), state="wet", **by)
    still = Apparatus.objects.create(
        lab=club.lab, name="Still 1", kind="still", actor=club.steward, created_at=make.NOW
    )
    ApparatusRecord.objects.create(lab=club.lab, apparatus=still, what="cleaned", happened_at=make.NOW, **by)
    assert container.lot is not None
    QualityCheck.objects.create(
        lab=club.lab, container=container, lot=container.lot, what="water", low=1, high=1, unit="%",
        outcome="no-reference", happened_at=make.NOW, **by,
    )  # fmt: skip
    SolventPrice.objects.create(
        lab=club.lab, solvent=container.lot.solvent, since_on=make.TODAY, per_litre=10, currency="EUR", **by
    )


def rows_of(table: str) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table} ORDER BY id")
        return list(cursor.fetchall())


def execute(sql: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(sql)


def refused(action: Callable[[], Any], table: str) -> None:
    """The action fails in the database, with the table's name, and changes nothing."""
    before = rows_of(table)
    assert before
    with pytest.raises(DatabaseError, match=f"{table} is append-only"), transaction.atomic():
        action()
    assert rows_of(table) == before


STATEMENTS = ["UPDATE {t} SET id = id", "DELETE FROM {t}", "UPDATE {t} SET id = id + 1000 WHERE id > 0"]


@pytest.mark.parametrize("table", TABLES)
def test_statements_are_refused(club: make.Club, table: str) -> None:
    for sql in STATEMENTS:
        refused(partial(execute, sql.format(t=table)), table)


@pytest.mark.parametrize("table", TABLES)
def test_the_orm_is_refused(club: make.Club, table: str) -> None:
    rows = model_of(table)._default_manager.all()
    row = rows.latest("pk")
    field = next(f.attname for f in row._meta.concrete_fields if f.get_internal_type() == "ForeignKey")
    refused(lambda: rows.update(**{field: getattr(row, field)}), table)
    refused(lambda: rows.bulk_update([row], [field.removesuffix("_id")]), table)
    refused(row.save, table)
    # The collector of .delete() stops at protected rows before the database does; raw deletion does not.
    refused(lambda: rows._raw_delete(rows.db), table)
    with pytest.raises(DatabaseError), transaction.atomic():
        rows.filter(pk=row.pk).delete()
    assert rows.filter(pk=row.pk).exists()


@pytest.mark.parametrize("table", TABLES)
def test_replacing_is_refused(club: make.Club, table: str) -> None:
    """INSERT OR REPLACE (SQLite) and ON CONFLICT DO UPDATE (both) are changes in disguise."""
    columns = ", ".join(f.column for f in model_of(table)._meta.concrete_fields if f.column)
    if not ON_POSTGRESQL:
        replace = f"INSERT OR REPLACE INTO {table} ({columns}) SELECT {columns} FROM {table}"
        refused(lambda: execute(replace), table)
    select = f"INSERT INTO {table} ({columns}) SELECT {columns} FROM {table} WHERE 1 = 1"
    refused(lambda: execute(f"{select} ON CONFLICT (id) DO UPDATE SET id = excluded.id"), table)


def test_replacing_by_another_unique_column_is_refused(club: make.Club) -> None:
    """A clash beside the id would delete the older row just as well."""
    clashes = {
        "inventory_lotparent": "lot_id, parent_id, volume_ul",
        "inventory_importedrow": (
            "lab_id, kind, fingerprint, file_sha256, line, subject_kind, subject_id, actor_id, recorded_at"
        ),
    }
    for table, columns in clashes.items():
        before = rows_of(table)
        verb = "INSERT" if ON_POSTGRESQL else "INSERT OR REPLACE"
        with pytest.raises(IntegrityError), transaction.atomic():
            execute(f"{verb} INTO {table} ({columns}) SELECT {columns} FROM {table}")
        assert rows_of(table) == before


@pytest.mark.parametrize("table", TABLES)
def test_emptying_is_refused(club: make.Club, table: str) -> None:
    if ON_POSTGRESQL:
        execute("SET CONSTRAINTS ALL IMMEDIATE")  # pending foreign key checks would refuse it first
        refused(lambda: execute(f"TRUNCATE {table} CASCADE"), table)
        with pytest.raises(DatabaseError, match="is append-only"), transaction.atomic():
            execute("TRUNCATE inventory_lab CASCADE")
    else:
        refused(lambda: execute(f"DELETE FROM {table} WHERE 1 = 1"), table)


def test_new_rows_go_in(club: make.Club) -> None:
    counts = {table: len(rows_of(table)) for table in TABLES}
    container = make.stocked(club)
    assert len(rows_of("inventory_movement")) == counts["inventory_movement"] + 1
    assert Event.objects.filter(subject_kind="container", subject_id=container.pk).exists()


def test_every_withdrawable_record_is_on_the_list() -> None:
    """Whatever is reversed or withdrawn by a new row must itself stay."""
    pointed_back = {
        model._meta.db_table
        for model in apps.get_app_config("inventory").get_models()
        if {"reversal_of", "withdraws"} & {f.name for f in model._meta.get_fields()}
    }
    assert pointed_back == {m._meta.db_table for m in (Movement, PeroxideTest, Observation, Treatment)}
    assert pointed_back < set(TABLES)


# -- the triggers are watched


GONE = (
    {
        "DROP TRIGGER inventory_movement_keep ON inventory_movement": "inventory_movement_keep",
        "ALTER TABLE inventory_movement DISABLE TRIGGER inventory_movement_keep": "inventory_movement_keep",
    }
    if ON_POSTGRESQL
    else {
        f"DROP TRIGGER inventory_movement_keep_{verb}": f"inventory_movement_keep_{verb}"
        for verb in ("update", "delete", "insert")
    }
)


@pytest.mark.parametrize(("sql", "name"), GONE.items())
def test_a_trigger_that_is_gone_is_reported(sql: str, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert append_only.missing(connection) == []
    execute(sql)
    assert append_only.missing(connection) == [name]
    with pytest.raises(SystemExit) as ended:
        call_command("audit")
    assert ended.value.code == 1
    assert f"append-only: inventory_movement {name}" in capsys.readouterr().out


# -- and come back after every migration


def alter(table: str) -> AlterField:
    """A later migration's change of a column: text gets longer, which makes SQLite rebuild the table."""
    model = model_of(table)
    field = next(
        f for f in model._meta.concrete_fields if isinstance(f, models.CharField | models.BigIntegerField)
        and not f.primary_key and not f.unique
    )  # fmt: skip
    kind = models.TextField() if isinstance(field, models.CharField) else models.DecimalField(
        max_digits=20, decimal_places=0
    )  # fmt: skip
    return AlterField(model._meta.model_name or "", field.name, kind)


@pytest.fixture
def altered_back() -> Iterator[list[tuple[Any, Any, Any]]]:
    done: list[tuple[Any, Any, Any]] = []
    yield done
    for migration, before, after in reversed(done):
        with append_only.suspended(connection), connection.schema_editor() as editor:
            migration.operations[0].database_backwards("inventory", editor, after, before)
    emit_post_migrate_signal(verbosity=0, interactive=False, db="default")


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("table", ["inventory_movement", "inventory_peroxidetest", "inventory_lotparent"])
def test_triggers_are_back_after_a_later_migration(
    club: make.Club, table: str, altered_back: list[tuple[Any, Any, Any]]
) -> None:
    state = MigrationLoader(connection).project_state()
    later = type("Migration", (Migration,), {"operations": [alter(table)]})
    migration = later("9999_later", "inventory")
    with connection.schema_editor() as editor:
        after = migration.apply(state.clone(), editor)
    altered_back.append((migration, state, after))
    if not ON_POSTGRESQL:
        # The reason for all this: SQLite has lost them with the old table.
        assert any(name.startswith(table) for name in append_only.missing(connection))
    emit_post_migrate_signal(verbosity=0, interactive=False, db="default")
    assert append_only.missing(connection) == []
    for sql in STATEMENTS:
        refused(partial(execute, sql.format(t=table)), table)


# -- CHECK constraints


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"volume_ul": -1}, "container_volume_in_bounds"),
        ({"volume_ul": 1_000_001}, "container_volume_in_bounds"),
        ({"capacity_ul": 0, "volume_ul": 0}, "container_capacity_positive"),
        ({"tare_mg": -1}, "container_tare_not_negative"),
        ({"lot": None}, "container_content_has_lot"),
        ({"opened": "unopened"}, "container_opened_date_fits"),
    ],
)
def test_containers_stay_within_bounds(change: dict[str, Any], name: str) -> None:
    container = make.stocked(make.club())
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        Container.objects.filter(pk=container.pk).update(**change)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"volume_ul": 0}, "movement_volume_positive"),
        ({"volume_ul": -5}, "movement_volume_positive"),
        ({"u_volume_ul": -1}, "movement_uncertainty_not_negative"),
        ({"destination_id": "source"}, "movement_goes_somewhere"),
    ],
)
def test_movements_stay_within_bounds(change: dict[str, Any], name: str) -> None:
    make.stocked(make.club())
    row = Movement.objects.latest("pk")
    row.pk = None
    for field, value in change.items():
        setattr(row, field, row.source_id if value == "source" else value)
    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        row.save(force_insert=True)

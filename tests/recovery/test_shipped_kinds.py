"""What is shipped of kinds and fields is in the database after every migrate, and what a lab made stays."""

from __future__ import annotations

import pytest
from django.db import connection, transaction
from django.db.utils import DatabaseError
from django.test.utils import CaptureQueriesContext

from recovery.models import QualityCheck, ReturnState, RunFact, RunField, RunKind
from recovery.rules.kinds_file import load_fields, load_kinds
from recovery.rules.run_kinds import FieldData, KindData
from recovery.rules.shipped_words import SHIPPED
from recovery.services import kinds, shipped
from recovery.services.apparatus import apparatus_add, record_add
from recovery.services.quality import check_record
from recovery.services.run_facts import tell
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def test_the_rows_are_those_of_the_file() -> None:
    assert set(RunKind.objects.filter(lab=None).values_list("key", flat=True)) == set(load_kinds())
    rows = {row.key: kinds.field_data(row) for row in RunField.objects.filter(lab=None)}
    assert rows == dict(load_fields())


def test_every_word_of_the_file_can_be_said_in_another_language() -> None:
    rows: list[FieldData | KindData] = [*load_fields().values(), *load_kinds().values()]
    words = {text for row in rows for text in (row.name, row.help)}
    words |= {name for row in load_fields().values() for _key, name in row.choices}
    assert words - {""} == set(SHIPPED) - {"yes", "no"}


def test_loading_again_writes_nothing_and_what_changed_once(still: Still) -> None:
    own = kinds.kind_add(**still.at(), data=KindData("pigments", "Pigments", True, ()))
    RunKind.objects.filter(lab=None, key="rinsing").update(distils=True, version=7)
    RunField.objects.filter(lab=None, key="cycles").delete()
    shipped.load()
    rinsing = RunKind.objects.get(lab=None, key="rinsing")
    assert (rinsing.distils, rinsing.version) == (False, 8)
    assert RunField.objects.filter(lab=None, key="cycles").count() == 1
    assert RunKind.objects.get(pk=own.pk).version == 1
    with CaptureQueriesContext(connection) as asked:
        shipped.load()
    assert [q["sql"] for q in asked if q["sql"].startswith(("INSERT", "UPDATE", "DELETE"))] == []


def test_what_was_told_and_checked_is_never_changed(still: Still) -> None:
    """The database itself refuses it."""
    run, flask = still.start(), still.flask()
    tell(**still.at(), run=run, facts={"contacts": 3})
    still.charge(run, still.bottle("n-hexane"), "100 mL")
    still.back(run, flask, "50 mL", state="wet")
    check_record(**still.at(), container=flask, what="density", entered={"value": "0.66 g/mL"})
    head = {**still.at(), "actor": still.club.steward}
    record = record_add(
        **still.at(), apparatus=apparatus_add(**head, name="Still 1", kind="still"), what="cleaned"
    )
    for rows in (RunFact.objects.all(), ReturnState.objects.all(), QualityCheck.objects.all()):
        assert rows.count() == 1
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            rows.update(recorded_at=make.NOW)
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            rows._raw_delete(rows.db)
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        type(record).objects.filter(pk=record.pk).update(note="never")

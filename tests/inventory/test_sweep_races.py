"""Several processes sweep at once: each alert is opened once, and none waits for ever."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from inventory.models import Alert, Container
from inventory.services.lab_days import days_of, values_of
from inventory.services.sweep import opening_sql, sweep
from inventory.services.watches import CONTAINER_WATCHES, Watch, days_ago
from tests.factories import NOW, club, stocked
from tests.inventory.processes import environment, start

PROCESSES = 4
BOTTLES = 12
SWEEP_OFTEN = """
import json, sys, django
django.setup()
from django.utils import timezone
from inventory.services.sweep import sweep
sys.stdin.readline()
found = [sweep(now=timezone.now()) for _ in range(8)]
print(json.dumps({k: [sum(f[k].opened for f in found), sum(f[k].closed for f in found)] for k in found[0]}))
"""


@pytest.mark.django_db(transaction=True)
def test_four_processes_open_each_alert_once(tmp_path: Path) -> None:
    at = club()
    bottles = [stocked(at, "diethyl-ether") for _ in range(BOTTLES)]
    yesterday = timezone.now().date() - timedelta(days=2)
    Container.objects.filter(pk__in=[b.pk for b in bottles]).update(next_test_due=yesterday)
    stocked(at, "diethyl-ether", opened="opened", opened_on=None)
    children = [
        start(["-c", SWEEP_OFTEN], environment(tmp_path), stdin=-1, stderr=None) for _ in range(PROCESSES)
    ]
    for child in children:  # all wait at the line, set up, before the first one goes
        assert child.stdin is not None
        child.stdin.write("go\n")
        child.stdin.flush()
    outputs = [child.communicate(timeout=300)[0] for child in children]
    found = [json.loads(output) for output in outputs]
    assert sum(each["retest-overdue"][0] for each in found) == BOTTLES
    assert sum(each["opening-date-unknown"][0] for each in found) == 1
    assert Alert.objects.filter(closed_at=None).count() == Alert.objects.count() == BOTTLES + 1
    assert all(each[rule][1] == 0 for each in found for rule in each)


@pytest.mark.django_db
def test_the_database_itself_refuses_a_second_open_alert() -> None:
    """Without ON CONFLICT a second sweep would fail on the index: the guard is the database's own."""
    at = club()
    bottle = stocked(at, "diethyl-ether", opened="opened", opened_on=None)
    sweep(now=NOW)
    values: Any = Alert.objects.filter(subject_id=bottle.pk).values().get()
    row = {name: value for name, value in values.items() if name != "id"}
    with pytest.raises(IntegrityError), transaction.atomic():
        Alert.objects.create(**row)
    Alert.objects.create(**{**row, "closed_at": NOW})


@pytest.mark.django_db
def test_opening_reads_a_partial_index_and_never_the_stock() -> None:
    """The database's own plan says which index it takes, with a stock that is large beside what is due."""
    at = club()
    stocked(at, "diethyl-ether")
    fill(4000)
    indexes = {
        "sign-seen": "container_sign",
        "retest-overdue": "container_due",
        "retest-due-soon": "container_due",
        "maximum-age": "container_dispose",
        "maximum-age-soon": "container_dispose",
        "expired": "container_expires",
        "expiry-soon": "container_expires",
        "never-tested": "container_untested",
        "forecast-sooner": "container_forecast",
        "quarantined-long": "container_quarantined",
        "count-difference": "container_count_off",
    }
    for watch in CONTAINER_WATCHES:
        found = plan(watch)
        assert indexes.get(watch.rule.key, "container_due_code") in found
        assert "Seq Scan on inventory_container" not in found
        # A partial index may be gone through from end to end: it holds only what is wanted.
        assert "SCAN s" not in found.replace("SCAN s USING INDEX container_", "")


def plan(watch: Watch) -> str:
    """How the database says that it will carry out the opening statement."""
    days = days_of(NOW, None, days_ago())
    sql = opening_sql(watch, days, None)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("ANALYZE inventory_container")
        explain = "EXPLAIN QUERY PLAN " if connection.vendor == "sqlite" else "EXPLAIN "
        values = values_of(NOW, days, None) | {"quarantined_before": NOW}
        cursor.execute(explain + sql, values)
        return "\n".join(str(row) for row in cursor.fetchall())


def fill(count: int) -> None:
    """Copies of the one container there is, in bulk: what matters is their number."""
    model = Container.objects.get()
    place = model.place
    first = place.pk + 1
    places = type(place).objects.bulk_create(
        [type(place)(pk=first + n, lab=place.lab, kind=place.kind) for n in range(count)]
    )
    rows = []
    for made in places:
        row = Container(**fields(model))
        row.pk, row.place, row.code = None, made, f"Copy {made.pk}"
        rows.append(row)
    Container.objects.bulk_create(rows)


def fields(model: Container) -> dict[str, object]:
    return {field.attname: getattr(model, field.attname) for field in Container._meta.concrete_fields}

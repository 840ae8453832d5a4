"""What is read at every change of a container is found by its container or lot, however much is recorded."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.services import safety
from tests.factories import NOW, club, fresh, stocked

TABLES = ("inventory_movement", "inventory_peroxidetest", "inventory_observation")


@pytest.mark.django_db
@pytest.mark.once
def test_no_statement_of_a_due_date_reads_a_whole_table() -> None:
    """SQLite's own plan: the first index used on each table is one on a container, place or lot."""
    at = club()
    bottle = stocked(at, "diethyl-ether")
    safety.test_record(
        lab=at.lab,
        actor=at.steward,
        now=NOW,
        container=bottle,
        reading="2",
        method="strip-25",
        tested_on=NOW.date(),
    )
    with CaptureQueriesContext(
        connection,
    ) as seen:
        safety.refresh_due(container=fresh(bottle), now=NOW)
    plans = {}
    for query in seen.captured_queries:
        table = next((t for t in TABLES if f'FROM "{t}"' in query["sql"]), None)
        if table is not None:
            with connection.cursor() as cursor:
                cursor.execute(f"EXPLAIN QUERY PLAN {query['sql'].replace('%', '%%')}")
                plans[table] = cursor.fetchall()[0][3]
    assert set(plans) == set(TABLES)
    assert all(
        any(f"({column}=?" in plan for column in ("destination_id", "lot_id", "container_id"))
        for plan in plans.values()
    ), plans

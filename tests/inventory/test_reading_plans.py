"""What is read at every change of a container is found by its container or lot, however much is recorded."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.services import safety
from tests.factories import NOW, club, fresh, stocked

TABLES = ("inventory_movement", "inventory_peroxidetest", "inventory_observation", "inventory_treatment")
COLUMNS = ("destination_id", "lot_id", "container_id")


@pytest.mark.django_db
@pytest.mark.once
def test_no_statement_of_a_due_date_reads_a_whole_table() -> None:
    """SQLite's own plan: each of these tables is searched by an index, and none is gone through."""
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
    read = [query["sql"] for query in seen.captured_queries if any(t in query["sql"] for t in TABLES)]
    assert {table for table in TABLES for sql in read if table in sql} == set(TABLES)
    for sql in read:
        with connection.cursor() as cursor:
            cursor.execute(f"EXPLAIN QUERY PLAN {sql.replace('%', '%%')}")
            steps = [row[3] for row in cursor.fetchall()]
        searched = [step for step in steps if step.startswith("SEARCH")]
        assert any(f"({column}=?" in step for column in COLUMNS for step in searched), steps
        assert not [step for step in steps if step.startswith("SCAN")], steps

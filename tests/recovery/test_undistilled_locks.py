"""What goes back undistilled is looked at with its bottles held, so that none is set aside meanwhile."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db


def test_the_bottles_are_locked_before_anything_is_booked() -> None:
    still = Still(make.club())
    run, giver, taker = still.start("rinsing", distils=False), still.bottle(), still.flask()
    still.charge(run, giver, "100 mL")
    with CaptureQueriesContext(connection) as queries:
        still.back(run, taker, "60 mL")
    said = [query["sql"] for query in queries]
    if not connection.features.has_select_for_update:
        # SQLite has one writer, who holds the lock from the start of the transaction.
        assert connection.settings_dict["OPTIONS"]["transaction_mode"] == "IMMEDIATE"
        return
    booked = next(n for n, sql in enumerate(said) if sql.startswith('INSERT INTO "inventory_lot"'))
    held = [sql for sql in said[:booked] if "FOR UPDATE" in sql and "inventory_container" in sql]
    assert any({str(giver.pk), str(taker.pk)} <= set(re.findall(r"\d+", sql)) for sql in held)
    assert all('ORDER BY "inventory_container"."place_id"' in sql for sql in held)

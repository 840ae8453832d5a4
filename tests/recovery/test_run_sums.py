"""What is kept of a run is what its movements say, whoever else books on it at that moment."""

from __future__ import annotations

import time
from threading import Thread
from typing import Any

import pytest
from django.db import connection, transaction

from inventory.services import reversal
from recovery.models import Run, RunSum
from recovery.services import runs
from recovery.services.sums import parts_by_solvent
from tests import factories as make


@pytest.mark.django_db(transaction=True)
def test_a_reversal_waits_for_what_is_being_booked_on_its_run() -> None:
    """It knows nothing of runs; working the sums out beside the other would leave the other out."""
    club = make.club()
    at: dict[str, Any] = {"lab": club.lab, "actor": club.steward, "now": make.NOW}
    one, other = make.stocked(club), make.stocked(club)
    run = runs.run_start(**at, purpose="fat in biscuits")
    runs.charge(**at, run=run, container=one, amount="100 mL")
    wrong = runs.charge(**at, run=run, container=make.fresh(other), amount="30 mL")
    ended = []

    def take_back() -> None:
        reversal.reverse(**at, entry=wrong.entry, reason="another run")
        ended.append(True)
        connection.close()

    thread = Thread(target=take_back)
    with transaction.atomic():
        runs.give_back(**at, run=run, container=make.empty(club), amount="60 mL")
        thread.start()
        time.sleep(0.5)  # time enough to work its sums out, if it did not wait
        assert not ended
    thread.join(120)
    assert ended
    kept = RunSum.objects.values("charged_ul", "returned_ul", "lost_ul", "held_ul").get(run=run)
    assert kept == {"charged_ul": 100_000, "returned_ul": 60_000, "lost_ul": 0, "held_ul": 40_000}
    assert [kept] == list(parts_by_solvent(Run.objects.get(pk=run.pk).place_id).values())

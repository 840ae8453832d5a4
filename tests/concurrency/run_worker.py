"""What a crew does at one still: charges, returns, closings and reversals on the same run."""

from __future__ import annotations

import time
from collections import Counter
from typing import Any
from uuid import UUID

from tests.concurrency import worker  # sets Django up, so it comes first

# isort: split
from django.db import transaction

from inventory.models import Container, PeroxideTest
from inventory.rules.errors import InputError
from inventory.services import reversal
from recovery.models import Clearance, Run, RunSum
from recovery.services import apparatus, reopening, run_facts, run_waste, runs
from recovery.services.run_losses import Loss
from tests import factories as make
from tests.recovery.club import PARTS


def still(lab: str) -> dict[str, Any]:
    return worker._at(lab)


def flask(lab: str) -> int:
    return make.empty(worker._club(lab)).pk


def charge_often(lab: str, run: int, pk: int, times: int) -> dict[str, int]:
    """Charges of 1 mL; returns how each ended."""
    return _often("charge", lab, run, pk, times)


def still_run(lab: str) -> int:
    """A run that distils, which takes only what passes the gate."""
    return runs.run_start(**still(lab), purpose="fat in biscuits").pk


def cleared_bottle(lab: str, amount: str) -> int:
    club = worker._club(lab)
    return make.cleared(club, make.stocked(club, "tetrahydrofuran", amount)).pk


def charge_watching(lab: str, run: int, pk: int, times: int, at_most: int) -> dict[str, int]:
    """Charges of 1 mL, so many and until one is refused; returns how each ended.

    slipped: a bad test was on record before the charge was.
    """
    at, ends = still(lab), Counter[str]()
    while ends.total() < times or not (ends["distilling-not-cleared"] or ends.total() == at_most):
        time.sleep(0.01)  # those who test wait for the same lock, and SQLite keeps no queue
        try:
            with transaction.atomic():
                container = make.fresh(Container.objects.get(pk=pk))
                runs.charge(**at, run=Run.objects.get(pk=run), container=container, amount="1 mL")
                time.sleep(0.002)
                bad = PeroxideTest.objects.filter(container=container, lower_ug_per_l__gt=0).exists()
            ends["slipped" if bad else "booked"] += 1
        except InputError as refusal:
            ends[refusal.code] += 1
    return ends


def bad_test(lab: str, run: int, pk: int, after: int) -> str:
    """A reading of 30 mg/L once so many charges are booked, or another one like it is on record."""
    ends = time.monotonic() + 60
    bad = PeroxideTest.objects.filter(container_id=pk, lower_ug_per_l__gt=0)
    while clearances(run) < after and not bad.exists() and time.monotonic() < ends:
        time.sleep(0.005)
    make.tested(worker._club(lab), Container.objects.get(pk=pk), reading="30")
    return "tested"


def clearances(run: int) -> int:
    return Clearance.objects.filter(run=run, allowed=True).count()


def return_often(lab: str, run: int, pk: int, times: int) -> dict[str, int]:
    """Returns of 1 mL; returns how each ended."""
    return _often("give_back", lab, run, pk, times)


def _often(verb: str, lab: str, run: int, pk: int, times: int) -> dict[str, int]:
    at, ends = still(lab), Counter[str]()
    seen = Run.objects.get(pk=run)
    for _ in range(times):
        container = make.fresh(Container.objects.get(pk=pk))
        try:
            getattr(runs, verb)(**at, run=seen, container=container, amount="1 mL")
            ends["booked"] += 1
        except InputError as refusal:
            ends[refusal.code] += 1
    return ends


def close(lab: str, run: int) -> str:
    try:
        runs.run_close(**still(lab), run=Run.objects.get(pk=run))
    except InputError as refusal:
        return refusal.code
    return "closed"


def reopen(lab: str, run: int) -> str:
    """Open a run again; returns how it ended."""
    try:
        reopening.reopen(**still(lab), run=Run.objects.get(pk=run), reason="closed the wrong run")
    except InputError as refusal:
        return refusal.code
    return "reopened"


def close_and_open(lab: str, run: int, times: int) -> dict[str, int]:
    """Closes a run and opens it again, over and over; returns how each ended."""
    ends = Counter[str]()
    for _ in range(times):
        ends[close(lab, run)] += 1
        ends[reopen(lab, run)] += 1
    return ends


def tell_often(lab: str, run: int, times: int) -> dict[str, int]:
    """Tells a fact and loses 1 mL to the air; returns how each ended."""
    at, ends = still(lab), Counter[str]()
    for number in range(times):
        run_facts.tell(**at, run=Run.objects.get(pk=run), facts={"contacts": number})
        try:
            loss = Loss("air", {"value": "1", "unit": "mL"})
            run_waste.lose(**at, run=Run.objects.get(pk=run), loss=loss)
            ends["booked"] += 1
        except InputError as refusal:
            ends[refusal.code] += 1
    return ends


def add_still(lab: str, name: str) -> str:
    """An apparatus of that name; returns how it ended."""
    try:
        apparatus.apparatus_add(**still(lab), name=name, kind="still")
    except InputError as refusal:
        return refusal.code
    return "added"


def return_once(lab: str, run: int, pk: int) -> str:
    """A return of 1 mL; returns its entry."""
    container = make.fresh(Container.objects.get(pk=pk))
    posted = runs.give_back(**still(lab), run=Run.objects.get(pk=run), container=container, amount="1 mL")
    return str(posted.entry)


def undo(lab: str, entries: list[str]) -> dict[str, int]:
    """Reverse entries; returns how each ended."""
    at, ends = still(lab), Counter[str]()
    for entry in entries:
        try:
            reversal.reverse(**at, entry=UUID(entry), reason="wrong flask")
            ends["reversed"] += 1
        except InputError as refusal:
            ends[refusal.code] += 1
    return ends


def sums_of(run: int) -> list[int]:
    return list(RunSum.objects.values_list(*PARTS).get(run=run))


def closed(run: int) -> bool:
    return Run.objects.get(pk=run).closed_at is not None


worker.TASKS |= {
    task.__name__: task
    for task in (
        flask, charge_often, return_often, close, return_once, undo, sums_of, closed,
        still_run, cleared_bottle, charge_watching, bad_test, clearances, reopen, close_and_open, tell_often,
        add_still,
    )
}  # fmt: skip

if __name__ == "__main__":
    worker.main()

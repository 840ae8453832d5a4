"""A lab with 10 000 containers, 100 000 movements, thousands of closed runs, alerts, messages and events."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.db.models import Count
from django.utils import timezone

from inventory.models import Container, Event, Flow, Lot, Movement, Place
from inventory.services import safety
from inventory.services.delivery import plan_deliveries
from inventory.services.importing import import_stock
from inventory.services.sweep import sweep
from recovery.models import Run
from recovery.services.importing import import_runs
from tests import factories
from tests.api.seed import Seed, planted
from tests.bench import data
from tests.bench.importing import stock_list

RUNS = "Bottle no.;Date;Who;What for;Solvent;Out (mL);Back (mL);Remarks"
PURPOSES = ("leaf pigments", "fat in oat biscuits", "glassware rinse")


def filled(containers: int, movements: int, runs: int) -> Seed:
    """A lab with something of every kind, a long stock list, a log of runs, and many draws and put-backs.

    The container that its names lead to was drawn from thousands of times. Alerts stand as a sweep opens
    them, with the messages that go out about them; events are as many as containers.
    """
    seed = planted(data.the_club())
    now = timezone.now()
    by: dict[str, Any] = {"lab": seed.lab.lab, "actor": seed.lab.steward, "now": now, "write": True}
    listed = import_stock(**by, data=stock_list(containers - Container.objects.count()))
    assert listed.written, listed.mapping.questions
    _history(by, runs)
    busy = data.busy_bottles(seed.lab)
    _readings(by, busy[0])
    moved = Movement.objects.filter(kind__in=["draw", "put-back"], lot__in=[bottle.lot_id for bottle in busy])
    data.copy_movements(list(moved), max(movements - Movement.objects.count(), 100) // len(moved))
    event = Event.objects.filter(lab=seed.lab.lab).order_by("-pk")[0]
    data.copy_row(Event, event.pk, containers, id=f"{event.pk} + n.i")
    data.settle(Place, Container, Movement, Flow, Lot, Run, Event)
    sweep(now=now)
    plan_deliveries(now=now)
    data.settle()
    return Seed(seed.lab, seed.names | {"code": busy[0].code, "location": str(_fullest(seed))})


def _readings(by: dict[str, Any], bottle: Container) -> None:
    """Enough tests of a former for a forecast, one in each quarter."""
    common = {name: by[name] for name in ("lab", "actor", "now")}
    for number, reading in enumerate(("<1", "<1", "1", "2", "2", "5")):
        day = date(2024, 6, 3) + timedelta(days=91 * number)
        held = factories.fresh(bottle)
        safety.test_record(**common, container=held, reading=reading, method="strip-25", tested_on=day)


def _fullest(seed: Seed) -> int:
    """The id of the place in which most containers stand."""
    held = Container.objects.filter(lab=seed.lab.lab).exclude(location=None).order_by()
    return int(held.values_list("location_id").annotate(n=Count("id")).order_by("-n")[0][0])


def _history(by: dict[str, Any], count: int) -> None:
    """Runs before the counting began, out of bottles of the stock list that hold their solvent."""
    bottles = Container.objects.filter(lab=by["lab"], lot__solvent__key="ethyl-acetate", code__startswith="N")
    codes = list(bottles.order_by("code").values_list("code", flat=True)[:20])
    report = import_runs(**by, data=run_log(codes, count))
    assert report.written and Run.objects.filter(is_history=True).count() >= count, report.mapping.questions


def run_log(codes: list[str], count: int) -> bytes:
    """Runs of some years, of three purposes, that lost between a tenth and a third."""
    first = date(2024, 9, 1)
    lines = [RUNS]
    for number in range(count):
        day = first + timedelta(days=number * 700 // count)
        back = 130 + number * 37 % 50
        code, purpose = codes[number % len(codes)], PURPOSES[number % len(PURPOSES)]
        lines.append(f"{code};{day.isoformat()};MO;{purpose};Ethyl acetate;200;{back};run {number}")
    return "\n".join(lines).encode()

"""A lab to look around in: made up, flagged as such, apart from every real one, and taken away whole.

It is a lab of its own, so that nothing invented ever stands on a real shelf, in a real loss rate or in an
inspection report. What is in it came through the same services as anything else. Taken away means: the
bottles are discarded, open runs closed, and nobody belongs to it any more; its ledger stays, as every ledger.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction

from inventory.models import Container, EntryLink, Lab, Membership, User
from inventory.rules.errors import Conflict
from inventory.services import disposal, labs
from inventory.services.containers import day_in_lab
from inventory.services.delivery.choices import choose
from inventory.services.events import record
from inventory.services.importing import import_stock
from inventory.services.places import location_get
from recovery.models import Run
from recovery.services import runs
from recovery.services.importing import import_runs

NAME = "Sample: biscuits and leaves"
EMERGENCY = "This lab is made up. In a real emergency follow the notice in your room."
COUNTED_DAYS_AGO = 45
LOG_DAYS = 330
STOCK_HEAD = (
    "Bottle;What;Where from;Size;Left;Got it on;Opened;Inhibitor;Kept in;Peroxides mg/L;Tested;Method;Remarks"
)
RUNS_HEAD = "Date;Who;What for;Solvent;From bottle;Out;Back;Back into;Remarks"
# Bottle, what, where from, size and left (mL), got and opened so many days ago, inhibitor, place, reading,
# tested so many days ago, remarks. Invented.
STOCK: tuple[tuple[Any, ...], ...] = (
    ("S01", "diethyl ether", "bought", 1000, 640, 200, 150, "BHT", "Vented cabinet", "<1", 20, ""),
    ("S02", "diethyl ether", "bought", 1000, 1000, 60, None, "BHT", "Vented cabinet", "", None, ""),
    ("S03", "petroleum ether 40-60", "bought", 2500, 1700, 300, 280, "", "Vented cabinet", "", None, ""),
    ("S04", "acetone", "bought", 2500, 1900, 150, 140, "", "Cupboard by the window", "", None, ""),
    ("S05", "ethyl acetate", "bought", 1000, 700, 250, 240, "", "Cupboard by the window", "", None, ""),
    ("S06", "ethanol", "bought", 1000, 480, 180, 170, "", "Cupboard by the window", "", None, ""),
    ("S07", "tetrahydrofuran", "bought", 500, 210, 420, 400, "BHT", "Spark-free fridge", "30", 50, ""),
    ("S08", "1,4-dioxane", "bought", 250, 90, 600, 560, "", "Spark-free fridge", "", None, "crystals seen"),
    ("S09", "diisopropyl ether", "bought", 500, 380, 500, 480, "", "Spark-free fridge", "", None, ""),
    ("S10", "diethyl ether", "recovered", 500, 300, 50, 50, "", "Vented cabinet", "<1", 50, ""),
    ("S11", "acetone", "recovered", 1000, 450, 50, 50, "", "Cupboard by the window", "", None, ""),
    ("S12", "ethyl acetate", "recovered", 500, 250, 50, 50, "", "Cupboard by the window", "", None, ""),
)
# What for, solvent, from, out (mL), share that comes back, into which bottle after the count.
WORK: tuple[tuple[str, str, str, int, float, str], ...] = (
    ("fat in biscuits", "diethyl ether", "S01", 180, 0.72, "S10"),
    ("leaf pigments", "petroleum ether 40-60", "S03", 90, 0.80, "same"),
    ("thin-layer plates", "acetone", "S04", 60, 0.64, "S11"),
    ("leaf pigments", "ethyl acetate", "S05", 100, 0.70, "S12"),
)
PEOPLE = ("Noor", "Jakub", "Orla")
# How far a share lies from its usual, run after run, so that the rates scatter as real ones do.
SCATTER = (0.0, 0.03, -0.02, 0.01, -0.04, 0.02, -0.01)


def sample_of(user: User) -> Lab | None:
    """The sample lab that a person has now."""
    return Lab.objects.filter(is_sample=True, memberships__user=user).order_by("pk").first()


def sample_make(*, actor: User, now: datetime, time_zone: str) -> Lab:
    """Make a sample lab with bottles, a log of a year and an open run; the one that is there, if one is."""
    held = sample_of(actor)
    if held is not None:
        return held
    with transaction.atomic():
        slug = f"sample-{secrets.token_hex(4)}"
        texts = {"emergency_text": EMERGENCY, "contact": "Nobody: it is made up."}
        lab = labs.lab_create(actor=actor, now=now, name=NAME, slug=slug, time_zone=time_zone, **texts)
        Lab.objects.filter(pk=lab.pk).update(is_sample=True)
        lab.is_sample = True
        # Nobody is to be woken by a bottle that does not exist.
        choose(lab=lab, actor=actor, now=now, changes={"at_once_severity": 0, "digest": False})
        _fill(lab, actor, now)
    return lab


def _fill(lab: Lab, actor: User, now: datetime) -> None:
    by: dict[str, Any] = {"lab": lab, "actor": actor, "now": now}
    today = day_in_lab(lab, now)
    for name, kind in (("Vented cabinet", "cabinet"), ("Spark-free fridge", "fridge")):
        location_get(lab=lab, name=name, kind=kind)
    counted_on = today - timedelta(days=COUNTED_DAYS_AGO)
    stock = "\n".join([STOCK_HEAD, *_stock_lines(today)])
    import_stock(**by, data=stock.encode(), filename="sample-stock.csv", counted_on=counted_on, write=True)
    log = "\n".join([RUNS_HEAD, *_run_lines(today)])
    import_runs(**by, data=log.encode(), filename="sample-runs.csv", write=True)
    run = runs.run_start(**by, purpose="leaf pigments", operator_name=PEOPLE[0])
    bottle = Container.objects.select_related("lab", "lot__solvent").get(lab=lab, code="S05")
    runs.charge(**by, run=run, container=bottle, amount="80 mL")


def _stock_lines(today: date) -> Iterator[str]:
    for (
        code,
        what,
        origin,
        size_ml,
        left_ml,
        got,
        opened,
        inhibitor,
        place,
        reading,
        tested,
        remarks,
    ) in STOCK:
        days = [_ago(today, got), "sealed" if opened is None else _ago(today, opened)]
        test = [reading, "" if tested is None else _ago(today, tested), "strip-25" if reading else ""]
        head = [code, what, origin, f"{size_ml} mL", f"{left_ml} mL"]
        yield ";".join([*head, *days, inhibitor, place, *test, remarks])


def _run_lines(today: date) -> Iterator[str]:
    """A run every twelve days, the kinds of work in turn; those before the count are history."""
    for number, days in enumerate(range(LOG_DAYS, 6, -12)):
        what, solvent, bottle, out_ml, share, into = WORK[number % len(WORK)]
        back_ml = round(out_ml * (share + SCATTER[number % len(SCATTER)]))
        target = into if days < COUNTED_DAYS_AGO else ""
        cells = [_ago(today, days), PEOPLE[number % len(PEOPLE)], what, solvent, bottle]
        yield ";".join([*cells, f"{out_ml} mL", f"{back_ml} mL", target, ""])


def _ago(today: date, days: int) -> str:
    return (today - timedelta(days=days)).isoformat()


def sample_remove(*, lab: Lab, actor: User, now: datetime) -> None:
    """Take a sample lab away: nothing in it is due any more, and nobody can enter it. Raises Conflict."""
    if not lab.is_sample:
        detail = f"{lab.name} is no sample: what is in it is real."
        raise Conflict("lab", "no-sample", detail, "Only a sample lab can be taken away.")
    by: dict[str, Any] = {"lab": lab, "actor": actor, "now": now}
    with transaction.atomic():
        for run in Run.objects.filter(lab=lab, closed_at=None).order_by("pk"):
            runs.run_close(**by, run=run)
        for bottle in Container.objects.filter(lab=lab, discarded_at=None).order_by("place_id"):
            disposal.discard(**by, container=bottle, note="the sample lab was taken away")
        EntryLink.objects.filter(lab=lab, used_at=None, expires_at__gt=now).update(expires_at=now)
        record(**by, verb="sample-removed", subject=lab)
        Membership.objects.filter(lab=lab).delete()

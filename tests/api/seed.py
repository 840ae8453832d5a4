"""A lab with something of every kind, and the names by which addresses reach it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone

from inventory.models import Alert, Delivery, Event, Job
from inventory.services import (
    import_sheets,
    jobs,
    labs,
    limits,
    places,
    policies,
    quarantine,
    reagents,
    safety,
    stock_levels,
    treatments,
    volumes,
    waste,
)
from inventory.services.catalogue import solvent_add
from inventory.services.delivery import feeds, webhooks
from inventory.services.importing import import_stock
from inventory.services.limits import OwnLimit
from inventory.services.sweep import sweep
from inventory.services.waste import WasteFacts
from recovery.services import runs
from tests.api.client import token_for
from tests.api.seed_runs import planted_runs
from tests.factories import Club, club, empty, stocked, tested

LIST = "Bottle;What;Size;Left\nL-1;ethyl acetate;500 mL;400 mL\n"


@dataclass(frozen=True)
class Seed:
    """names: value for each part of an address, such as `container`."""

    lab: Club
    names: dict[str, str]


def planted(lab: Club | None = None) -> Seed:
    """Into a club that is there already, or into a new one."""
    # A day ago, so that what is told of today came after it.
    now = timezone.now() - timedelta(days=1)
    lab = lab or club(now=now)
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.steward, "now": now}
    cabinet = places.location_get(lab=lab.lab, name="Blue cabinet", kind="cabinet")
    box = places.location_get(lab=lab.lab, name="Box")
    rule = OwnLimit(name="Club rule", limit_ul=5_000_000, code="club rule", source="the club")
    limit = limits.limit_own(**by, location=cabinet, limit=rule)
    stream = WasteFacts(stream="halogen-free solvents", capacity_ul=5_000_000, code="W-1")
    can = waste.waste_add(**by, facts=stream)
    bottle = stocked(lab, "diethyl-ether", code="B-1", now=now, received_on=now.date(), tare_mg=400_000)
    stocked(lab, "ethyl-acetate", code="B-2", now=now, received_on=now.date(), opened="unopened")
    empty(lab, code="B-3", now=now)
    aside = stocked(lab, "ethyl-acetate", code="B-5", now=now, received_on=now.date())
    quarantine.set_aside(**by, container=aside, reason="leaf bits in it")
    tested(lab, bottle, now=now)
    run = runs.run_start(**by, purpose="leaf pigments")
    runs.charge(**by, run=run, container=bottle, amount="50 mL")
    rinsing = runs.run_start(**by, purpose="rinsing", distils=False)
    draft = runs.run_start(**by, purpose="leaf pigments", plan={"asked": {}, "planned": {}})
    drawn = volumes.draw(**by, container=bottle, amount="5 mL", destination=lab.end("product"))
    test = safety.test_record(**by, container=bottle, reading="<1", method="strip-25", tested_on=now.date())
    sign = safety.observe(**by, container=bottle, sign="cloudy")
    own = solvent_add(**by, cas="110-02-1")
    cautious = policies.copy_of(lab.lab.policy, "club-rules", "Rules of the club")
    kept = policies.policy_add(**by, body=cautious, copied_from=lab.lab.policy.key)
    solution = reagents.reagent_add(**by, method="iodometric-titration", name="thiosulfate")
    ether = stocked(lab, "diethyl-ether", code="B-4", now=now, received_on=now.date())
    treated = treatments.inhibitor_add(**by, container=ether, inhibitor="BHT", mass_ug=90_000)
    level = stock_levels.stock_level_put(**by, solvent=own, minimum_ul=1_000_000)
    sweep(now=now, lab=lab.lab)
    short = Alert.objects.get(subject_kind="stocklevel", subject_id=level.pk)
    head: dict[str, Any] = {**by, "actor": lab.supervisor}
    hook, _ = webhooks.webhook_add(**head, name="board", url="https://hooks.example.org/a")
    message = webhooks.trial(**head, webhook=hook)
    Delivery.objects.filter(pk=message.pk).update(failed_at=now, last_error="The receiver answered 410.")
    feed, _ = feeds.feed_add(**head, kind="calendar")
    names = {
        "location": str(box.pk),
        "limit": str(limit.pk),
        "waste": can.code,
        "webhook": str(hook.pk),
        "delivery": str(message.pk),
        "feed": str(feed.pk),
        "alert": str(short.pk),
        "person": str(lab.lab.memberships.get(user=lab.member).pk),
        "lab": lab.lab.slug,
        "container": "B-1",
        "solvent": own.key,
        "lot": str(bottle.lot_id),
        "run": str(run.pk),
        "rinsing": str(rinsing.pk),
        "draft": str(draft.pk),
        "entry": str(drawn.entry),
        "test": str(test.test.pk),
        "sign": str(sign.pk),
        "reagent": str(solution.pk),
        "treatment": str(treated.pk),
        "policy": kept.key,
        "part": "rules",
        "row": "0",
        **_out_and_failed(lab, now),
        "prefix": token_for(lab, "supervisor", "read").partition(".")[0],
    }
    return Seed(lab, names | _list_brought_in(by) | planted_runs(lab, now))


def _out_and_failed(lab: Club, now: datetime) -> dict[str, str]:
    """An invitation that is out, and a job that was given up."""
    link, _secret = labs.invitation_create(lab=lab.lab, actor=lab.supervisor, now=now, role="member")
    jobs.enqueue(name="deliver", key="deliver@given-up", payload={"lab": lab.lab.pk}, due_at=now, now=now)
    Job.objects.filter(key="deliver@given-up").update(failed_at=now, last_error="TimeoutError: no answer")
    return {"invitation": str(link.pk), "job": str(Job.objects.get(key="deliver@given-up").pk)}


def _list_brought_in(by: dict[str, Any]) -> dict[str, str]:
    """A list on its way in, and its entry in the audit trail once it is in."""
    listed: dict[str, Any] = {"data": LIST.encode(), "filename": "list.csv"}
    sheet = import_sheets.sheet_keep(**by, target="stock", **listed)
    import_stock(**by, **listed, write=True)
    imported = Event.objects.get(lab=by["lab"], verb="stock-imported")
    return {"sheet": str(sheet.pk), "event": str(imported.pk)}

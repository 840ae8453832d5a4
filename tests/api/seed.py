"""A lab with something of every kind, and the names by which addresses reach it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.utils import timezone

from inventory.services import places, safety, volumes
from inventory.services.catalogue import solvent_add
from recovery.services import runs
from tests.api.client import token_for
from tests.factories import Club, club, empty, stocked


@dataclass(frozen=True)
class Seed:
    """names: value for each part of an address, such as `container`."""

    lab: Club
    names: dict[str, str]


def planted() -> Seed:
    # A day ago, so that what is told of today came after it.
    now = timezone.now() - timedelta(days=1)
    lab = club(now=now)
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.steward, "now": now}
    places.location_get(lab=lab.lab, name="Blue cabinet")
    bottle = stocked(lab, "diethyl-ether", code="B-1", now=now, received_on=now.date(), tare_mg=400_000)
    stocked(lab, "ethyl-acetate", code="B-2", now=now, received_on=now.date(), opened="unopened")
    empty(lab, code="B-3", now=now)
    run = runs.run_start(**by, purpose="leaf pigments")
    runs.charge(**by, run=run, container=bottle, amount="50 mL")
    drawn = volumes.draw(**by, container=bottle, amount="5 mL", destination=lab.end("product"))
    test = safety.test_record(**by, container=bottle, reading="<1", method="strip-25", tested_on=now.date())
    sign = safety.observe(**by, container=bottle, sign="cloudy")
    own = solvent_add(**by, cas="110-02-1")
    names = {
        "lab": lab.lab.slug,
        "container": "B-1",
        "solvent": own.key,
        "lot": str(bottle.lot_id),
        "run": str(run.pk),
        "entry": str(drawn.entry),
        "test": str(test.test.pk),
        "sign": str(sign.pk),
        "prefix": token_for(lab, "supervisor", "read").partition(".")[0],
    }
    return Seed(lab, names)

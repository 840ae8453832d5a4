"""Something on each page about places, solvents, policies and strips, for the tests that visit every page."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.utils import timezone

from inventory.models import Container
from inventory.services import limits, places, policies, reagents, stock_levels
from inventory.services.limits import OwnLimit
from inventory.services.moving import put_away
from recovery.services.quality_limits import limit_add
from tests import factories
from tests.factories import Club

PAGES = {
    "storage": "storage/",
    "place": "storage/{place}/",
    "change a place": "storage/{place}/change/",
    "limit from a table": "storage/{place}/limit/",
    "limit of our own": "storage/{place}/limit/?own=1",
    "list of a cabinet": "storage/{place}/list/",
    "solvents": "solvents/",
    "a solvent": "solvents/{solvent}/",
    "policies": "policies/",
    "our policy": "policies/our-rules/",
    "use a policy": "policies/our-rules/use/",
    "a row of handling": "policies/our-rules/handling/new/",
    "strips": "reagents/",
    "inspection": "inspection/",
    "limits of quality": "quality-limits/",
    "add a limit of quality": "quality-limits/add/",
    "change a limit of quality": "quality-limits/{quality_limit}/change/",
    "end a limit of quality": "quality-limits/{quality_limit}/end/",
}


def kept(at: Club) -> dict[str, Any]:
    """Names for the addresses of `PAGES`: all containers stand in one cabinet, too many by its limit."""
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": now}
    room = places.location_get(lab=at.lab, name="Room 2.14", kind="room")
    cabinet = places.location_get(lab=at.lab, name="Blue cabinet", kind="cabinet", parent=room)
    for container in Container.objects.filter(lab=at.lab):
        put_away(actor=at.supervisor, now=now, container=container, location=cabinet)
    rule = OwnLimit(name="School rule", limit_ul=100_000, code="school rule 4", source="the caretaker")
    limit = limits.limit_own(**by, location=cabinet, limit=rule)
    body = policies.copy_of(at.lab.policy, "our-rules", "Rules of the club")
    policies.policy_add(**by, body=body, copied_from=at.lab.policy.key)
    strips = reagents.reagent_add(**by, method="strip-25", name="Strips of spring")
    solvent = factories.solvent("acetone")
    stock_levels.stock_level_put(**by, solvent=solvent, minimum_ul=5_000_000)
    often = limit_add(**by, what="times-distilled", highest=Decimal(5), source="the club")
    limit_add(**by, what="water", solvent=solvent, highest=Decimal("0.02"), source="the club")
    return {
        "place": cabinet.pk,
        "location": cabinet.pk,
        "limit": limit.pk,
        "policy": "our-rules",
        "row": "0",
        "reagent": strips.pk,
        "quality_limit": often.pk,
    }

"""Several more of everything that `seed.planted` makes, so that what grows with the records shows."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.utils import timezone

from inventory.models import Container, Delivery, PlaceKind
from inventory.services import (
    labs,
    limits,
    places,
    quarantine,
    reagents,
    safety,
    stock_levels,
    treatments,
    volumes,
    waste,
)
from inventory.services.delivery import feeds, webhooks
from inventory.services.limits import OwnLimit
from inventory.services.sweep import sweep
from inventory.services.waste import WasteFacts
from recovery.models import Run
from recovery.services import apparatus, quality, runs
from tests.api.seed import Seed
from tests.api.seed_runs import planted_fit
from tests.factories import Club, empty, fresh, person, solvent, stocked

LOW = ("n-hexane", "diethyl-ether", "1-4-dioxane", "ethyl-acetate")


def grow(seed: Seed, numbers: range) -> None:
    """One more of each for each number, among them more about the records that the addresses name."""
    for number in numbers:
        _stock(seed, number)
        _runs(seed, number)
        _keeping(seed.lab, number)
    sweep(now=timezone.now(), lab=seed.lab.lab)


def _by(lab: Club) -> dict[str, Any]:
    return {"lab": lab.lab, "actor": lab.steward, "now": timezone.now()}


def _stock(seed: Seed, number: int) -> None:
    """Bottles in places, tested, signed and drawn from; the same with the bottle that is looked at."""
    lab, by = seed.lab, _by(seed.lab)
    today = by["now"].date()
    shelf = places.location_get(lab=lab.lab, name=f"Shelf {number}", kind="cabinet")
    ago = today - timedelta(days=200 + number)
    for key in ("diethyl-ether", "1-4-dioxane", "n-hexane", "ethyl-acetate"):
        code = f"M{number}-{key[:2]}"
        stocked(lab, key, code=code, now=by["now"], received_on=ago, location=shelf)
    ether = Container.objects.get(lab=lab.lab, code=f"M{number}-di")
    dioxane = Container.objects.get(lab=lab.lab, code=f"M{number}-1-")
    looked_at = Container.objects.get(lab=lab.lab, code=seed.names["container"])
    for held in (ether, looked_at):
        told: dict[str, Any] = {**by, "container": fresh(held)}
        safety.test_record(**told, reading="<1", method="strip-25", tested_on=today)
        volumes.draw(**told, amount="2 mL", destination=lab.end(PlaceKind.REACTION))
        volumes.put_back(**told, amount="1 mL", source=lab.end(PlaceKind.REACTION))
        quality.check_record(**told, what="density", entered={"value": "0.713 g/mL"})
    safety.observe(**by, container=dioxane, sign="cloudy")
    safety.observe(**by, container=fresh(looked_at), sign="cloudy")
    treatments.inhibitor_add(**by, container=fresh(ether), inhibitor="BHT", mass_ug=90_000)
    aside = Container.objects.get(lab=lab.lab, code=f"M{number}-et")
    quarantine.set_aside(**by, container=aside, reason="leaf bits in it")


def _runs(seed: Seed, number: int) -> None:
    """Runs, open, planned and closed, and more charges and returns of the runs that are looked at."""
    lab, by = seed.lab, _by(seed.lab)
    hexane = Container.objects.get(lab=lab.lab, code=f"M{number}-n-")
    still = apparatus.apparatus_add(**by, name=f"Column {number}", kind="still")
    apparatus.record_add(**by, apparatus=still, what="cleaned")
    told: dict[str, Any] = {"purpose": f"leaf pigments {number}", "distils": False}
    for name in ("run", "rinsing"):
        looked_at = Run.objects.get(pk=seed.names[name])
        if not looked_at.distils:
            runs.charge(**by, run=looked_at, container=fresh(hexane), amount="10 mL")
    closed = runs.run_start(**by, **told, apparatus=[still])
    runs.charge(**by, run=closed, container=fresh(hexane), amount="60 mL")
    runs.give_back(**by, run=closed, container=empty(lab, now=by["now"]), amount="40 mL", state="wet")
    runs.run_close(**by, run=closed)
    runs.charge(**by, run=runs.run_start(**by, **told), container=fresh(hexane), amount="20 mL")
    runs.run_start(**by, **told, plan={"asked": {}, "planned": {}})
    planted_fit(lab, by["now"], apparatus=still)


def _keeping(lab: Club, number: int) -> None:
    """Places with limits, waste, reagents, stock levels, people, tokens, links, feeds and messages."""
    by = _by(lab)
    room = places.location_get(lab=lab.lab, name=f"Room {number}", kind="cabinet")
    rule = OwnLimit(name=f"Rule {number}", limit_ul=5_000_000, code="club rule", source="the club")
    limits.limit_own(**by, location=room, limit=rule)
    stream = WasteFacts(stream="halogen-free solvents", capacity_ul=5_000_000, code=f"W-M{number}")
    waste.waste_add(**by, facts=stream)
    reagents.reagent_add(**by, method="iodometric-titration", name=f"thiosulfate {number}")
    stock_levels.stock_level_put(**by, solvent=solvent(LOW[number % len(LOW)]), minimum_ul=9_000_000)
    labs.member_add(
        lab=lab.lab, actor=lab.supervisor, now=by["now"], user=person(f"more-{number}"), role="member"
    )
    head = {**by, "actor": lab.supervisor}
    labs.token_create(**head, name=f"token {number}", scope="read")
    feeds.feed_add(**head, kind="calendar")
    hook, _secret = webhooks.webhook_add(
        **head, name=f"hook {number}", url=f"https://hooks.example.org/{number}"
    )
    message = webhooks.trial(**head, webhook=hook)
    Delivery.objects.filter(pk=message.pk).update(
        failed_at=by["now"], last_error="The receiver answered 410."
    )

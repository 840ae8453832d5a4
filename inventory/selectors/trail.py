"""The audit trail of a lab as a list: who did what, when, and to which record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet

from inventory.models import Container, Event, Lab, Membership, User


@dataclass(frozen=True)
class Wanted:
    """What is asked of the trail. Days are those of the lab, both inclusive; container: by its id."""

    person: int | None = None
    verb: str = ""
    since: date | None = None
    until: date | None = None
    container: int | None = None


def events_of(*, lab: Lab, wanted: Wanted, before: int | None = None) -> QuerySet[Event]:
    """Events that fit, the newest first. before: only those older than the one with this id."""
    given: dict[str, Any] = {}
    if wanted.person is not None:
        given["actor_id"] = wanted.person
    if wanted.verb:
        given["verb"] = wanted.verb
    if wanted.container is not None:
        given |= {"subject_kind": "container", "subject_id": wanted.container}
    if wanted.since is not None:
        given["at__gte"] = _start(wanted.since, lab)
    if wanted.until is not None and wanted.until < date.max:
        given["at__lt"] = _start(wanted.until + timedelta(days=1), lab)
    if before is not None:
        given["pk__lt"] = before
    return Event.objects.filter(lab=lab, **given).select_related("actor").order_by("-pk")


def _start(day: date, lab: Lab) -> datetime:
    return datetime.combine(day, time.min, ZoneInfo(lab.time_zone))


def actors_of(*, lab: Lab) -> list[User]:
    """Everybody in the lab, and whoever has done something in it and left."""
    ids = Event.objects.filter(lab=lab).order_by().values("actor_id").distinct()
    here = Membership.objects.filter(lab=lab).values("user_id")
    found = User.objects.filter(Q(pk__in=ids) | Q(pk__in=here))
    return sorted(found, key=lambda user: user.display_name.casefold())


def codes_of(*, lab: Lab, events: Iterable[Event]) -> dict[int, str]:
    """Code of each container that the events are about, by its id."""
    ids = {event.subject_id for event in events if event.subject_kind == "container"}
    return dict(Container.objects.filter(lab=lab, pk__in=ids).values_list("pk", "code"))

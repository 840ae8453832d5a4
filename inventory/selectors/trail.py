"""The audit trail of a lab as a list: who did what, when, and to which record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import CharField, Q, QuerySet, Value
from django.db.models.functions import Cast

from inventory.models import Container, Event, Lab, Location, Membership, Solvent, User


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


def names_of(*, lab: Lab, events: Iterable[Event]) -> dict[tuple[str, int], str]:
    """What people call the records that events are about or keep, by kind and id, in one query.

    Code of a container, name of a solvent or place; only what belongs to the lab or to everybody.
    """
    wanted: dict[str, set[int]] = {"container": set(), "solvent": set(), "location": set()}
    for event in events:
        if event.subject_kind == "container":
            wanted["container"].add(event.subject_id)
        for kind, key in _REFERRED:
            wanted[kind].update(_ids(event.data.get(key)))
        wanted["solvent"].update(_ids(event.data.get("lost_ul")))
    rows = (
        _called("container", Container.objects.filter(lab=lab, pk__in=wanted["container"]), "code"),
        _called(
            "solvent", Solvent.objects.filter(Q(lab=None) | Q(lab=lab), pk__in=wanted["solvent"]), "name"
        ),
        _called("location", Location.objects.filter(lab=lab, pk__in=wanted["location"]), "name"),
    )
    return {(kind, pk): name for kind, pk, name in rows[0].union(*rows[1:], all=True)}


# Kind of record → the part of an event that may hold an id of one.
_REFERRED = (
    ("container", "container"),
    ("solvent", "solvent"),
    ("location", "location"),
    ("location", "parent"),
)
_ID_DIGITS_MAX = 18


def _ids(value: Any) -> set[int]:
    """The ids in a part: itself, or its keys."""
    texts = map(str, value if isinstance(value, dict) else [value])
    return {int(t) for t in texts if t.isascii() and t.isdigit() and len(t) <= _ID_DIGITS_MAX}


def _called(kind: str, rows: QuerySet[Any], name: str) -> QuerySet[Any]:
    words = Cast(name, CharField())
    return rows.order_by().values_list(Value(kind, output_field=CharField()), "pk", words)

"""Everything that happened to a container, newest first, in a fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import islice
from typing import Any
from zoneinfo import ZoneInfo

from inventory.models import Container, Event, Movement, Observation, PeroxideTest, Treatment

SHOWN = 40
# Told by a row of its own already.
TOLD_ELSEWHERE = ("count", "weigh", "treated", "test-withdrawn")


@dataclass(frozen=True)
class Happening:
    """One thing that happened. kind: movement, test, sign, treatment or event.

    at: when it happened; recorded_at: when it was written down. what: the movement's kind, the sign or
    the verb. change_ul: of a movement, more (+) or less (-) in the container. undone: it was reversed or
    withdrawn.
    """

    at: datetime
    recorded_at: datetime
    kind: str
    what: str
    who: str
    change_ul: int | None = None
    u_ul: int = 0
    other: str = ""
    words: str = ""
    undone: bool = False
    entry: str = ""

    @property
    def late(self) -> bool:
        """Written down on another day than it happened."""
        return self.at.date() != self.recorded_at.date()


def timeline(*, container: Container, before: datetime | None = None, limit: int = SHOWN) -> list[Happening]:
    """The newest `limit` of them; with `before`, of those that happened earlier than that."""
    rows = [
        *_movements(container, before, limit),
        *_tests(container, limit),
        *_signs(container, limit),
        *_treatments(container, limit),
        *_events(container, before, limit),
    ]
    past = (row for row in rows if before is None or row.at < before)
    return list(islice(sorted(past, key=lambda row: (row.at, row.recorded_at), reverse=True), limit))


def _movements(container: Container, before: datetime | None, limit: int) -> Iterable[Happening]:
    place = container.place_id
    rows = Movement.objects.touching([place])
    if before is not None:
        rows = rows.filter(happened_at__lt=before)
    ends = ("source__container", "destination__container", "source__run", "destination__run")
    rows = rows.select_related("actor", "source", "destination", "reversed_by", *ends)
    for row in rows.order_by("-happened_at", "-id")[:limit]:
        into = row.destination_id == place
        other = row.source if into else row.destination
        yield Happening(
            at=row.happened_at,
            recorded_at=row.recorded_at,
            kind="movement",
            what=row.kind,
            who=row.actor.display_name,
            change_ul=row.volume_ul if into else -row.volume_ul,
            u_ul=row.u_volume_ul,
            other=_end_words(other),
            words=row.note,
            undone=row.reversal_of_id is not None or hasattr(row, "reversed_by"),
            entry=str(row.entry),
        )


def _end_words(place: Any) -> str:
    if hasattr(place, "container"):
        return str(place.container.code)
    if hasattr(place, "run"):
        return str(place.run.purpose)
    return str(place.kind)


def _noon(container: Container, day: date | None, recorded_at: datetime) -> datetime:
    """A day without a time is shown at noon, or when it was written down if that was the same day."""
    zone = ZoneInfo(container.lab.time_zone)
    if day is None or recorded_at.astimezone(zone).date() == day:
        return recorded_at
    return datetime.combine(day, time(12), zone)


def _tests(container: Container, limit: int) -> Iterable[Happening]:
    rows = PeroxideTest.objects.filter(container=container, withdraws=None)
    for row in rows.select_related("actor", "withdrawn_by").order_by("-id")[:limit]:
        yield Happening(
            at=_noon(container, row.tested_on, row.recorded_at),
            recorded_at=row.recorded_at,
            kind="test",
            what=row.method,
            who=row.actor.display_name,
            other=row.as_entered,
            words=row.note,
            undone=hasattr(row, "withdrawn_by"),
        )


def _signs(container: Container, limit: int) -> Iterable[Happening]:
    rows = Observation.objects.filter(container=container, withdraws=None)
    for row in rows.select_related("actor", "withdrawn_by").order_by("-id")[:limit]:
        yield Happening(
            at=_noon(container, row.seen_on, row.recorded_at),
            recorded_at=row.recorded_at,
            kind="sign",
            what=row.sign,
            who=row.actor.display_name,
            words=row.words,
            undone=hasattr(row, "withdrawn_by"),
        )


def _treatments(container: Container, limit: int) -> Iterable[Happening]:
    rows = Treatment.objects.filter(container=container, withdraws=None)
    for row in rows.select_related("actor", "withdrawn_by").order_by("-id")[:limit]:
        yield Happening(
            at=_noon(container, row.treated_on, row.recorded_at),
            recorded_at=row.recorded_at,
            kind="treatment",
            what=row.kind,
            who=row.actor.display_name,
            other=row.inhibitor,
            words=row.how,
            undone=hasattr(row, "withdrawn_by"),
        )


def _events(container: Container, before: datetime | None, limit: int) -> Iterable[Happening]:
    rows = Event.objects.filter(subject_kind="container", subject_id=container.pk).exclude(
        verb__in=TOLD_ELSEWHERE
    )
    if before is not None:
        rows = rows.filter(at__lt=before)
    for row in rows.select_related("actor").order_by("-id")[:limit]:
        yield Happening(
            at=row.at,
            recorded_at=row.at,
            kind="event",
            what=row.verb,
            who=row.actor.display_name,
            words=str(row.data.get("reason") or row.data.get("words") or ""),
        )

"""Everything that happened to a container, newest first, in a fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from heapq import nlargest
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils.dateparse import parse_datetime

from inventory.models import Container, Event, Movement, Observation, PeroxideTest, Treatment

SHOWN = 40
# A form that waited a moment for the network tells nothing by it: our choice.
LATE = timedelta(minutes=5)
# Told by a row of its own already.
TOLD_ELSEWHERE = ("count", "weigh", "treated", "test-withdrawn")
_ENDS = ("source__container", "destination__container", "source__run", "destination__run")
_WHO = ("actor__username", "actor__first_name", "actor__last_name")
# Of the seven tables that a line of a movement joins no more than it shows.
_MOVED = (
    "happened_at", "recorded_at", "kind", "volume_ul", "u_volume_ul", "note", "reversal_of_id", "entry",
    "reversed_by__id", *_WHO,
    *(f"{end}__{name}" for end in ("source", "destination")
      for name in ("kind", "container__code", "run__purpose")),
)  # fmt: skip


#: where a row stands: when it happened, when it was written down, its kind and its id among those of its kind
Place = tuple[datetime, datetime, str, int]


@dataclass(frozen=True)
class Happening:
    """One thing that happened. kind: movement, test, sign, treatment or event.

    at: when it happened; recorded_at: when it was written down. what: the movement's kind, the sign or
    the verb. change_ul: of a movement, more (+) or less (-) in the container. undone: it was reversed or
    withdrawn.
    """

    pk: int
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
    def place(self) -> Place:
        """No two rows have the same: what was written down in one moment is told apart by its id."""
        return self.at, self.recorded_at, self.kind, self.pk

    @property
    def late(self) -> bool:
        """Written down on another day than it happened, or so long after it that one time would mislead."""
        return self.at.date() != self.recorded_at.date() or self.recorded_at - self.at > LATE


def timeline(*, container: Container, before: Place | None = None, limit: int = SHOWN) -> list[Happening]:
    """The newest `limit` of them; with `before`, of those that come after the row that stands there.

    Thousands of movements of one moment are gone through as well, each of them once.
    """
    rows = [
        *_movements(container, before, limit),
        *_tests(container),
        *_signs(container),
        *_treatments(container),
        *_events(container, before, limit),
    ]
    past = (row for row in rows if before is None or row.place < before)
    return nlargest(limit, past, key=lambda row: row.place)


def _older(rows: QuerySet[Any], kind: str, before: Place | None, at: str, recorded_at: str) -> QuerySet[Any]:
    """Rows of one kind that come after that place, the newest first; of columns with these names."""
    if before is not None:
        happened, recorded, other, pk = before
        same = Q(**{at: happened, recorded_at: recorded})
        if kind >= other:
            same &= Q(id__lt=pk if kind == other else 0)
        late = Q(**{at: happened, f"{recorded_at}__lt": recorded})
        rows = rows.filter(Q(**{f"{at}__lt": happened}) | late | same)
    return rows.order_by(f"-{at}", f"-{recorded_at}", "-id")


def _movements(container: Container, before: Place | None, limit: int) -> Iterable[Happening]:
    place = container.place_id
    # Chosen by id alone: a whole ledger of a place is not to be sorted with all that is shown of each.
    chosen = _older(Movement.objects.touching([place]), "movement", before, "happened_at", "recorded_at")
    rows = Movement.objects.filter(pk__in=chosen.values("pk")[:limit])
    rows = rows.select_related("actor", "source", "destination", "reversed_by", *_ENDS).only(*_MOVED)
    for row in rows:
        into = row.destination_id == place
        other = row.source if into else row.destination
        yield Happening(
            pk=row.pk,
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


def _tests(container: Container) -> Iterable[Happening]:
    rows = PeroxideTest.objects.filter(container=container, withdraws=None)
    for row in rows.select_related("actor", "withdrawn_by"):
        yield Happening(
            pk=row.pk,
            at=_noon(container, row.tested_on, row.recorded_at),
            recorded_at=row.recorded_at,
            kind="test",
            what=row.method,
            who=row.actor.display_name,
            other=row.as_entered,
            words=row.note,
            undone=hasattr(row, "withdrawn_by"),
        )


def _signs(container: Container) -> Iterable[Happening]:
    rows = Observation.objects.filter(container=container, withdraws=None)
    for row in rows.select_related("actor", "withdrawn_by"):
        yield Happening(
            pk=row.pk,
            at=_noon(container, row.seen_on, row.recorded_at),
            recorded_at=row.recorded_at,
            kind="sign",
            what=row.sign,
            who=row.actor.display_name,
            words=row.words,
            undone=hasattr(row, "withdrawn_by"),
        )


def _treatments(container: Container) -> Iterable[Happening]:
    rows = Treatment.objects.filter(container=container, withdraws=None)
    for row in rows.select_related("actor", "withdrawn_by"):
        yield Happening(
            pk=row.pk,
            at=_noon(container, row.treated_on, row.recorded_at),
            recorded_at=row.recorded_at,
            kind="treatment",
            what=row.kind,
            who=row.actor.display_name,
            other=row.inhibitor,
            words=row.how,
            undone=hasattr(row, "withdrawn_by"),
        )


def _events(container: Container, before: Place | None, limit: int) -> Iterable[Happening]:
    rows = Event.objects.filter(subject_kind="container", subject_id=container.pk).exclude(
        verb__in=TOLD_ELSEWHERE
    )
    # What was handed over with something in it stands there as a movement, at the time that was told.
    moved = Movement.objects.filter(kind="discard", source_id=container.place_id, recorded_at=OuterRef("at"))
    rows = rows.exclude(Q(verb="discarded") & Exists(moved))
    # When it happened is told by few of them, which are all read; the others are in the order of recording.
    told = Q(data__has_key="told_at")
    newest = _older(rows.exclude(told), "event", before, "at", "at").select_related("actor")[:limit]
    for row in (*newest, *rows.filter(told).select_related("actor")):
        told_at = parse_datetime(str(row.data.get("told_at", "")))
        yield Happening(
            pk=row.pk,
            at=told_at or row.at,
            recorded_at=row.at,
            kind="event",
            what=row.verb,
            who=row.actor.display_name,
            words=str(row.data.get("reason") or row.data.get("words") or ""),
        )

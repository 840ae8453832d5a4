"""Counting and weighing: the record is set to what was found; a difference beyond chance is noted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.models import Container, Event, Lab, Lot, Movement, PlaceKind, User
from inventory.rules.counting import beyond_uncertainty, combined_u_ul
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.rules.volume import Entry, Measured, measure, parse_entry
from inventory.services import ledger
from inventory.services.events import record
from inventory.services.ledger import Holds, Line, Posted
from inventory.services.measuring import liquid_of, moment
from inventory.services.places import boundary, container_end
from inventory.services.refreshing import refresh_due
from inventory.services.storage_found import found_in
from inventory.services.timing import changes_since

KINDS = ("count", "weigh")
# So many of the last records are looked through for the count that came last, however late each was entered.
COUNTS_LOOKED_AT = 20
Amount = str | Mapping[str, Any] | Entry


@dataclass(frozen=True)
class Counted:
    """difference_ul: found less recorded. u_difference_ul: standard uncertainty of both together (k = 1).

    beyond_uncertainty: it is larger than twice that, so something was not written down. posted None: no
    difference.
    """

    posted: Posted | None
    difference_ul: int
    u_difference_ul: int
    beyond_uncertainty: bool


@dataclass(frozen=True)
class _Baseline:
    """The last count: what the record rests on. movement_id: the last movement that it took in."""

    movement_id: int
    u_ul: int
    is_latest: bool


def count(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    amount: Amount,
    happened_at: datetime | None = None,
    kind: str = "count",
) -> Counted:
    """Set the record to what was found. The difference is a movement, in µl (found less recorded).

    A zero amount is allowed: the container was found empty. A count entered late is held against what the
    container held by the records at that time. One that finds more names the storage limits that are exceeded
    now, in the posting's warnings.
    """
    happened = moment(now, happened_at, container)
    with transaction.atomic():
        held = Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=container.pk)
        _check_countable(held)
        assert held.lot is not None
        found = measured_or_zero(amount, held.lot, held.capacity_ul)
        recorded_ul = _recorded_then(held, happened, now)
        difference_ul = found.volume_ul - recorded_ul
        baseline = _baseline(held, happened)
        u_ul = combined_u_ul([found.u_volume_ul, *_recorded_u_ul(held, baseline, happened)])
        posted = None
        if difference_ul:
            posted = _book_difference(lab, actor, now, happened, held, found, difference_ul, kind)
        if difference_ul > 0:
            # More than there can be by the records: what nobody recorded, nobody has tested.
            refresh_due(container=held, now=now)
            held.refresh_from_db(fields=["volume_ul"])
            # It stands there already, so that nothing is refused.
            posted = posted and replace(posted, warnings=found_in(held))
        counted = Counted(posted, difference_ul, u_ul, beyond_uncertainty(difference_ul, u_ul))
        _note_difference(held, counted, baseline)
        data = {
            "recorded_ul": recorded_ul,
            "found_ul": found.volume_ul,
            "u_found_ul": found.u_volume_ul,
            "u_difference_ul": u_ul,
            "beyond_uncertainty": counted.beyond_uncertainty,
            "happened_at": happened.isoformat(),
            "movement": _last_movement(held),
            "entry": None if posted is None else str(posted.entry),
            "as_entered": found.as_entered,
        }
        record(lab=lab, actor=actor, now=now, verb=kind, subject=held, data=data)
    return counted


def _check_countable(held: Container) -> None:
    if held.discarded_at is not None:
        raise Conflict(
            "container", "container-discarded", Phrase("{code} has been discarded.", code=held.code)
        )
    if held.lot is None:
        raise Conflict(
            "container",
            "lot-not-known",
            Phrase("{code} never held anything.", code=held.code),
            Phrase("Pour or return into it first."),
        )


def measured_or_zero(amount: Amount, lot: Lot, capacity_ul: int | None = None) -> Measured:
    """As `measured`, but nothing found is an answer too. capacity_ul: size of a bottle read at its mark."""
    entry = amount if isinstance(amount, Entry) else parse_entry(amount, field="volume", allow_zero=True)
    return measure(entry, liquid_of(lot.solvent), field="volume", capacity_ul=capacity_ul, allow_zero=True)


def _recorded_then(held: Container, happened: datetime, now: datetime) -> int:
    """What the container held by the records at that time, in µl."""
    since = changes_since(held.place_id, happened) if happened < now else []
    return held.volume_ul - sum(change_ul for _, change_ul in since)


def _touching(held: Container) -> Any:
    return Movement.objects.touching([held.place_id])


def _last_movement(held: Container) -> int:
    return _touching(held).order_by("-pk").values_list("pk", flat=True).first() or 0


def _baseline(held: Container, happened: datetime) -> _Baseline:
    """The last count before that time that still stands; without one the record rests on its movements."""
    counts = _standing_counts(held)
    before = [(at, event) for at, event in counts if at <= happened]
    is_latest = len(before) == len(counts)
    if not before:
        return _Baseline(0, 0, is_latest)
    _, event = max(before, key=lambda count: (count[0], count[1].pk))
    movement = event.data.get("movement")
    if movement is None:
        movement = _last_recorded(held, event.at)
    return _Baseline(movement, event.data["u_found_ul"], is_latest)


def _standing_counts(held: Container) -> list[tuple[datetime, Event]]:
    """When each of the last counts happened, without those that were reversed, newest record first."""
    events = Event.objects.filter(subject_kind="container", subject_id=held.pk, verb__in=KINDS)
    counts = list(events.order_by("-pk")[:COUNTS_LOOKED_AT])
    entries = [count.data["entry"] for count in counts if count.data.get("entry")]
    undone = Movement.objects.filter(entry__in=entries, reversed_by__isnull=False)
    reversed_entries = {str(entry) for entry in undone.values_list("entry", flat=True)}
    return [(_happened(c), c) for c in counts if c.data.get("entry") not in reversed_entries]


def _happened(count: Event) -> datetime:
    """Counts from before this was kept tell no time of their own."""
    told = count.data.get("happened_at")
    return count.at if told is None else datetime.fromisoformat(told)


def _last_recorded(held: Container, at: datetime) -> int:
    known = _touching(held).filter(recorded_at__lte=at)
    return known.order_by("-pk").values_list("pk", flat=True).first() or 0


def _recorded_u_ul(held: Container, baseline: _Baseline, happened: datetime) -> Sequence[int]:
    """Standard uncertainties that the balance has taken up: of the last count, and of what moved since.

    What was reversed since counts as never having happened, and so does its reversal.
    """
    moved = _touching(held).filter(pk__gt=baseline.movement_id, happened_at__lte=happened)
    rows = list(moved.values_list("pk", "u_volume_ul", "reversal_of_id"))
    undone = {reverses for _, _, reverses in rows if reverses} & {pk for pk, _, _ in rows}
    parts = [u_ul for pk, u_ul, reverses in rows if pk not in undone and reverses not in undone]
    return [baseline.u_ul, *parts]


def _note_difference(held: Container, counted: Counted, baseline: _Baseline) -> None:
    """Keep a difference that is too large, and clear one that a newer count did not find again.

    A count entered late may tell of one; what a later count found is not cleared by it.
    """
    if counted.beyond_uncertainty:
        Container.objects.filter(pk=held.pk).update(count_off_ul=counted.difference_ul)
    elif baseline.is_latest and held.count_off_ul is not None:
        Container.objects.filter(pk=held.pk).update(count_off_ul=None)


def forget_difference(container: Container) -> None:
    """The count that found a difference has been reversed. Only inside a transaction."""
    Container.objects.filter(pk=container.pk, count_off_ul__isnull=False).update(count_off_ul=None)


def _book_difference(
    lab: Lab,
    actor: User,
    now: datetime,
    happened: datetime,
    held: Container,
    found: Measured,
    change_ul: int,
    kind: str,
) -> Posted:
    assert held.lot is not None
    here, difference = container_end(held), boundary(lab, PlaceKind.COUNT_DIFFERENCE)
    source, destination = (difference, here) if change_ul > 0 else (here, difference)
    line = Line(
        kind=kind,
        lot_id=held.lot.pk,
        solvent_id=held.lot.solvent_id,
        source=source,
        destination=destination,
        volume_ul=abs(change_ul),
        u_volume_ul=found.u_volume_ul,
        as_entered=found.as_entered,
    )
    holds = {held.place_id: Holds(held.lot_id, held.lot_id)}
    return ledger.post(lab=lab, actor=actor, now=now, happened_at=happened, lines=[line], holds=holds)


def weigh(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    gross: Mapping[str, Any],
    happened_at: datetime | None = None,
) -> Counted:
    """Count by the balance: gross mass less the container's tare, through the density."""
    if container.tare_mg is None:
        raise Conflict(
            "container",
            "tare-not-known",
            Phrase("The empty weight of {code} is not known.", code=container.code),
            Phrase("Have a steward enter its tare, or count by volume."),
        )
    amount = {**gross, "tare": {"value": str(container.tare_mg), "unit": "mg"}}
    return count(
        lab=lab,
        actor=actor,
        now=now,
        container=container,
        amount=amount,
        happened_at=happened_at,
        kind="weigh",
    )

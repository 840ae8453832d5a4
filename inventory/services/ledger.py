"""The one writer of volumes: books movements, keeps container balances and the monthly flows with them.

Locks are taken in one order everywhere (containers by place, then flow cells by key), so two postings can
wait for each other but never for ever. SQL is written out because this is the hottest path of the house.
"""

from __future__ import annotations

import json
import os
import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import connection, transaction
from django.db.backends.utils import CursorWrapper
from django.dispatch import Signal

from inventory.models import Container, Lab, Movement, PlaceKind, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services import bulk, timing

# Sent inside the posting transaction with lab, lines, now and the month of lines without one of their own; a
# receiver that fails undoes the posting.
posted = Signal()


@dataclass(frozen=True, slots=True)
class End:
    """One end of a movement: a place and its kind."""

    place_id: int
    kind: str


@dataclass(frozen=True, slots=True)
class Line:
    """`volume_ul` (> 0, at 20 °C) of one lot goes from source to destination."""

    kind: str
    lot_id: int
    solvent_id: int
    source: End
    destination: End
    volume_ul: int
    u_volume_ul: int = 0
    as_entered: Mapping[str, Any] = field(default_factory=dict)
    reversal_of_id: int | None = None
    month: date | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Holds:
    """Which lot a container must hold now for the posting to go through, and which it holds afterwards."""

    before: int | None
    after: int | None


@dataclass(frozen=True, slots=True)
class Posted:
    """What was booked. warnings: what speaks against where it stands now (`services/storage`)."""

    entry: uuid.UUID
    movement_ids: list[int]
    warnings: tuple[Any, ...] = ()


def new_entry_id(now: datetime) -> uuid.UUID:
    """A UUID (version 7 layout, RFC 9562) that grows with time, so that its index stays compact."""
    stamp = int(now.timestamp() * 1000) & (1 << 48) - 1
    rest = int.from_bytes(os.urandom(10), "big")
    value = stamp << 80 | 0x7 << 76 | (rest >> 68 & 0xFFF) << 64 | 0b10 << 62 | rest & (1 << 62) - 1
    return uuid.UUID(int=value)


def month_in_lab(lab: Lab, moment: datetime) -> date:
    """First day of the month in which `moment` falls in the lab's zone."""
    return moment.astimezone(ZoneInfo(lab.time_zone)).date().replace(day=1)


def post(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    happened_at: datetime,
    lines: Sequence[Line],
    holds: Mapping[int, Holds],
) -> Posted:
    """Book `lines` together or not at all.

    holds: for every container touched (by place id) the lot it must hold and the lot it then holds.
    Raises Conflict when a container would go below zero or above its capacity, holds another lot,
    or has been discarded, or held too little at that time; InputError when a line moves nothing.
    """
    if not lines:
        raise InputError(
            "volume",
            "nothing-to-book",
            Phrase("There is nothing to book."),
            Phrase("Give an amount above zero."),
        )
    if any(line.volume_ul <= 0 for line in lines):
        raise InputError(
            "volume",
            "not-positive",
            Phrase("An amount must be above zero."),
            Phrase("Give an amount above zero."),
        )
    # No savepoint of its own: every service that posts brings its transaction, undone as a whole.
    with transaction.atomic(savepoint=False):
        entry = new_entry_id(now)
        with connection.cursor() as cursor:
            emptier = _change_containers(cursor, lab.pk, lines, holds)
            if happened_at < now:
                fitting = [timing.fitting(happened_at, place_id) for place_id in emptier]
                happened_at = max([happened_at, *fitting])
            month = month_in_lab(lab, happened_at)
            ids = _insert_movements(cursor, lab, actor, now, happened_at, month, entry, lines)
            _add_flows(cursor, lab.pk, flow_deltas(lines, month))
        posted.send(sender=post, lab=lab, lines=lines, now=now, month=month)
    return Posted(entry, ids)


def _change_containers(
    cursor: CursorWrapper, lab_id: int, lines: Sequence[Line], holds: Mapping[int, Holds]
) -> list[int]:
    """Returns the places of the containers that hold less than before."""
    change: dict[int, int] = defaultdict(int)
    for line in lines:
        if line.source.kind == PlaceKind.CONTAINER:
            change[line.source.place_id] -= line.volume_ul
        if line.destination.kind == PlaceKind.CONTAINER:
            change[line.destination.place_id] += line.volume_ul
    for place_id in sorted(change):
        delta, hold = change[place_id], holds[place_id]
        cursor.execute(
            "UPDATE inventory_container "
            "SET volume_ul = volume_ul + %s, lot_id = %s, version = version + 1 "
            "WHERE place_id = %s AND lab_id = %s AND COALESCE(lot_id, 0) = %s AND discarded_at IS NULL "
            "AND volume_ul + %s >= 0 AND volume_ul + %s <= capacity_ul",
            [delta, hold.after, place_id, lab_id, hold.before or 0, delta, delta],
        )
        if cursor.rowcount != 1:
            raise _refusal(lab_id, place_id, delta, hold)
    return [place_id for place_id in change if change[place_id] < 0]


def _refusal(lab_id: int, place_id: int, delta_ul: int, hold: Holds) -> Conflict:
    """Say which of the guards stopped the posting."""
    container = Container.objects.filter(place_id=place_id, lab_id=lab_id).first()
    if container is None:
        return Conflict("container", "unknown-container", Phrase("This lab has no such container."))
    held_ml, room_ml = container.volume_ul / 1000, (container.capacity_ul - container.volume_ul) / 1000
    if container.discarded_at is not None:
        return Conflict(
            "container",
            "container-discarded",
            Phrase("{code} has been discarded.", code=container.code),
            Phrase("Choose another container."),
        )
    if container.lot_id != hold.before:
        return Conflict(
            "container",
            "contents-changed",
            Phrase("What is in {code} changed in the meantime.", code=container.code),
            Phrase("Look at it again, then repeat."),
        )
    if container.volume_ul + delta_ul < 0:
        return Conflict(
            "volume",
            "not-enough",
            Phrase(
                "{code} holds {held_ml:g} mL by the records, less than that.",
                code=container.code,
                held_ml=held_ml,
            ),
            Phrase("Take less, or count the container first."),
        )
    return Conflict(
        "volume",
        "over-capacity",
        Phrase("{code} has room for {room_ml:g} mL more.", code=container.code, room_ml=max(room_ml, 0)),
        Phrase("Put in less, use another container, or have a steward correct its capacity."),
    )


_COLUMNS = (
    "lab_id, entry, kind, lot_id, solvent_id, source_id, destination_id, volume_ul, u_volume_ul, flow_month, "
    "happened_at, recorded_at, actor_id, as_entered, reversal_of_id, note"
)
_ROW = "(" + ", ".join(["%s"] * 16) + ")"


def _insert_movements(
    cursor: CursorWrapper,
    lab: Lab,
    actor: User,
    now: datetime,
    happened_at: datetime,
    month: date,
    entry: uuid.UUID,
    lines: Sequence[Line],
) -> list[int]:
    ops = cursor.db.ops
    stored_entry = entry if cursor.db.features.has_native_uuid_field else entry.hex
    recorded = ops.adapt_datetimefield_value(now)
    happened = recorded if happened_at is now else ops.adapt_datetimefield_value(happened_at)
    values: list[Any] = []
    for line in lines:
        values += [
            lab.pk, stored_entry, line.kind, line.lot_id, line.solvent_id,
            line.source.place_id, line.destination.place_id, line.volume_ul, line.u_volume_ul,
            ops.adapt_datefield_value(line.month or month), happened, recorded, actor.pk,
            ops.adapt_json_value(dict(line.as_entered), None), line.reversal_of_id, line.note,
        ]  # fmt: skip
    rows = ", ".join([_ROW] * len(lines))
    cursor.execute(f"INSERT INTO inventory_movement ({_COLUMNS}) VALUES {rows} RETURNING id", values)  # noqa: S608
    return [row[0] for row in cursor.fetchall()]


FlowKey = tuple[int, date, str, str]


def flow_deltas(lines: Iterable[Line], month: date) -> dict[FlowKey, int]:
    """Sum lines into flow cells (solvent, month, source kind, destination kind); reversals subtract."""
    cells: dict[FlowKey, int] = defaultdict(int)
    for line in lines:
        ends = (line.source.kind, line.destination.kind)
        if line.reversal_of_id is None:
            cells[(line.solvent_id, line.month or month, *ends)] += line.volume_ul
        else:
            cells[(line.solvent_id, line.month or month, *reversed(ends))] -= line.volume_ul  # type: ignore[index]
    return cells


def add_flows(lab_id: int, cells: Mapping[FlowKey, int]) -> None:
    """Add to the monthly rollup, cell by cell in key order. Only for use inside a posting transaction."""
    with connection.cursor() as cursor:
        _add_flows(cursor, lab_id, cells)


def _add_flows(cursor: CursorWrapper, lab_id: int, cells: Mapping[FlowKey, int]) -> None:
    for key in sorted(cells):
        solvent_id, month, source_kind, destination_kind = key
        stored_month = cursor.db.ops.adapt_datefield_value(month)
        cursor.execute(
            "INSERT INTO inventory_flow "
            "(lab_id, solvent_id, month, source_kind, destination_kind, volume_ul) "
            "VALUES (%s, %s, %s, %s, %s, %s) "
            "ON CONFLICT (lab_id, solvent_id, month, source_kind, destination_kind) "
            "DO UPDATE SET volume_ul = inventory_flow.volume_ul + excluded.volume_ul",
            [lab_id, solvent_id, stored_month, source_kind, destination_kind, cells[key]],
        )


@dataclass(frozen=True, slots=True)
class Posting:
    """Lines that happened together and share an entry."""

    happened_at: datetime
    lines: Sequence[Line]


@dataclass(frozen=True, slots=True)
class Opening:
    """A container that enters the records. facts: its other columns; line: None when it is empty."""

    place_id: int
    lot_id: int
    facts: Sequence[Any]
    line: Line | None


def post_many(*, lab: Lab, actor: User, now: datetime, postings: Sequence[Posting]) -> None:
    """Book many postings between places that are no containers. Only inside a transaction.

    Sends no `posted`: whoever books in bulk writes what hangs on it. Raises ValueError for a container,
    whose balance this would leave behind, and for an amount that is not above zero.
    """
    for posting in postings:
        for line in posting.lines:
            if PlaceKind.CONTAINER in (line.source.kind, line.destination.kind):
                raise ValueError("a container's balance would be left behind")
    _insert_many(lab, actor, now, postings)


def open_balances(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    happened_at: datetime,
    columns: Sequence[str],
    openings: Sequence[Opening],
) -> None:
    """Enter many new containers together with the movements that fill them. Only inside a transaction.

    columns: names of `Opening.facts`. A container over its capacity breaks a constraint, and nothing is kept.
    """
    for one in openings:
        if one.line is not None and one.line.destination != End(one.place_id, PlaceKind.CONTAINER.value):
            raise ValueError("the line must fill the container that it opens")
    rows = ((lab.pk, o.place_id, o.lot_id, o.line.volume_ul if o.line else 0, *o.facts) for o in openings)
    bulk.insert(Container, ["lab_id", "place_id", "lot_id", "volume_ul", *columns], rows)
    _insert_many(lab, actor, now, [Posting(happened_at, [o.line]) for o in openings if o.line is not None])


def _insert_many(lab: Lab, actor: User, now: datetime, postings: Sequence[Posting]) -> None:
    """Movements and their flows; balances are the caller's."""
    cells: dict[FlowKey, int] = defaultdict(int)
    texts: dict[int, str] = {}
    months = {p.happened_at: month_in_lab(lab, p.happened_at) for p in postings}
    moments = {moment: bulk.stored(moment) for moment in [*months, now]}
    rows = []
    for posting in postings:
        entry, month = bulk.stored(new_entry_id(now)), months[posting.happened_at]
        for line in posting.lines:
            if line.volume_ul <= 0 or line.reversal_of_id is not None:
                raise ValueError("an amount above zero and no reversal")
            known = id(line.as_entered)
            if known not in texts:
                texts[known] = json.dumps(dict(line.as_entered))
            cells[(line.solvent_id, month, line.source.kind, line.destination.kind)] += line.volume_ul
            rows.append((
                lab.pk, entry, line.kind, line.lot_id, line.solvent_id, line.source.place_id,
                line.destination.place_id, line.volume_ul, line.u_volume_ul, month,
                moments[posting.happened_at], moments[now], actor.pk, texts[known], None, line.note,
            ))  # fmt: skip
    bulk.insert(Movement, _COLUMNS.split(", "), rows)
    add_flows(lab.pk, cells)

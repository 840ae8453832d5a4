"""Posting a movement: the service beside the same statements on the bare driver."""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass
from itertools import cycle, islice
from typing import Any

from django.db import connection

from inventory.models import Container, Movement
from inventory.services import volumes
from inventory.services.ledger import End
from tests import factories
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result, ratio_at_most
from tests.bench.timing import Stopwatch, alternate

BOTTLES = {"small": 100, "full": 2_000}
DRAWS = {"small": 40, "full": 200}
ROUNDS = {"small": 4, "full": 15}
#: everyday amounts, in turn; their sum is what both sides must have taken
AMOUNTS_UL = [*range(100, 600, 10)]

UPDATE = (
    "UPDATE inventory_container SET volume_ul = volume_ul + %s, lot_id = %s, version = version + 1 "
    "WHERE place_id = %s AND lab_id = %s AND COALESCE(lot_id, 0) = %s AND discarded_at IS NULL "
    "AND volume_ul + %s >= 0 AND volume_ul + %s <= capacity_ul"
)
INSERT = (
    "INSERT INTO inventory_movement (lab_id, entry, kind, lot_id, solvent_id, source_id, destination_id, "
    "volume_ul, u_volume_ul, flow_month, happened_at, recorded_at, actor_id, as_entered, reversal_of_id, "
    "note) VALUES (" + ", ".join(["%s"] * 16) + ") RETURNING id"
)
UPSERT = (
    "INSERT INTO inventory_flow (lab_id, solvent_id, month, source_kind, destination_kind, volume_ul) "
    "VALUES (%s, %s, %s, %s, %s, %s) "
    "ON CONFLICT (lab_id, solvent_id, month, source_kind, destination_kind) "
    "DO UPDATE SET volume_ul = inventory_flow.volume_ul + excluded.volume_ul"
)


@dataclass(frozen=True)
class Draw:
    """What is posted on both sides: the same row, but for its container and entry."""

    row: tuple[Any, ...]
    lot_id: int
    solvent_id: int
    lab_id: int

    @classmethod
    def like(cls, movement: Movement) -> Draw:
        """The values that the service stored, as the driver takes them."""
        sqlite = connection.vendor == "sqlite"
        month = movement.flow_month.isoformat()
        moments: list[Any] = [movement.happened_at, movement.recorded_at]
        if sqlite:
            moments = [f"{moment:%Y-%m-%d %H:%M:%S}" for moment in moments]
        row = (
            movement.lab_id, None, movement.kind, movement.lot_id, movement.solvent_id, None,
            movement.destination_id, movement.volume_ul, movement.u_volume_ul, month, *moments,
            movement.actor_id, json.dumps(movement.as_entered), None, movement.note,
        )  # fmt: skip
        return cls(row, movement.lot_id, movement.solvent_id, movement.lab_id)

    def post(self, raw: Raw, place_id: int, volume_ul: int) -> int:
        """Begin, update, insert, upsert, commit; returns the movement's id."""
        delta, row, entry = -volume_ul, self.row, uuid.uuid4()
        raw.execute(raw.begin)
        done = raw.execute(UPDATE, (delta, self.lot_id, place_id, self.lab_id, self.lot_id, delta, delta))
        if done.rowcount != 1:
            raise AssertionError("the floor's draw was refused")
        values = (
            row[0],
            entry.hex if raw.sqlite else entry,
            *row[2:5],
            place_id,
            row[6],
            volume_ul,
            *row[8:],
        )
        movement_id: int = raw.execute(INSERT, values).fetchall()[0][0]
        raw.execute(UPSERT, (self.lab_id, self.solvent_id, row[9], "container", "reaction", volume_ul))
        raw.execute("COMMIT")
        return movement_id


def stock(club: factories.Club, count: int) -> list[Container]:
    """Opened bottles of ether, alike."""
    bottle = factories.stocked(club, "diethyl-ether", "900 mL", code="DRAW-0")
    data.copy_bottles(bottle, count - 1, "DRAW-")
    data.settle()
    return list(Container.objects.select_related("lot__solvent").filter(code__startswith="DRAW-"))


def amount(volume_ul: int) -> dict[str, str]:
    """What a person sends for that volume."""
    return {"value": f"{volume_ul / 1000:.3f}", "unit": "mL", "instrument": "cylinder-a-10"}


def service_draw(club: factories.Club, end: End, container: Container, volume_ul: int) -> None:
    volumes.draw(
        lab=club.lab,
        actor=club.member,
        now=data.NOW,
        container=container,
        amount=amount(volume_ul),
        destination=end,
    )


def measure(size: str) -> list[Result]:
    club, raw = data.the_club(), Raw()
    bottles, end = stock(club, BOTTLES[size]), club.end("reaction")
    service_draw(club, end, bottles[0], AMOUNTS_UL[0])
    draw = Draw.like(Movement.objects.filter(kind="draw").latest("id"))
    half, drawn = len(bottles) // 2, [*islice(cycle(AMOUNTS_UL), DRAWS[size])]
    before = [held(bottles[:half]), held(bottles[half:])]

    def floor(watch: Stopwatch) -> None:
        for number, volume_ul in enumerate(drawn):
            with watch.running():
                draw.post(raw, bottles[number % half].place_id, volume_ul)

    def ours(watch: Stopwatch) -> None:
        for number, volume_ul in enumerate(drawn):
            with watch.running():
                service_draw(club, end, bottles[half + number % half], volume_ul)

    pair = alternate(floor, ours, rounds=ROUNDS[size])
    raw.close()
    taken = [before[0] - held(bottles[:half]), before[1] - held(bottles[half:])]
    expected = (ROUNDS[size] + 1) * sum(drawn)
    assert taken == [expected, expected], f"taken {taken}, expected {expected} on both sides"
    data.check_balances()
    result = Result(
        "post a movement, service", connection.vendor, BOTTLES[size], "ms", pair.floor_ms, pair.ours_ms
    )
    return [ratio_at_most(result, 3)]


def held(bottles: list[Container]) -> int:
    """What these bottles hold together, in µl."""
    return sum(Container.objects.filter(pk__in=[b.pk for b in bottles]).values_list("volume_ul", flat=True))

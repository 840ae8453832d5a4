"""What was put into a container, read in part where that is enough, comes to the same as all of it read."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import datetime, time, timedelta
from decimal import Decimal
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest

from inventory.models import Container, Movement
from inventory.rules import deciding
from inventory.rules.forecast import READINGS_MIN
from inventory.rules.peroxide import Reading
from inventory.services import forecasting, readings
from inventory.services.facts import containers_with
from tests import factories as make

pytestmark = pytest.mark.django_db
KINDS = ("put-back", "put-back", "pour", "count", "weigh", "receive")
INSTRUMENTS = ("cylinder-b-500", "cylinder-b-500", "estimate", None)
HOUR = timedelta(hours=1)


@pytest.fixture
def bottles() -> list[Container]:
    club = make.club()
    return [make.stocked(club, "tetrahydrofuran", inhibited=True) for _ in range(3)]


def history(dice: random.Random, bottles: Sequence[Container], length: int) -> None:
    """Inflows within some days, many in one hour, recorded then or later; some were booked back."""
    template = Movement.objects.filter(destination=bottles[0].place_id).get()
    made: list[Movement] = []
    for _ in range(length):
        at = make.NOW + dice.randrange(12 * 24) * HOUR
        kind = dice.choice(KINDS)
        row = Movement(
            lab=template.lab, entry=uuid4(), kind=kind, lot=template.lot, solvent=template.solvent,
            source=template.source, destination_id=dice.choice(bottles).place_id, actor=template.actor,
            volume_ul=dice.choice([500, 1000, 4000, 9000]), u_volume_ul=dice.choice([0, 1000, 2500]),
            flow_month=template.flow_month, happened_at=at,
            recorded_at=at + dice.choice([0, 0, 1, 30, 200]) * HOUR,
            as_entered={"instrument": dice.choice(INSTRUMENTS)},
        )  # fmt: skip
        made.append(row)
    Movement.objects.bulk_create(made)
    for undone in dice.sample(made, length // 8):
        Movement.objects.create(
            lab=undone.lab, entry=uuid4(), kind="reversal", lot=undone.lot, solvent=undone.solvent,
            source_id=undone.destination_id, destination=undone.source, actor=undone.actor,
            volume_ul=undone.volume_ul, u_volume_ul=0, flow_month=undone.flow_month,
            happened_at=undone.happened_at, recorded_at=undone.recorded_at, reversal_of=undone,
        )  # fmt: skip


def reading_of(dice: random.Random, bottle: Container, number: int) -> deciding.Tested:
    at = make.NOW + dice.randrange(13 * 24) * HOUR
    recorded_at = at + dice.choice([0, 0, 5, 60]) * HOUR
    day = at.astimezone(ZoneInfo(bottle.lab.time_zone)).date()
    reading = Reading(Decimal(0), Decimal(1), "strip-25", day, None)
    return deciding.Tested(number, bottle.pk, bottle.lot_id or 0, reading, recorded_at, day, None, make.NOW)


@pytest.mark.parametrize("seed", range(12))
def test_the_last_inflows_begin_the_same_line_as_all_of_them(
    bottles: list[Container], monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    dice = random.Random(seed)
    history(dice, bottles[:2], 60)
    for bottle in containers_with([each.pk for each in bottles]):
        for read in (1, 3, 9, 27, 256):
            monkeypatch.setattr(forecasting, "LAST_INFLOWS", read)
            tests = [reading_of(dice, bottle, n) for n in range(dice.randrange(READINGS_MIN + 6))]
            every = forecasting.mixings([bottle]).get(bottle.place_id, ())
            some = forecasting.deciding_mixings(bottle, tests)
            assert forecasting._since_reset(bottle, tests, some) == forecasting._since_reset(
                bottle, tests, every
            )


@pytest.mark.parametrize("seed", range(12))
def test_what_was_mixed_in_is_the_same_as_by_each_movement(bottles: list[Container], seed: int) -> None:
    dice = random.Random(seed)
    history(dice, bottles, dice.choice([3, 8, 60]))
    held = containers_with([each.pk for each in bottles])
    for _ in range(8):
        own = {bottle.pk: reading_of(dice, bottle, 1) for bottle in held if dice.random() < 0.8}
        assert readings.mixed_in(own, held) == by_each(own, held)


def by_each(own: dict[int, deciding.Tested], held: Sequence[Container]) -> set[int]:
    """By every single movement, in Python: whatever is poured in, and counts beyond their uncertainty."""
    found = set()
    for bottle in held:
        if bottle.pk not in own:
            continue
        (start, end), crept = day_of(own[bottle.pk], bottle), 0
        for row in Movement.objects.filter(destination=bottle.place_id).order_by("pk"):
            at, late = row.happened_at, row.recorded_at > own[bottle.pk].recorded_at
            if row.kind == "receive" or row.reversal_of_id or hasattr(row, "reversed_by"):
                continue
            if at < start or (at < end and not late):
                continue
            crept += row.volume_ul
            by_instrument = row.as_entered.get("instrument") in ("cylinder-b-500",)
            counted = row.kind in ("count", "weigh") and by_instrument
            if crept > (2 * row.u_volume_ul if counted else 0):
                found.add(bottle.pk)
    return found


def day_of(test: deciding.Tested, bottle: Container) -> tuple[datetime, datetime]:
    zone, day = ZoneInfo(bottle.lab.time_zone), test.recorded_on
    start, end = (datetime.combine(each, time.min, tzinfo=zone) for each in (day, day + timedelta(days=1)))
    return start, end

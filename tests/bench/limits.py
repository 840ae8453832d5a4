"""The sweep's rules on limits and stock levels, nothing exceeded and nothing low, beside one plain sum.

Both add up what stands there, so what they cost grows with the stock of the labs that have any. The floor is
the bare statement that adds up the same bottles once.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

from django.db import connection

from inventory.models import Alert, Container, StockLevel
from inventory.services import limits, sweep
from inventory.services.places import location_get
from inventory.services.watches import LEVEL_WATCHES, LIMIT_WATCHES, Watch
from tests import factories
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result
from tests.bench.timing import Stopwatch, alternate

SIZES = {"small": (500, 2_000), "full": (1_000, 10_000)}
ROUNDS = {"small": 5, "full": 21}
NOW = datetime(2026, 3, 10, 14, 30, tzinfo=UTC)
SUM = (
    "SELECT SUM(c.volume_ul) FROM inventory_container c JOIN inventory_lot o ON o.id = c.lot_id "
    "WHERE c.discarded_at IS NULL AND c.volume_ul > 0 AND o.lab_id = %s"
)


def measure(size: str) -> list[Result]:
    club = data.the_club()
    (bottle,) = data.tested_bottles(club, {"not": date(2026, 3, 1)}).values()
    room = location_get(lab=club.lab, name="Prep room", kind="room")
    Container.objects.filter(pk=bottle.pk).update(location=room)
    own = limits.OwnLimit(name="Our room", limit_ul=10**12, code="house rule", source="the club")
    limits.limit_own(lab=club.lab, actor=club.supervisor, now=NOW, location=room, limit=own)
    StockLevel.objects.create(lab=club.lab, solvent=factories.solvent("diethyl-ether"), minimum_ul=1)
    results, made = [], 1
    for count in SIZES[size]:
        data.copy_bottles(bottle, count - made, f"not-{made}-")
        made = count
        data.settle()
        for name, watches in (("over limit", LIMIT_WATCHES), ("low stock", LEVEL_WATCHES)):
            told = f"sweep of sums, {name}, none"
            results.append(quiet(told, count, ROUNDS[size], list(watches), club.lab.pk))
    return results


def quiet(name: str, count: int, rounds: int, watches: list[Watch], lab_id: int) -> Result:
    raw = Raw()

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            raw.execute(SUM, (lab_id,))

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            sweep.sweep(now=NOW, watches=watches)

    pair = alternate(floor, ours, rounds=rounds)
    raw.close()
    assert not Alert.objects.exists()
    return Result(name, connection.vendor, count, "ms", pair.floor_ms, pair.ours_ms)

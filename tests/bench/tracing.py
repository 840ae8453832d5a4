"""A trace through 20 generations beside a growing ledger that has nothing to do with it.

The floor is what the bare driver takes for the same walks and the balances of the lots met, without working
out any share.
"""

from __future__ import annotations

from typing import Any

from django.db import connection

from inventory.models import Container, Flow, Lot, LotParent, Movement, Place
from inventory.services import volumes
from recovery.selectors import trace
from recovery.services import runs
from tests import factories
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result, ours_at_most
from tests.bench.timing import Stopwatch, alternate

SIZES = {"small": (1_000, 5_000), "full": (10_000, 100_000, 1_000_000)}
ROUNDS = {"small": 3, "full": 9}
GENERATIONS = 20
GOAL_MS = 100
#: one unrelated lot, poured into the next, for so many unrelated movements
MOVEMENTS_A_LOT = 10
FORTH = (
    "WITH RECURSIVE walk(lot_id) AS (SELECT l.id FROM inventory_lot l WHERE l.id = %s UNION "
    "SELECT p.lot_id FROM walk w JOIN inventory_lotparent p ON p.parent_id = w.lot_id) "
    "SELECT lot_id FROM walk"
)
BACK = (
    "WITH RECURSIVE walk(lot_id) AS (SELECT l.id FROM inventory_lot l WHERE l.id = %s UNION "
    "SELECT p.parent_id FROM walk w JOIN inventory_lotparent p ON p.lot_id = w.lot_id) "
    "SELECT lot_id FROM walk"
)
BALANCES = (
    "SELECT m.lot_id, m.source_id, m.destination_id, SUM(m.volume_ul) FROM inventory_movement m "
    "WHERE m.lot_id IN ({marks}) GROUP BY m.lot_id, m.source_id, m.destination_id"
)


def measure(size: str) -> list[Result]:
    club = data.the_club()
    first, last = _family(club)
    data.busy_bottles(club)
    templates = list(Movement.objects.filter(kind__in=["draw", "put-back"]).order_by("id"))
    edge = _unrelated_edge(club)
    results = []
    for movements in SIZES[size]:
        missing = movements - Movement.objects.count()
        data.copy_movements(templates, max(missing // len(templates), 1))
        _copy_lots(edge, max(missing // MOVEMENTS_A_LOT, 1))
        data.settle(Place, Container, Movement, Flow, Lot, LotParent)
        results.append(_measured(first, last, movements, ROUNDS[size]))
    return results


def _family(club: factories.Club) -> tuple[Lot, Lot]:
    """Each generation is distilled of the last one and topped up with some of a bottle that was bought."""
    by: dict[str, Any] = {"lab": club.lab, "actor": club.steward, "now": data.NOW}
    bottle = factories.stocked(club, "ethyl-acetate", "900 mL")
    fresh = factories.stocked(club, "ethyl-acetate", "900 mL")
    lots = [bottle.lot]
    for _ in range(GENERATIONS // 2):
        run, flask = runs.run_start(**by, purpose="leaf pigments"), factories.empty(club)
        held = factories.fresh(bottle)
        runs.charge(**by, run=run, container=held, amount=_ul(held.volume_ul * 9 // 10))
        runs.give_back(**by, run=run, container=flask, amount=_ul(held.volume_ul * 8 // 10))
        runs.run_close(**by, run=run)
        volumes.pour(**by, source=factories.fresh(fresh), into=factories.fresh(flask), amount="20 mL")
        bottle = factories.fresh(flask)
        lots.append(bottle.lot)
    assert lots[0] is not None and lots[-1] is not None
    return lots[0], lots[-1]


def _ul(volume_ul: int) -> dict[str, str]:
    return {"value": str(volume_ul), "unit": "uL"}


def _unrelated_edge(club: factories.Club) -> LotParent:
    """A blend of two other lots; its edge is what the copies are made from."""
    by: dict[str, Any] = {"lab": club.lab, "actor": club.steward, "now": data.NOW}
    one, other = factories.stocked(club, "acetone"), factories.stocked(club, "acetone")
    volumes.pour(**by, source=one, into=factories.fresh(other), amount="10 mL")
    return LotParent.objects.latest("pk")


def _copy_lots(edge: LotParent, count: int) -> None:
    """More lots in a long line, each made of the one before."""
    lots, edges = data._top(Lot), data._top(LotParent)
    data.copy_row(Lot, edge.lot_id, count, id=f"{lots} + n.i")
    ends = {"lot_id": f"{lots} + n.i", "parent_id": f"{lots} + n.i - 1"}
    data.copy_row(LotParent, edge.pk, count, id=f"{edges} + n.i", **ends)


def _measured(first: Lot, last: Lot, movements: int, rounds: int) -> Result:
    raw = Raw()
    answers: dict[str, Any] = {}

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            forth = [row[0] for row in raw.execute(FORTH, (first.pk,)).fetchall()]
            back = [row[0] for row in raw.execute(BACK, (last.pk,)).fetchall()]
            raw.execute(BALANCES.format(marks=", ".join(["%s"] * len(forth))), forth).fetchall()
        answers["floor"] = (set(forth), set(back))

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            forth, back = trace.descent(lot=first), trace.ancestry(lot=last)
        answers["ours"] = (set(forth.steps), set(back.steps))
        answers["deepest"] = max(back.steps.values())

    pair = alternate(floor, ours, rounds=rounds)
    raw.close()
    assert answers["floor"] == answers["ours"], "the trace met other lots than the bare walk"
    assert answers["deepest"] == GENERATIONS
    count = Movement.objects.count()
    name = f"trace of a lot, {GENERATIONS} generations"
    result = Result(name, connection.vendor, count, "ms", pair.floor_ms, pair.ours_ms)
    return ours_at_most(result, GOAL_MS) if movements == max(SIZES["full"]) else result

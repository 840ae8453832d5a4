"""Where every millilitre of a lot came from and went: through blends and distillations, to any depth.

What it costs grows with the answer: every statement starts at the lots and runs that belong to it and reads
by an index, whatever else the ledger holds.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, TypeVar

from django.db import connection

from inventory.models import LOST_TO, Container, Lot, PlaceKind
from inventory.rules.errors import Conflict
from recovery.models import Run
from recovery.rules import lineage as rules
from recovery.rules.lineage import CircleError, LotFact
from recovery.rules.whereabouts import Balance, RunFlows, Whereabouts, whereabouts
from recovery.selectors.lot_walk import ahead, behind, chunks, origins_of

T = TypeVar("T")

_BALANCES = (
    "SELECT x.lot_id, x.place_id, p.kind, SUM(x.volume_ul) FROM ("
    " SELECT m.lot_id, m.destination_id AS place_id, m.volume_ul FROM inventory_movement m"
    " WHERE m.lot_id IN ({ids})"
    " UNION ALL SELECT m.lot_id, m.source_id, -m.volume_ul FROM inventory_movement m"
    " WHERE m.lot_id IN ({ids})"
    ") x JOIN inventory_place p ON p.id = x.place_id "
    "GROUP BY x.lot_id, x.place_id, p.kind ORDER BY x.lot_id, x.place_id"
)
# What is booked back runs the other way: it is taken off the way it went first.
_RUN_FLOWS = (
    "SELECT x.place_id, x.lot_id, x.other, x.way_in, SUM(x.volume_ul) FROM ("
    " SELECT m.destination_id AS place_id, m.lot_id, p.kind AS other,"
    "  CASE WHEN m.reversal_of_id IS NULL THEN 1 ELSE 0 END AS way_in,"
    "  CASE WHEN m.reversal_of_id IS NULL THEN m.volume_ul ELSE -m.volume_ul END AS volume_ul"
    " FROM inventory_movement m JOIN inventory_place p ON p.id = m.source_id"
    " WHERE m.destination_id IN ({ids})"
    " UNION ALL SELECT m.source_id, m.lot_id, p.kind,"
    "  CASE WHEN m.reversal_of_id IS NULL THEN 0 ELSE 1 END,"
    "  CASE WHEN m.reversal_of_id IS NULL THEN m.volume_ul ELSE -m.volume_ul END"
    " FROM inventory_movement m JOIN inventory_place p ON p.id = m.destination_id"
    " WHERE m.source_id IN ({ids})"
    ") x GROUP BY x.place_id, x.lot_id, x.other, x.way_in"
)


@dataclass(frozen=True)
class Ancestry:
    """What a lot was made of. steps: lot → generations back, itself 0; volumes: of it, through each lot.

    whole_ul: what its parents came to, 0 for a lot without any. by_origin: where the line ends.
    """

    whole_ul: int
    steps: Mapping[int, int]
    volumes_ul: Mapping[int, int]
    by_origin: Mapping[str, int]


@dataclass(frozen=True)
class Descent:
    """What became of a lot. shares: lot → the part of it that is liquid of this one; itself 1.

    made_ul: lot → what its parents came to. where: None when only some generations were asked for.
    """

    steps: Mapping[int, int]
    shares: Mapping[int, Fraction]
    made_ul: Mapping[int, int]
    where: Whereabouts | None


@dataclass(frozen=True)
class Passed:
    """Where a lot was: containers (id, code, µl of it there now) and runs (ids)."""

    containers: tuple[tuple[int, str, int], ...]
    runs: tuple[int, ...]


def ancestry(*, lot: Lot, generations: int | None = None) -> Ancestry:
    """Back to the lots without parents, or as many generations. Raises Conflict for a circle, or too much."""
    family = behind([lot.pk], generations=generations)
    volumes = _walkable(lambda: rules.made_of(family, lot.pk))
    steps = rules.generations(family, lot.pk, back=True)
    roots = {pk: ul for pk, ul in volumes.items() if pk not in family.parents and pk != lot.pk}
    origins = origins_of(sorted(roots))
    by_origin: dict[str, int] = defaultdict(int)
    for pk, volume_ul in roots.items():
        by_origin[origins[pk]] += volume_ul
    return Ancestry(volumes[lot.pk], steps, volumes, dict(sorted(by_origin.items())))


def descent(*, lot: Lot, generations: int | None = None) -> Descent:
    """Forth through all that was made of a lot, or as many generations of it; paths longer than that count
    nothing. Raises Conflict for a circle, or too much."""
    family = ahead([lot.pk], generations=generations)
    shares = _walkable(lambda: rules.shares_of(family, lot.pk))
    steps = rules.generations(family, lot.pk, back=False)
    shares = {pk: shares.get(pk, Fraction()) for pk in steps}
    made = {edge.lot: edge.whole_ul for edge in family.edges}
    where = None if generations is not None else _where(lot.pk, shares)
    return Descent(steps, shares, made, where)


def times_distilled_in(*, container: Container) -> dict[int, int]:
    """How often distilled → µl of what is in a container now; empty when it holds nothing."""
    if container.lot_id is None or not container.volume_ul:
        return {}
    family = behind([container.lot_id])
    lots = {container.lot_id} | {edge.parent for edge in family.edges} | {edge.lot for edge in family.edges}
    facts: dict[int, LotFact] = {}
    for chunk in chunks(sorted(lots)):
        rows = Lot.objects.filter(pk__in=chunk).values_list("pk", "origin", "times_distilled")
        facts.update((pk, LotFact(origin, times)) for pk, origin, times in rows)
    start = container.lot_id
    spread = _walkable(lambda: rules.times_distilled(family, start, facts))
    return rules.split_by_shares(container.volume_ul, spread)


def passed_by(lot_ids: Sequence[int]) -> dict[int, Passed]:
    """For each lot the containers and runs that it went through; four statements for a page of lots."""
    balances = balances_of(lot_ids)
    places = {b.place for b in balances}
    held = Container.objects.filter(place_id__in=places).values_list("place_id", "pk", "code")
    containers = {place: (pk, code) for place, pk, code in held}
    runs = dict(Run.objects.filter(place_id__in=places).values_list("place_id", "pk"))
    by_lot: dict[int, list[Balance]] = defaultdict(list)
    for balance in balances:
        by_lot[balance.lot].append(balance)
    return {
        lot: Passed(
            tuple((*containers[b.place], b.volume_ul) for b in by_lot[lot] if b.place in containers),
            tuple(sorted(runs[b.place] for b in by_lot[lot] if b.place in runs)),
        )
        for lot in lot_ids
    }


def balances_of(lot_ids: Iterable[int]) -> list[Balance]:
    """What every place holds of these lots, places that hold nothing of one any more with 0."""
    rows = _in_chunks(_BALANCES, sorted(lot_ids))
    return [Balance(lot, place, kind, int(volume_ul)) for lot, place, kind, volume_ul in rows]


def _where(start: int, shares: Mapping[int, Fraction]) -> Whereabouts:
    lots = [lot for lot, share in shares.items() if share]
    balances = balances_of(lots)
    runs = run_flows({b.place for b in balances if b.kind == PlaceKind.RUN})
    whole = sum(edge.volume_ul for edge in behind([start], generations=1).edges)
    return whereabouts(start, whole, shares, balances, runs)


def run_flows(places: Iterable[int]) -> list[RunFlows]:
    """What went through these runs, by their places."""
    charged: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    made: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    lost: dict[int, dict[str, dict[int, int]]] = defaultdict(lambda: defaultdict(lambda: defaultdict(int)))
    places = sorted(places)
    for place, lot, other, way_in, volume_ul in _in_chunks(_RUN_FLOWS, places):
        if other in LOST_TO:
            lost[place][other][lot] += -int(volume_ul) if way_in else int(volume_ul)
        else:
            (charged if way_in else made)[place][lot] += int(volume_ul)
    return [RunFlows(place, charged[place], made[place], lost[place]) for place in places]


def _in_chunks(sql: str, ids: Sequence[int]) -> list[tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = []
    with connection.cursor() as cursor:
        for chunk in chunks(ids):
            cursor.execute(sql.format(ids=", ".join(["%s"] * len(chunk))), [*chunk, *chunk])
            found += cursor.fetchall()
    return found


def _walkable(work: Callable[[], T]) -> T:
    """What is worked out, or Conflict when the records go round in a circle."""
    try:
        return work()
    except CircleError as error:
        raise Conflict(
            "lot",
            "lots-in-a-circle",
            "By the records some lots are made of themselves.",
            "Have whoever runs the server look at the parents of this lot.",
        ) from error

"""The ledger report of one lab: from the monthly flows, beside a GROUP BY over the movements."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from django.db import connection

from inventory.models import LOSSES, Container, Flow, Movement, Place
from recovery.selectors.report import LedgerRow, ledger_report
from tests import factories
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result, ratio_at_most
from tests.bench.timing import Stopwatch, alternate

SIZES = {"small": (1_000, 5_000), "full": (10_000, 100_000, 1_000_000)}
ROUNDS = {"small": 3, "full": 7}
GROUPED = (
    "SELECT v.key, m.flow_month, s.kind, d.kind, SUM(m.volume_ul) "
    "FROM inventory_movement m JOIN inventory_place s ON s.id = m.source_id "
    "JOIN inventory_place d ON d.id = m.destination_id JOIN inventory_solvent v ON v.id = m.solvent_id "
    "WHERE m.lab_id = %s GROUP BY v.key, m.flow_month, s.kind, d.kind"
)


def measure(size: str) -> list[Result]:
    club = data.the_club()
    data.busy_bottles(club)
    templates = list(Movement.objects.filter(kind__in=["draw", "put-back"]).order_by("id"))
    bottles = Container.objects.count()
    results = []
    for movements in SIZES[size]:
        missing = movements - Movement.objects.count()
        data.copy_movements(templates, max(missing // len(templates), 1))
        data.settle(Place, Container, Movement, Flow)
        results.append(_measured(club, movements, ROUNDS[size]))
    assert Container.objects.count() == bottles
    data.check_balances()
    return results


def _measured(club: factories.Club, movements: int, rounds: int) -> Result:
    raw = Raw()
    answers: dict[str, Any] = {}

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            answers["floor"] = raw.execute(GROUPED, (club.lab.pk,)).fetchall()

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            answers["ours"] = ledger_report(lab=club.lab)

    pair = alternate(floor, ours, rounds=rounds)
    raw.close()
    assert from_cells(answers["floor"]) == from_rows(answers["ours"]), "the report differs from the movements"
    count = Movement.objects.count()
    result = Result("ledger report", connection.vendor, count, "ms", pair.floor_ms, pair.ours_ms)
    return ratio_at_most(result, 1 / 20) if movements == max(SIZES["full"]) else result


Sums = dict[tuple[str, str, str, str], int]


def from_cells(cells: Iterable[tuple[Any, ...]]) -> Sums:
    """(solvent, month, way, kind) → µl, from sums over the movements; worked out apart from the report."""
    sums: Counter[tuple[str, str, str, str]] = Counter()
    for solvent, month, source, destination, volume_ul in cells:
        key = (solvent, str(month))
        if source == "container" != destination:
            sums[(*key, "out", destination)] += int(volume_ul)
        elif destination == "container" != source:
            sums[(*key, "in", source)] += int(volume_ul)
        elif source == "run" and destination in LOSSES:
            sums[(*key, "lost", destination)] += int(volume_ul)
    return dict(sums)


def from_rows(rows: Iterable[LedgerRow]) -> Sums:
    sums: Sums = {}
    for row in rows:
        key = (row.solvent, str(row.month))
        for way, parts in (("in", row.into_ul), ("out", row.out_of_ul), ("lost", row.lost_ul)):
            sums |= {(*key, way, kind): volume_ul for kind, volume_ul in parts.items()}
    return sums

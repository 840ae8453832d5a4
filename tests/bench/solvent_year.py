"""The solvent balance of a year: from the monthly flows, beside a GROUP BY over that year's movements."""

from __future__ import annotations

from collections import Counter
from datetime import date
from typing import Any

from django.db import connection

from inventory.models import Container, Flow, Movement, Place
from recovery.rules.solvent_balance import Report
from recovery.selectors.solvent_balance import solvent_balance
from tests import factories
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result, ratio_at_most
from tests.bench.timing import Stopwatch, alternate

SIZES = {"small": (1_000, 5_000), "full": (100_000, 1_000_000, 5_000_000)}
ROUNDS = {"small": 3, "full": 5}
SINCE, UNTIL = date(2025, 4, 1), date(2026, 3, 1)
GROUPED = (
    "SELECT v.key, s.kind, d.kind, SUM(m.volume_ul) "
    "FROM inventory_movement m JOIN inventory_place s ON s.id = m.source_id "
    "JOIN inventory_place d ON d.id = m.destination_id JOIN inventory_solvent v ON v.id = m.solvent_id "
    "WHERE m.lab_id = %s AND m.flow_month >= %s AND m.flow_month <= %s GROUP BY v.key, s.kind, d.kind"
)


def measure(size: str) -> list[Result]:
    club = data.the_club()
    data.busy_bottles(club)
    templates = list(Movement.objects.filter(kind__in=["draw", "put-back"]).order_by("id"))
    results = []
    for movements in SIZES[size]:
        missing = movements - Movement.objects.count()
        data.copy_movements(templates, max(missing // len(templates), 1))
        data.settle(Place, Container, Movement, Flow)
        results.append(_measured(club, movements, ROUNDS[size]))
    data.check_balances()
    return results


def _measured(club: factories.Club, movements: int, rounds: int) -> Result:
    raw = Raw()
    answers: dict[str, Any] = {}
    period = (SINCE, UNTIL) if connection.vendor == "postgresql" else (SINCE.isoformat(), UNTIL.isoformat())

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            answers["floor"] = raw.execute(GROUPED, (club.lab.pk, *period)).fetchall()

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            answers["ours"] = solvent_balance(lab=club.lab, since=SINCE, until=UNTIL)

    pair = alternate(floor, ours, rounds=rounds)
    raw.close()
    report: Report = answers["ours"]
    moved = Counter({(s, source, end): int(ul) for s, source, end, ul in answers["floor"]})
    assert moved == _moved(report), "the report differs from the movements"
    assert report.total.difference == 0
    count = Movement.objects.count()
    result = Result("solvent balance of a year", connection.vendor, count, "ms", pair.floor_ms, pair.ours_ms)
    return ratio_at_most(result, 1 / 20) if movements == max(SIZES["full"]) else result


def _moved(report: Report) -> Counter[tuple[str, str, str]]:
    return Counter(
        {
            (solvent.key, flow.source, flow.destination): flow.volume_ul
            for solvent in report.solvents
            for flow in solvent.flows
        }
    )

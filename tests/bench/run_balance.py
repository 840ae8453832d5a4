"""The balance of one run among many movements, with predictions, beside one SQL sum over its movements."""

from __future__ import annotations

from typing import Any

from django.db import connection

from inventory.models import Container, Flow, Movement, Place
from recovery.models import Run
from recovery.selectors.balances import run_balances
from recovery.services import return_states
from recovery.services.kinds import kind_named
from recovery.services.run_facts import tell
from tests import factories
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result, ours_at_most
from tests.bench.timing import Stopwatch, alternate
from tests.recovery.club import Still

SIZES = {"small": (1_000, 5_000), "full": (10_000, 100_000, 1_000_000)}
ROUNDS = {"small": 5, "full": 31}
CHARGES, RETURNS = 6, 3
SUMMED = (
    "SELECT SUM(CASE WHEN m.destination_id = p.id THEN m.volume_ul ELSE 0 END), "
    "SUM(CASE WHEN m.source_id = p.id AND d.kind = 'container' THEN m.volume_ul ELSE 0 END) "
    "FROM inventory_place p JOIN inventory_movement m ON m.destination_id = p.id OR m.source_id = p.id "
    "JOIN inventory_place d ON d.id = m.destination_id WHERE p.id = %s"
)


def measure(size: str) -> list[Result]:
    club = data.the_club()
    run = _run(club)
    data.busy_bottles(club)
    templates = list(Movement.objects.filter(kind__in=["draw", "put-back"]).order_by("id"))
    results = []
    for movements in SIZES[size]:
        missing = movements - Movement.objects.count()
        data.copy_movements(templates, max(missing // len(templates), 1))
        data.settle(Place, Container, Movement, Flow)
        results.append(_measured(run, movements == max(SIZES["full"]), ROUNDS[size]))
    data.check_balances()
    return results


def _measured(run: Run, is_goal: bool, rounds: int) -> Result:
    raw = Raw()
    answers: dict[str, Any] = {}

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            answers["floor"] = raw.execute(SUMMED, (run.place_id,)).fetchall()[0]

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            (answers["ours"],) = run_balances(lab=run.lab, run=run)

    pair = alternate(floor, ours, rounds=rounds)
    raw.close()
    found = answers["ours"].balance
    sums = tuple(int(value) for value in answers["floor"])
    assert sums == (found.charged.volume_ul, found.returned.volume_ul), "the balance differs from the sums"
    count = Movement.objects.count()
    result = Result("balance of a run", connection.vendor, count, "ms", pair.floor_ms, pair.ours_ms)
    return ours_at_most(result, 25) if is_goal else result


def _run(club: factories.Club) -> Run:
    """A closed extraction with several charges, wet returns and all facts that predictions use."""
    still = Still(club)
    run = still.start(kind=kind_named(lab=club.lab, ref="liquid-liquid-extraction"))
    facts = {"water-volume": "200 mL", "contacts": 3, "take-over-time": "60 min", "transfers": 4}
    tell(**still.at(), run=run, facts=facts)
    bottle, flask = still.bottle(amount="900 mL"), still.flask()
    out: Any = {"value": "100", "unit": "mL", "instrument": "cylinder-b-250"}
    back: Any = {"value": "160", "unit": "mL", "instrument": "cylinder-b-250"}
    for _ in range(CHARGES):
        still.charge(run, bottle, out)
    for _ in range(RETURNS):
        posted = still.back(run, flask, back)
        return_states.state_tell(**still.at(), run=run, entry=posted.entry, state="wet")
    still.close(run)
    return Run.objects.select_related("kind", "lab").get(pk=run.pk)

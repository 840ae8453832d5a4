"""The sweep: with a twentieth of the stock due beside one INSERT ... SELECT, and with nothing due."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from django.db import connection

from inventory.models import Alert, Container
from inventory.services import sweep as service
from inventory.services.watches import CONTAINER_WATCHES, Watch
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result, ours_at_most, ratio_at_most
from tests.bench.timing import Stopwatch, alternate

SIZES = {"small": (500, 2_000), "full": (10_000, 100_000, 1_000_000)}
ROUNDS = {"small": 3, "full": 5}
QUIET_ROUNDS = {"small": 5, "full": 21}
SHARE_DUE = 20  # one in
#: nothing is due, not even soon; then the bottles opened in January are overdue and those of March are not
QUIET, LATER = datetime(2026, 3, 10, 14, 30, tzinfo=UTC), datetime(2026, 5, 5, 14, 30, tzinfo=UTC)
OPENED = {"due": date(2026, 1, 10), "not": date(2026, 3, 1)}
ALERT = (
    "INSERT INTO inventory_alert (lab_id, rule, subject_kind, subject_id, due_on, opened_at, cured_by) "
    "SELECT lab_id, 'retest-overdue', 'container', id, next_test_due, %s, '' FROM inventory_container "
    "WHERE discarded_at IS NULL AND volume_ul > 0 AND next_test_due IS NOT NULL AND next_test_due < %s"
)


def measure(size: str) -> list[Result]:
    club = data.the_club()
    kinds = data.tested_bottles(club, OPENED)
    results, made = [], dict.fromkeys(kinds, 1)
    for count in SIZES[size]:
        wanted = {"due": count // SHARE_DUE, "not": count - count // SHARE_DUE}
        for name, bottle in kinds.items():
            data.copy_bottles(bottle, wanted[name] - made[name], f"{name}-{made[name]}-")
        made = wanted
        data.settle()
        assert Container.objects.count() == count
        results += quiet(count, QUIET_ROUNDS[size])
    results += due(count, ROUNDS[size])
    data.check_balances()
    return results


def quiet(count: int, rounds: int) -> list[Result]:
    """Every rule together, then each rule alone; the slowest one is the result."""
    together = quiet_pair(rounds, None)
    alone = [quiet_pair(rounds, [watch]) for watch in CONTAINER_WATCHES]
    slowest = max(alone, key=lambda pair: pair[1])
    named = (("sweep, nothing due, all rules", together), ("sweep, nothing due, slowest rule", slowest))
    return [ours_at_most(Result(name, connection.vendor, count, "ms", *pair), 5) for name, pair in named]


def quiet_pair(rounds: int, watches: list[Watch] | None) -> tuple[float, float]:
    """(floor, ours) in ms; the floor is the bare statement that finds nothing."""
    raw = Raw()

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            raw.execute(ALERT, values(raw, QUIET))

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            swept = service.sweep(now=QUIET, watches=watches)
        assert not any(each.opened or each.closed for each in swept.values())

    pair = alternate(floor, ours, rounds=rounds)
    raw.close()
    assert not Alert.objects.exists()
    return pair.floor_ms, pair.ours_ms


def due(count: int, rounds: int) -> list[Result]:
    """A twentieth is due and no alert is open; then the same again, with all of them open."""
    raw = Raw()
    found: dict[str, Any] = {}

    def floor(watch: Stopwatch) -> None:
        empty()
        with watch.running():
            raw.execute(ALERT, values(raw, LATER))
        found["floor"] = alerts()

    def ours(watch: Stopwatch) -> None:
        empty()
        with watch.running():
            service.sweep(now=LATER)
        found["ours"] = alerts()

    def floor_again(watch: Stopwatch) -> None:
        with watch.running():
            raw.execute(f"{ALERT} ON CONFLICT DO NOTHING", values(raw, LATER))

    def ours_again(watch: Stopwatch) -> None:
        with watch.running():
            service.sweep(now=LATER)

    first = alternate(floor, ours, rounds=rounds)
    assert found["floor"] == found["ours"], "the sweep and the bare statement opened different alerts"
    assert len(found["ours"]) == count // SHARE_DUE
    again = alternate(floor_again, ours_again, rounds=rounds)
    assert alerts() == found["ours"], "a second sweep changed something"
    raw.close()
    opened = Result("sweep, 5 % due", connection.vendor, count, "ms", first.floor_ms, first.ours_ms)
    repeated = Result("sweep, 5 % due, again", connection.vendor, count, "ms", again.floor_ms, again.ours_ms)
    return [ratio_at_most(opened, 1.5) if count == max(SIZES["full"]) else opened, repeated]


def values(raw: Raw, now: datetime) -> tuple[Any, Any]:
    return (f"{now:%Y-%m-%d %H:%M:%S}", now.date().isoformat()) if raw.sqlite else (now, now.date())


def empty() -> None:
    data.execute(
        "DELETE FROM inventory_alert" if connection.vendor == "sqlite" else "TRUNCATE inventory_alert CASCADE"
    )


def alerts() -> list[tuple[Any, ...]]:
    """What stands open, without ids, in the order of the subjects."""
    columns = ("lab_id", "rule", "subject_kind", "subject_id", "due_on", "opened_at", "cured_by")
    return list(Alert.objects.filter(closed_at=None).order_by("subject_id").values_list(*columns))

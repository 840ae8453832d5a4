"""Server time of each page of a lab with many containers and movements, beside its own queries alone.

The floor is the page's own statements, kept as they were asked, carried out again by the bare driver on the
same connection, rows fetched and thrown away. What is left is Django, Python and templates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any

from django.conf import settings
from django.db import connection
from django.test import Client, override_settings
from django.utils import timezone

from inventory.models import Container, Flow, Lot, Movement, Place
from inventory.services.importing import import_stock
from recovery.models import Run
from recovery.services.importing import import_runs
from tests.api.seed import Seed, planted
from tests.bench import data
from tests.bench.importing import stock_list
from tests.bench.results import Result, ours_at_most
from tests.bench.timing import Stopwatch, alternate

#: containers, movements, closed runs
SIZES = {"small": (200, 1_000, 20), "full": (10_000, 100_000, 2_000)}
ROUNDS = {"small": 1, "full": 5}
LIMIT_MS = 300
MAIN = ("", "shelf/", "runs/", "runs/{run}/", "containers/{code}/", "recovery/", "solvent-balance/")
FURTHER = (
    "shelf/?q=ether&order=least", "shelf/?order=code", "recovery/?by=apparatus", "recovery/?by=purpose",
    "runs/{run}/close/", "lots/{lot}/", "scan/", "plan/", "labels/", "alerts/", "trail/", "storage/",
    "inspection/", "solvents/", "policies/", "people/", "deliveries/", "apparatus/", "import/",
)  # fmt: skip
RUNS = "Date;Who;What for;Solvent;Out;Back;Remarks"

Statement = tuple[str, Any]


def measure(size: str) -> list[Result]:
    seed = filled(*SIZES[size])
    client = Client(headers={"host": "127.0.0.1"})
    client.force_login(seed.lab.supervisor)
    paths = MAIN if size == "small" else MAIN + FURTHER
    # Nobody has collected the files of the pages here; their addresses are looked up all the same.
    plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    with override_settings(STORAGES={**settings.STORAGES, "staticfiles": plain}):
        results = [_measured(client, path, seed.names, ROUNDS[size]) for path in paths]
    return [ours_at_most(result, LIMIT_MS) if size == "full" else result for result in results]


def filled(containers: int, movements: int, runs: int) -> Seed:
    """A lab with something of every kind, a long stock list, a log of runs, and many draws and put-backs.

    The container that its names lead to was drawn from thousands of times.
    """
    seed = planted(data.the_club())
    by: dict[str, Any] = {
        "lab": seed.lab.lab,
        "actor": seed.lab.steward,
        "now": timezone.now(),
        "write": True,
    }
    import_stock(**by, data=stock_list(containers - Container.objects.count()))
    import_runs(**by, data=run_log(runs))
    busy = data.busy_bottles(seed.lab)
    moved = Movement.objects.filter(kind__in=["draw", "put-back"], lot__in=[bottle.lot_id for bottle in busy])
    data.copy_movements(list(moved), max(movements - Movement.objects.count(), 100) // len(moved))
    data.settle(Place, Container, Movement, Flow, Lot, Run)
    return Seed(seed.lab, seed.names | {"code": busy[0].code})


def run_log(count: int) -> bytes:
    """Runs of two years, of three purposes, that lost between a tenth and a third."""
    first, purposes = date(2024, 9, 1), ("leaf pigments", "fat in oat biscuits", "glassware rinse")
    lines = [RUNS]
    for number in range(count):
        day = first + timedelta(days=number * 700 // count)
        back = 130 + number * 37 % 50
        lines.append(f"{day:%d.%m.%Y};MO;{purposes[number % 3]};Ethyl acetate;200;{back};run {number}")
    return "\n".join(lines).encode()


@contextmanager
def kept() -> Iterator[list[Statement]]:
    """Every statement with its values, as they go to the driver."""
    statements: list[Statement] = []

    def keep(execute: Callable[..., Any], sql: str, values: Any, many: bool, context: Any) -> Any:
        statements.append((sql, values))
        return execute(sql, values, many, context)

    with connection.execute_wrapper(keep):
        yield statements


def replayed(statements: list[Statement]) -> None:
    """The same again by the bare driver; the connection is Django's, with its functions and types."""
    bare, written = connection.connection, connection.cursor().cursor
    for sql, values in statements:
        if connection.vendor == "sqlite" and values is not None:
            sql = written.convert_query(sql, param_names=[*values] if isinstance(values, Mapping) else None)
        cursor = bare.execute(sql) if values is None else bare.execute(sql, values)
        if cursor.description:
            cursor.fetchall()


def _measured(client: Client, path: str, names: dict[str, str], rounds: int) -> Result:
    address = f"/labs/{names['lab']}/{path.format(**names)}"
    with kept() as statements:
        answer = client.get(address)
    assert answer.status_code == 200, address

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            replayed(statements)

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            client.get(address)

    pair = alternate(floor, ours, rounds=rounds)
    name = f"page, {path or 'today'} ({len(statements)} queries)"
    return Result(name, connection.vendor, Movement.objects.count(), "ms", pair.floor_ms, pair.ours_ms)

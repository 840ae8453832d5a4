"""Server time of each page of a lab with many containers and movements, beside its own queries alone.

The floor is the page's own statements, kept as they were asked, carried out again by the bare driver on the
same connection, rows fetched and thrown away. What is left is Django, Python and templates. Each page has two
lines: by the clock, and in processor time of this process, in which PostgreSQL's own work does not show. A
page that asks little has a high ratio, since every page costs what the least of them (`scan/`) costs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from django.conf import settings
from django.db import connection
from django.test import Client, override_settings

from inventory.models import Movement
from tests.bench.pages_data import filled
from tests.bench.results import Result, ours_at_most, ratio_at_most
from tests.bench.timing import Stopwatch, alternate

#: containers, movements, closed runs
SIZES = {"small": (200, 1_000, 20), "full": (10_000, 100_000, 2_000)}
ROUNDS = {"small": 3, "full": 5}
#: in processor time; and how many times its own queries a page may cost that asks for so much of it
LIMIT_MS, RATIO_MAX, ASKS_MUCH_MS = 200, 7, 20
#: the same for any page of a small lab, most of whose cost is the frame that every page has
SMALL_RATIO_MAX = 400
PAGES = (
    "", "shelf/", "shelf/?q=ether&order=least", "shelf/?order=code", "containers/{code}/",
    "containers/{code}/draw/", "lots/{lot}/", "labels/", "scan/", "receive/",
    "runs/", "runs/{run}/", "runs/{run}/close/", "runs/start/", "plan/", "apparatus/", "loss-fits/",
    "recovery/", "recovery/?by=apparatus", "recovery/?by=purpose", "solvent-balance/",
    "alerts/", "alerts/?which=open", "deliveries/", "deliveries/?state=sent", "trail/",
    "storage/", "storage/{location}/", "storage/{location}/list/", "inspection/", "solvents/",
    "solvents/?which=level", "reagents/", "policies/", "policies/{policy}/", "people/", "tokens/", "feeds/",
    "webhooks/", "status/", "failed-jobs/", "import/", "more/",
)  # fmt: skip

Statement = tuple[str, Any]


def measure(size: str) -> list[Result]:
    seed = filled(*SIZES[size])
    client = Client(headers={"host": "127.0.0.1"})
    client.force_login(seed.lab.supervisor)
    # Nobody has collected the files of the pages here; their addresses are looked up all the same.
    plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    with override_settings(STORAGES={**settings.STORAGES, "staticfiles": plain}):
        pairs = [_measured(client, path, seed.names, ROUNDS[size]) for path in PAGES]
    bounded = _small if size == "small" else _full
    return [each for wall, cpu in pairs for each in (wall, bounded(cpu))]


def _small(cpu: Result) -> Result:
    return ratio_at_most(cpu, SMALL_RATIO_MAX)


def _full(cpu: Result) -> Result:
    """A high ratio to next to nothing says nothing, so that it is held against those that ask for much."""
    result = ours_at_most(cpu, LIMIT_MS)
    if cpu.floor < ASKS_MUCH_MS:
        return result
    goal = f"{result.goal}, ratio <= {RATIO_MAX}"
    return replace(result, goal=goal, met=bool(result.met) and cpu.ratio <= RATIO_MAX)


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


def _measured(client: Client, path: str, names: Mapping[str, str], rounds: int) -> tuple[Result, Result]:
    """By the clock, and in processor time."""
    address = f"/labs/{names['lab']}/{path.format(**names)}"
    client.get(address)  # what a process asks once is not of the page
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
    where = (connection.vendor, Movement.objects.count(), "ms")
    return (
        Result(name, *where, pair.floor_ms, pair.ours_ms),
        Result(f"{name}, processor", *where, pair.floor_cpu_ms, pair.ours_cpu_ms),
    )

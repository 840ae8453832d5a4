"""A stock list taken in with full validation, beside the bare insertion of the rows that come of it."""

from __future__ import annotations

import gc
import json
import random
import time
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from statistics import median
from typing import Any

from django.db import connection
from django.db.models import Max, Model

from inventory.models import (
    Container,
    ImportedRow,
    Lab,
    Lot,
    Movement,
    Observation,
    PeroxideTest,
    Place,
    PlaceKind,
)
from inventory.services.importing import import_stock
from inventory.services.labs import lab_create
from tests.bench import data
from tests.bench.raw import Raw
from tests.bench.results import Result, ours_at_least

ROWS = {"small": 500, "full": 100_000}
ROUNDS = {"small": 1, "full": 3}
HEADINGS = (
    "Bottle no.;What;Where from;Size;Left;Got it on;Opened;Inhibitor;Kept in;Peroxides ppm;Tested;Remarks"
)
SOLVENTS = (
    "Diethyl ether", "THF", "acetone", "Ethyl acetate", "n-hexane", "IPA", "Methanol", "MTBE", "2-MeTHF",
    "Petroleum ether 40-60",
)  # fmt: skip
SIZES = (("1000 mL", 1000), ("2.5 L", 2500), ("500ml", 500), ("1 l", 1000))
PLACES = ("Vented cabinet", "Fridge (spark-free)", "Shelf 2", "Old store")
ENDS = ("source_id", "destination_id")
#: the tables an import fills, in an order that references allow
FILLED: tuple[type[Model], ...] = (
    Place, Lot, Container, Movement, PeroxideTest, Observation, ImportedRow,
)  # fmt: skip


def measure(size: str) -> list[Result]:
    """Rows in a second; each round goes into labs of its own."""
    club, count = data.the_club(), ROWS[size]
    listed = stock_list(count)
    rates: dict[str, list[float]] = {"floor": [], "ours": []}
    for number in range(ROUNDS[size]):
        lab, other = (
            lab_create(actor=club.supervisor, now=data.NOW, name=f"{name} {number}", time_zone="UTC")
            for name in ("Import", "Floor")
        )
        rates["ours"].append(count / taken_in(lab, club.supervisor, listed, count))
        rates["floor"].append(count / inserted(lab, other))
        compare(lab, other, count)
    data.check_balances()
    floor, ours = (median(rates[side]) for side in ("floor", "ours"))
    result = Result("import of a stock list", connection.vendor, count, "rows/s", floor, ours)
    return [ours_at_least(result, 5000) if size == "full" else result]


def stock_list(count: int) -> bytes:
    """A list as a club keeps it: mixed spellings and dates, readings, remarks; every row can be taken in."""
    chance = random.Random(20260310)
    lines = [HEADINGS, *(";".join(line(chance, number)) for number in range(count))]
    return "\r\n".join(lines).encode("utf-8-sig")


def line(chance: random.Random, number: int) -> Iterator[str]:
    size, capacity_ml = chance.choice(SIZES)
    received = date(2024, 1, 13) + timedelta(days=chance.randrange(600))
    opened = received + timedelta(days=chance.randrange(1, 90))
    tested = opened + timedelta(days=chance.randrange(1, 60))
    reading = chance.choice(["", "", "neg", "<1", "5", "10"])
    yield f"N{number:06d}"
    yield chance.choice(SOLVENTS)
    yield chance.choice(["bought", "bought", "bought", "distilled here"])
    yield size
    yield f"{chance.randrange(10, capacity_ml)} mL"
    yield received.isoformat()
    yield chance.choice([opened.isoformat(), f"{opened:%d %b %Y}", "?"])
    yield chance.choice(["yes", "BHT 7ppm", "no", ""])
    yield chance.choice(PLACES)
    yield reading
    yield tested.isoformat() if reading else ""
    yield "crystals round the cap" if chance.random() < 0.01 else ""


def taken_in(lab: Lab, actor: Any, listed: bytes, count: int) -> float:
    """Seconds of an import with full validation."""
    gc.collect()
    started = time.perf_counter()
    report = import_stock(lab=lab, actor=actor, now=data.NOW, data=listed, filename="list.csv", write=True)
    seconds = time.perf_counter() - started
    assert report.written and report.counts["new"] == count, report.counts
    return seconds


def inserted(lab: Lab, other: Lab) -> float:
    """Seconds to insert the rows of one lab again for another, in one transaction on the bare driver."""
    raw = Raw()
    shifts = {model: int(model._default_manager.aggregate(top=Max("pk"))["top"] or 0) for model in FILLED}
    ends = places_of(lab, other)
    rows = {model: shifted(raw, model, lab, other, shifts, ends) for model in FILLED}
    gc.collect()
    started = time.perf_counter()
    raw.execute(raw.begin)
    for model, (columns, values) in rows.items():
        insert(raw, model._meta.db_table, columns, values)
    raw.execute("COMMIT")
    seconds = time.perf_counter() - started
    raw.close()
    data.settle(*FILLED)
    return seconds


def insert(raw: Raw, table: str, columns: Sequence[str], values: list[Sequence[Any]]) -> None:
    """executemany on SQLite, COPY on PostgreSQL: the fastest that each driver has."""
    names = ", ".join(columns)
    if raw.sqlite:
        marks = ", ".join("?" * len(columns))
        raw.connection.executemany(f"INSERT INTO {table} ({names}) VALUES ({marks})", values)
        return
    with raw.connection.cursor() as cursor, cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
        for row in values:
            copy.write_row([json.dumps(v) if isinstance(v, dict | list) else v for v in row])


def places_of(lab: Lab, other: Lab) -> dict[int, int]:
    """The boundaries of one lab to those of the other."""
    mine, theirs = (
        dict(Place.objects.filter(lab=each).exclude(kind=PlaceKind.CONTAINER).values_list("kind", "pk"))
        for each in (lab, other)
    )
    return {mine[kind]: theirs[kind] for kind in mine}


def shifted(
    raw: Raw, model: type[Model], lab: Lab, other: Lab, shifts: dict[type[Model], int], ends: dict[int, int]
) -> tuple[list[str], list[Sequence[Any]]]:
    """(columns, rows) of one table as the other lab would have them, under ids that are free."""
    columns = [field.column for field in model._meta.concrete_fields if field.column]
    table, aliased = model._meta.db_table, [f"CAST({c} AS text)" if c == "as_entered" else c for c in columns]
    kind = "AND kind = 'container'" if model is Place else ""
    found = raw.execute(f"SELECT {', '.join(aliased)} FROM {table} WHERE lab_id = %s {kind}", (lab.pk,))
    moved = {"id": shifts[model], "lot_id": shifts[Lot], "container_id": shifts[Container]}
    moved |= dict.fromkeys(("place_id", *ENDS), shifts[Place])
    moved |= {"subject_id": shifts[Container]}

    def value(column: str, held: Any) -> Any:
        if column == "lab_id":
            return other.pk
        if column == "location_id" or held is None:
            return None
        if column in ENDS and held in ends:
            return ends[held]
        return held + moved[column] if column in moved else held

    return columns, [tuple(map(value, columns, row)) for row in found.fetchall()]


def compare(lab: Lab, other: Lab, count: int) -> None:
    """Raise AssertionError unless both labs hold the same."""
    for model in FILLED:
        numbers = [model._default_manager.filter(lab=each).count() for each in (lab, other)]
        if model is Place:
            continue
        assert numbers[0] == numbers[1], f"{model.__name__}: {numbers}"
    held = [
        list(
            Container.objects.filter(lab=each)
            .order_by("code")
            .values_list("code", "volume_ul", "next_test_due")
        )
        for each in (lab, other)
    ]
    assert held[0] == held[1] and len(held[0]) == count

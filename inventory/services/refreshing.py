"""What is worked out of the facts is stored in the transaction that changes one; nothing else writes it.

One container or a million go through the same gathering and the same pure rules, by chunks: the facts of a
chunk in a fixed number of statements, the results in one UPDATE for each leading code.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from datetime import date, datetime
from itertools import islice
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import F

from inventory.models import Container, Lab
from inventory.rules.forecast import Forecast as FromReadings
from inventory.rules.retest import Due
from inventory.rules.stored import NO_FORECAST, Forecast, Stored, stored, worst_sign
from inventory.services.facts import Gathered, containers_with, gathered
from inventory.services.forecasting import forecasts_of
from inventory.services.readings import blends_of, lock_containers

CHUNK = 1000
COLUMNS = tuple(column.name for column in fields(Stored))
_TYPES = {name: "date" for name in COLUMNS if name.endswith(("_on", "_due", "_since", "_until"))}


def refresh_due(*, container: Container, now: datetime) -> Due | None:
    """Work out and store what follows from a container's facts. Only inside a transaction."""
    columns, due = _refresh([container.pk], now)[container.pk]
    for name in COLUMNS:
        setattr(container, name, getattr(columns, name))
    return due


def refresh_many(ids: Iterable[int], *, now: datetime) -> int:
    """As `refresh_due` for containers in the order of their places, by chunks; returns how many there were.

    Only inside a transaction.
    """
    each, count = iter(ids), 0
    while chunk := list(islice(each, CHUNK)):
        _refresh(chunk, now)
        count += len(chunk)
    return count


def refresh_all(containers: Sequence[Container], now: datetime) -> None:
    """`refresh_due` of each, in the order given, which is that of their places."""
    refresh_many([container.pk for container in containers], now=now)


def refresh_lab(*, lab: Lab, now: datetime) -> None:
    """Work everything out again. Empty containers too: one may be filled at this moment."""
    refresh_many(_by_place(lab=lab), now=now)


def _by_place(**lookup: object) -> Iterator[int]:
    rows = Container.objects.filter(**lookup, discarded_at=None).order_by("place_id")
    return iter(list(rows.values_list("pk", flat=True)))


def _refresh(ids: Collection[int], now: datetime) -> dict[int, tuple[Stored, Due | None]]:
    # Locked before they are read: facts that change meanwhile would leave what fits neither state.
    lock_containers(ids)
    found = gathered(containers_with(ids))
    forecasts = forecasts_of(found)
    results = {c.pk: worked_out(c, found, _today(c, now), forecasts) for c in found.containers}
    _write({c.pk: results[c.pk][0] for c in found.containers if _differs(c, results[c.pk][0])})
    return results


def worked_out(
    container: Container, found: Gathered, today: date, forecasts: Mapping[int, FromReadings]
) -> tuple[Stored, Due | None]:
    """What is to be stored of one of the containers gathered, and its due date with the reasons.

    forecasts: those of the containers gathered, by `forecasting.forecasts_of`.
    """
    facts = found.facts[container.pk]
    if facts is None:
        signs = found.records.signs.get(container.pk, frozenset())
        return Stored(worst_sign=worst_sign(signs)), None
    policy = found.policies[container.lab_id]
    tested = [test.tested_on for test in found.own_tests(container) if test.tested_on is not None]
    told = forecasts.get(container.pk)
    forecast = NO_FORECAST if told is None else Forecast(told.on, told.code, told.words)
    return stored(facts, policy, today, tested, forecast)


def _today(container: Container, now: datetime) -> date:
    return now.astimezone(ZoneInfo(container.lab.time_zone)).date()


def _differs(container: Container, columns: Stored) -> bool:
    return any(getattr(container, name) != getattr(columns, name) for name in COLUMNS)


def _write(rows: Mapping[int, Stored]) -> None:
    """One UPDATE for each leading code, whatever the number of containers."""
    by_code: dict[str, list[dict[str, object]]] = defaultdict(list)
    for pk, columns in rows.items():
        by_code[columns.due_code].append({"id": pk, **asdict(columns)})
    with connection.cursor() as cursor:
        for code in sorted(by_code):
            cursor.execute(_UPDATES[connection.vendor], [code, json.dumps(by_code[code], default=str)])


def _update_sql(source: str) -> str:
    given = ", ".join(f"{name} = v.{name}" for name in COLUMNS if name != "due_code")
    return (
        f"UPDATE inventory_container SET due_code = %s, {given} FROM {source} "  # noqa: S608
        "WHERE inventory_container.id = v.id"
    )


def _from_json_array() -> str:
    columns = ", ".join(f"json_extract(j.value, '$.{name}') AS {name}" for name in ("id", *COLUMNS))
    return f"(SELECT {columns} FROM json_each(%s) AS j) AS v"  # noqa: S608


def _from_recordset() -> str:
    columns = ", ".join(f"{name} {_TYPES.get(name, 'text')}" for name in COLUMNS)
    return f"jsonb_to_recordset(%s::jsonb) AS v(id bigint, {columns})"


_UPDATES = {"sqlite": _update_sql(_from_json_array()), "postgresql": _update_sql(_from_recordset())}


def touch(container: Container) -> None:
    """Tell clients that hold the older state. Only inside a transaction."""
    Container.objects.filter(pk=container.pk).update(version=F("version") + 1)


def lock_kin(lot_ids: int | Collection[int], container: Container) -> list[Container]:
    """Lock a container and all that hold one of the lots or a blend of it; returns those others, in use."""
    lots = [lot_ids] if isinstance(lot_ids, int) else list(lot_ids)
    kin = Container.objects.filter(lot_id__in=blends_of(*lots), discarded_at=None).exclude(pk=container.pk)
    others = list(kin.order_by("place_id"))
    lock_containers([container.pk, *(other.pk for other in others)])
    return others

"""What day it is in each lab, and which moments count there, as a table that a statement can join."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.db import connection
from django.db.models import QuerySet

from inventory.models import Lab
from inventory.rules.alerts import GRAVEST, MILDEST, escalate_after

logger = logging.getLogger(__name__)
Range = tuple[int, int]
SEVERITIES = range(GRAVEST, MILDEST + 1)


@dataclass(frozen=True, slots=True)
class LabDays:
    """Today, the last day that counts as soon, and the days and moments that rules ask for.

    Of all labs with this time zone, this notice and this time to answer. earlier: name → day; late:
    severity → moment before which an unanswered alert opened too long ago.
    """

    time_zone: str
    soon_days: int
    answer_hours: int
    today: date
    soon: date
    earlier: Mapping[str, date]
    late: Mapping[int, datetime]


def labs_in(labs: Range | None) -> QuerySet[Lab]:
    """All labs, or those with ids from the first to the last of a range."""
    return Lab.objects.all() if labs is None else Lab.objects.filter(pk__range=labs)


def days_of(now: datetime, labs: Range | None, days_ago: Mapping[str, int]) -> list[LabDays]:
    """The days of all labs or of a range. days_ago: name of a day → how long before today it lies."""
    columns = ("time_zone", "due_soon_days", "escalate_after_hours")
    kinds = labs_in(labs).order_by().values_list(*columns).distinct()
    return [_days(now, zone, soon_days, hours, days_ago) for zone, soon_days, hours in kinds]


def _days(
    now: datetime, time_zone: str, soon_days: int, answer_hours: int, days_ago: Mapping[str, int]
) -> LabDays:
    today = day_in_zone(now, time_zone)
    return LabDays(
        time_zone,
        soon_days,
        answer_hours,
        today,
        today + timedelta(days=soon_days),
        {name: today - timedelta(days=days) for name, days in days_ago.items()},
        {severity: now - escalate_after(severity, answer_hours) for severity in SEVERITIES},
    )


def day_in_zone(now: datetime, time_zone: str) -> date:
    """The calendar day in a zone; in one that nobody knows, the furthest that any clock has come."""
    try:
        return now.astimezone(ZoneInfo(time_zone)).date()
    except (ZoneInfoNotFoundError, ValueError):
        logger.warning("Time zone %r is not known; the latest day anywhere is used for its labs.", time_zone)
        return (now.astimezone(UTC) + timedelta(hours=14)).date()


def values_of(now: datetime, days: Sequence[LabDays], labs: Range | None) -> dict[str, Any]:
    """Parameters of every statement: the limits over all labs, then each lab's own."""
    as_day, as_moment = connection.ops.adapt_datefield_value, connection.ops.adapt_datetimefield_value
    low, high = labs or (None, None)
    values: dict[str, Any] = {
        "now": as_moment(now),
        "low": low,
        "high": high,
        "first_today": as_day(min(each.today for each in days)),
        "last_today": as_day(max(each.today for each in days)),
        "last_soon": as_day(max(each.soon for each in days)),
        "last_late": as_moment(max(max(each.late.values()) for each in days)),
    }
    values |= {f"last_{name}": as_day(max(each.earlier[name] for each in days)) for name in days[0].earlier}
    for number, each in enumerate(days):
        values |= {f"zone{number}": each.time_zone, f"notice{number}": each.soon_days}
        values |= {f"hours{number}": each.answer_hours}
        values |= {f"today{number}": as_day(each.today), f"soon{number}": as_day(each.soon)}
        values |= {f"{name}{number}": as_day(day) for name, day in each.earlier.items()}
        values |= {f"late_{severity}_{number}": as_moment(late) for severity, late in each.late.items()}
    return values


def days_sql(days: Sequence[LabDays]) -> str:
    """Each lab with its days, as a table `d`."""
    return _table(days, ["today", "soon", *days[0].earlier])


def late_sql(days: Sequence[LabDays], severities: Iterable[int]) -> str:
    """Each lab with the moments before which an unanswered alert is late, as a table `d` of late_1 and on."""
    return _table(days, [f"late_{severity}_" for severity in severities])


def _table(days: Sequence[LabDays], names: Sequence[str]) -> str:
    """CROSS JOIN makes SQLite look each row's lab up, not go through all of them."""
    columns = ["zone", "notice", "hours", *names]
    rows = ", ".join("(" + ", ".join(f"%({name}{n})s" for name in columns) + ")" for n in range(len(days)))
    shown = ", ".join(f"v.column{place} AS {name.rstrip('_')}" for place, name in enumerate(names, start=4))
    return (
        f"(SELECT l.id AS lab_id, {shown} "  # noqa: S608
        f"FROM inventory_lab AS l CROSS JOIN (VALUES {rows}) AS v "
        "WHERE v.column1 = l.time_zone AND v.column2 = l.due_soon_days "
        "AND v.column3 = l.escalate_after_hours) AS d"
    )

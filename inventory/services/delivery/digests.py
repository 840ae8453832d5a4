"""The daily digest: one row for each member who wants it and each day of the lab, asked for in its morning.

What it says is worked out when it is sent. `Lab.digest_planned_on` is the last day asked for: a server that
was away for a week sends one digest, not seven, and a clock set back sends none again.
"""

from __future__ import annotations

from datetime import date, datetime

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Q, QuerySet

from inventory.models import Delivery, Lab
from inventory.rules.digest_days import day_in_force, moment, zone_of
from inventory.services.delivery import planning_sql as sql

LABS_PER_BATCH = 500


def plan_digests(*, now: datetime) -> int:
    """Ask for the digests whose moment has come. Returns how many rows it made."""
    if not settings.STILLKEEP_SENDS_MAIL:
        return 0
    made = 0
    clocks = Lab.objects.order_by().values_list("time_zone", "digest_at").distinct()
    for time_zone, digest_at in clocks:
        zone = zone_of(time_zone)
        day = day_in_force(now, digest_at, zone)
        today = max(day, now.astimezone(zone).date())
        labs = Lab.objects.filter(time_zone=time_zone, digest_at=digest_at)
        _forget_days_to_come(labs, day, today)
        # A lab that is younger than the moment has had no morning yet.
        labs.filter(digest_planned_on=None, created_at__gt=moment(day, digest_at, zone)).update(
            digest_planned_on=day
        )
        made += _plan_day(labs.filter(Q(digest_planned_on=None) | Q(digest_planned_on__lt=day)), day, now)
    return made


def _forget_days_to_come(labs: QuerySet[Lab], day: date, today: date) -> None:
    """After a clock ran ahead and was set back, the days it had used up come once more."""
    ahead = list(labs.filter(digest_planned_on__gt=today).values_list("pk", flat=True))
    if not ahead:
        return
    told_today = set()
    with transaction.atomic():
        rows = Delivery.objects.filter(lab__in=ahead, channel="digest", key__startswith="digest:")
        for pk, key, lab_id in rows.exclude(key__contains="~").values_list("pk", "key", "lab_id"):
            if key[-10:] > today.isoformat():
                Delivery.objects.filter(pk=pk).update(key=f"{key}~{pk}")
            elif key[-10:] == today.isoformat():
                told_today.add(lab_id)
        Lab.objects.filter(pk__in=ahead).update(digest_planned_on=day)
        Lab.objects.filter(pk__in=told_today).update(digest_planned_on=today)


def _plan_day(labs: QuerySet[Lab], day: date, now: datetime) -> int:
    made = 0
    while labs.exists():
        with transaction.atomic(), connection.cursor() as cursor:
            rows = labs.order_by("pk")
            if connection.features.has_select_for_update_skip_locked:
                rows = rows.select_for_update(skip_locked=True, no_key=True)
            ids = list(rows.values_list("pk", flat=True)[:LABS_PER_BATCH])
            if not ids:
                break  # another caller has the rest in hand
            values = sql.values("digest", now) | {"ids": sql.ids_value(ids), "day": day.isoformat()}
            cursor.execute(digest_sql(), values)
            made += cursor.rowcount
            Lab.objects.filter(pk__in=ids).update(digest_planned_on=day)
    return made


def digest_sql() -> str:
    """A row for each member of the labs in hand who wants the digest and can be reached."""
    among = sql.among("m.lab_id")
    return (
        f"{sql.INTO}SELECT m.lab_id, 'digest', 'digest:' || m.id || ':' || %(day)s, "  # noqa: S608
        "'<digest.' || m.id || '.' || %(day)s || '.' || %(salt)s || '@' || %(host)s || '>', "
        f"NULL, m.user_id, NULL, {sql.payload_sql()}, %(now)s, %(now)s, 0, '' "
        "FROM inventory_membership AS m "
        f"JOIN inventory_user AS u ON u.id = m.user_id AND {sql.REACHED} "
        "LEFT JOIN inventory_mailchoice AS c ON c.membership_id = m.id "
        f"WHERE {among} AND {sql.wants_digest()}{sql.ONCE}"
    )

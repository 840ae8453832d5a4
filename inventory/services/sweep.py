"""The sweep: opens an alert for everything that needs a person, and closes it once that is cured.

One statement per rule opens, one per kind of subject closes; neither loops over subjects. Opening reads only
what the partial indexes hold, closing starts from the open alerts, so a sweep costs what is due, not what is
in stock. The partial unique index `alert_open_once` keeps any number of sweeps from opening one twice; it is
also what finds those that stand open already, as an anti-join would go by statistics that lag behind.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.db import connection, transaction

from inventory.models import Alert, Lab
from inventory.rules import alerts
from inventory.rules.alerts import OWN_CODES, AlertRule

logger = logging.getLogger(__name__)
LOCK = 0x57111_5EEB  # any number that no other advisory lock uses


@dataclass(frozen=True)
class Subject:
    """What alerts of one kind are about. cures: condition → word kept when an alert closes, surest first."""

    kind: str
    table: str
    cures: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Watch:
    """How one rule finds its subjects, in SQL that SQLite and PostgreSQL both read.

    Names in the SQL: `s` the subject's row (with id and lab_id), `a` the open alert, `d` the days of the lab:
    d.today, and d.soon, the last day that counts as soon. `bounds` says what a partial index holds, word for
    word as SQLite wants it, and limits of all labs (%(first_today)s, %(last_today)s, %(last_soon)s); `holds`
    says exactly whether the rule applies. moments: name of a parameter → how long before now it lies.
    """

    rule: AlertRule
    subject: Subject
    bounds: str
    holds: str
    due_on: str = ""
    moments: Mapping[str, timedelta] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Swept:
    """How many alerts one sweep opened and closed under one rule."""

    opened: int
    closed: int


@dataclass(frozen=True, slots=True)
class _Days:
    """Today, and the last day that counts as soon, in labs with this time zone and this notice."""

    time_zone: str
    soon_days: int
    today: date
    soon: date


def _words(values: Iterable[str]) -> str:
    return "(" + ", ".join(f"'{value}'" for value in values) + ")"


_STANDS = "s.discarded_at IS NULL"
_LIVE = f"{_STANDS} AND s.volume_ul > 0"
_OWN = f"s.due_code IN {_words(OWN_CODES)}"
_TESTS = "FROM inventory_peroxidetest t WHERE t.container_id = s.id AND t.recorded_at > a.opened_at"
CONTAINER = Subject(
    "container",
    "inventory_container",
    cures=(
        ("s.discarded_at IS NOT NULL", "discarded"),
        (f"a.rule = '{alerts.SIGN_SEEN.key}'", "sign withdrawn"),
        ("s.volume_ul = 0", "emptied"),
        (_OWN, "another reason took its place"),
        (f"a.rule = '{alerts.RETEST_DUE_SOON.key}' AND s.next_test_due < d.today", "became overdue"),
        (f"EXISTS (SELECT 1 {_TESTS} AND COALESCE(t.withdraws_id, 0) = 0)", "tested"),
        (f"EXISTS (SELECT 1 {_TESTS} AND t.withdraws_id > 0)", "test withdrawn"),
        ("s.due_code = 'not-a-former'", "holds no peroxide former"),
        (
            f"a.rule IN ('{alerts.OPENING_DATE_UNKNOWN.key}', '{alerts.START_DATE_UNKNOWN.key}')",
            "date learnt",
        ),
    ),
)


def _by_code(rule: AlertRule) -> Watch:
    """A rule that follows from why a test is due at once."""
    holds = f"s.due_code IN {_words(rule.codes)}"
    return Watch(rule, CONTAINER, f"{_LIVE} AND {_OWN}", holds, "s.next_test_due")


def _by_date(rule: AlertRule, bounds: str, holds: str) -> Watch:
    """A rule that follows from the stored date of the next test."""
    bounds = f"{_LIVE} AND s.next_test_due IS NOT NULL AND {bounds}"
    return Watch(rule, CONTAINER, bounds, f"NOT ({_OWN}) AND {holds}", "s.next_test_due")


CONTAINER_WATCHES: tuple[Watch, ...] = (
    # An empty bottle with crystals round its cap is still a danger.
    Watch(alerts.SIGN_SEEN, CONTAINER, f"{_STANDS} AND NOT (s.worst_sign = '')", holds="s.worst_sign > ''"),
    *(_by_code(rule) for rule in alerts.CONTAINER_RULES if rule.codes),
    _by_date(alerts.RETEST_OVERDUE, "s.next_test_due < %(last_today)s", "s.next_test_due < d.today"),
    _by_date(
        alerts.RETEST_DUE_SOON,
        "s.next_test_due >= %(first_today)s AND s.next_test_due <= %(last_soon)s",
        "s.next_test_due >= d.today AND s.next_test_due <= d.soon",
    ),
)
_watches: dict[str, Watch] = {watch.rule.key: watch for watch in CONTAINER_WATCHES}


def register(watch: Watch) -> None:
    """Add a rule of another app to every sweep from now on; safe to repeat."""
    _watches[watch.rule.key] = watch


def rules() -> list[AlertRule]:
    """Every rule that can open an alert, worst first."""
    return sorted((watch.rule for watch in _watches.values()), key=lambda rule: rule.severity)


def sweep(
    *, now: datetime, lab: Lab | None = None, watches: Sequence[Watch] | None = None
) -> dict[str, Swept]:
    """Bring the alerts up to date with the facts; repeating it changes nothing.

    Each lab's own calendar day counts. lab: only this one. watches: by default all that are registered.
    Returns for each rule how many alerts it opened and closed.
    """
    chosen = list(_watches.values()) if watches is None else list(watches)
    days = _days(now, lab)
    opened: Counter[str] = Counter()
    closed: Counter[str] = Counter()
    if days:
        values = _values(now, days, lab) | _moments(chosen, now)
        to_close, to_open = _candidates(chosen, values, lab)
        if to_close or to_open:
            _bring_up_to_date(to_close, to_open, days, values, lab, opened, closed)
    return {w.rule.key: Swept(opened[w.rule.key], closed[w.rule.key]) for w in chosen}


def _candidates(
    watches: Sequence[Watch], values: Mapping[str, Any], lab: Lab | None
) -> tuple[list[list[Watch]], list[Watch]]:
    """Groups of watches that have open alerts, and watches that may have subjects.

    One cheap look without any lock, so that a sweep with nothing to do disturbs nobody.
    """
    groups = [list(group) for _, group in groupby(watches, key=lambda watch: watch.subject)]
    with connection.cursor() as cursor:
        cursor.execute(looking_sql(groups, watches, lab), values)
        found = cursor.fetchone() or ()
    closing, opening = found[: len(groups)], found[len(groups) :]
    return (
        [group for group, seen in zip(groups, closing, strict=True) if seen],
        [watch for watch, seen in zip(watches, opening, strict=True) if seen],
    )


def _bring_up_to_date(
    to_close: Sequence[Sequence[Watch]],
    to_open: Sequence[Watch],
    days: Sequence[_Days],
    values: Mapping[str, Any],
    lab: Lab | None,
    opened: Counter[str],
    closed: Counter[str],
) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            # Two sweeps that insert the same rows in different orders could wait for each other for ever.
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
        # Closed first: what has just been opened needs no second look.
        for group in to_close:
            cursor.execute(closing_sql(group, days, lab), values)
            closed.update(rule for rule, closed_at in cursor.fetchall() if closed_at is not None)
        for watch in to_open:
            cursor.execute(opening_sql(watch, days, lab), values)
            opened[watch.rule.key] = cursor.rowcount


def open_count(*, lab: Lab | None = None) -> int:
    """How many alerts stand open."""
    open_alerts = Alert.objects.filter(closed_at=None)
    return (open_alerts if lab is None else open_alerts.filter(lab=lab)).count()


# -- the days of the labs


def _days(now: datetime, lab: Lab | None) -> list[_Days]:
    labs = Lab.objects.all() if lab is None else Lab.objects.filter(pk=lab.pk)
    found = []
    for time_zone, soon_days in labs.order_by().values_list("time_zone", "due_soon_days").distinct():
        today = _today(now, time_zone)
        found.append(_Days(time_zone, soon_days, today, today + timedelta(days=soon_days)))
    return found


def _today(now: datetime, time_zone: str) -> date:
    """The calendar day in a zone; in one that nobody knows, the furthest that any clock has come."""
    try:
        return now.astimezone(ZoneInfo(time_zone)).date()
    except (ZoneInfoNotFoundError, ValueError):
        logger.warning("Time zone %r is not known; the latest day anywhere is used for its labs.", time_zone)
        return (now.astimezone(UTC) + timedelta(hours=14)).date()


def _values(now: datetime, days: Sequence[_Days], lab: Lab | None) -> dict[str, Any]:
    """Parameters of every statement."""
    as_day = connection.ops.adapt_datefield_value
    values: dict[str, Any] = {
        "now": connection.ops.adapt_datetimefield_value(now),
        "lab": None if lab is None else lab.pk,
        "first_today": as_day(min(each.today for each in days)),
        "last_today": as_day(max(each.today for each in days)),
        "last_soon": as_day(max(each.soon for each in days)),
    }
    for number, each in enumerate(days):
        values |= {f"zone{number}": each.time_zone, f"notice{number}": each.soon_days}
        values |= {f"today{number}": as_day(each.today), f"soon{number}": as_day(each.soon)}
    return values


def _moments(watches: Iterable[Watch], now: datetime) -> dict[str, Any]:
    as_moment = connection.ops.adapt_datetimefield_value
    return {name: as_moment(now - before) for watch in watches for name, before in watch.moments.items()}


def _days_sql(days: Sequence[_Days]) -> str:
    """Each lab with its days, as a table `d`; CROSS JOIN makes SQLite look the lab up, not go through all."""
    rows = ", ".join(f"(%(zone{n})s, %(notice{n})s, %(today{n})s, %(soon{n})s)" for n in range(len(days)))
    return (
        "(SELECT l.id AS lab_id, v.column3 AS today, v.column4 AS soon "  # noqa: S608
        f"FROM inventory_lab AS l CROSS JOIN (VALUES {rows}) AS v "
        "WHERE v.column1 = l.time_zone AND v.column2 = l.due_soon_days) AS d"
    )


# -- the statements


def looking_sql(groups: Sequence[Sequence[Watch]], watches: Sequence[Watch], lab: Lab | None) -> str:
    """One row: per group whether an alert stands open, then per watch whether a subject is within bounds."""
    open_alerts = [
        "EXISTS (SELECT 1 FROM inventory_alert AS a WHERE a.closed_at IS NULL "  # noqa: S608
        f"AND a.rule IN {_words(w.rule.key for w in group)} {_only('a', lab)})"
        for group in groups
    ]
    subjects = [
        f"EXISTS (SELECT 1 FROM {w.subject.table} AS s WHERE {w.bounds} {_only('s', lab)})"  # noqa: S608
        for w in watches
    ]
    return "SELECT " + ", ".join(open_alerts + subjects)


def opening_sql(watch: Watch, days: Sequence[_Days], lab: Lab | None) -> str:
    """Open an alert for every subject under the rule that has none open.

    CROSS JOIN makes SQLite start from the subjects' partial index; PostgreSQL plans as it likes.
    """
    rule, subject = watch.rule.key, watch.subject
    by_day = f"CROSS JOIN {_days_sql(days)}" if "d." in watch.holds else ""
    same_lab = "AND d.lab_id = s.lab_id" if by_day else ""
    return (
        "INSERT INTO inventory_alert "  # noqa: S608
        "(lab_id, rule, subject_kind, subject_id, due_on, opened_at, cured_by) "
        f"SELECT s.lab_id, '{rule}', '{subject.kind}', s.id, {watch.due_on or 'NULL'}, %(now)s, '' "
        f"FROM {subject.table} AS s {by_day} WHERE {watch.bounds} {same_lab} AND {watch.holds} "
        f"{_only('s', lab)} "
        "ON CONFLICT (rule, subject_kind, subject_id) WHERE closed_at IS NULL DO NOTHING"
    )


def closing_sql(watches: Sequence[Watch], days: Sequence[_Days], lab: Lab | None) -> str:
    """Close every open alert whose rule no longer applies, and follow a due date that has moved.

    Watches of one kind of subject only. Returns rule and closing time for every row changed
    (the plain column: SQLite 3.40 gets `closed_at IS NOT NULL` wrong there).
    """
    subject = watches[0].subject
    keys = _words(watch.rule.key for watch in watches)
    holds = " ".join(f"WHEN '{w.rule.key}' THEN {w.bounds} AND {w.holds}" for w in watches)
    dated = " ".join(f"WHEN '{w.rule.key}' THEN {w.due_on}" for w in watches if w.due_on)
    cure = " ".join(f"WHEN {condition} THEN '{words}'" for condition, words in subject.cures)
    return (
        "UPDATE inventory_alert SET "  # noqa: S608
        "closed_at = CASE WHEN f.stands THEN NULL ELSE %(now)s END, "
        "cured_by = CASE WHEN f.stands THEN '' ELSE f.cure END, "
        "due_on = CASE WHEN f.stands THEN f.due ELSE inventory_alert.due_on END "
        f"FROM (SELECT a.id AS alert_id, COALESCE(CASE a.rule {holds} END, FALSE) AS stands, "
        f"{f'CASE a.rule {dated} ELSE a.due_on END' if dated else 'a.due_on'} AS due, "
        f"CASE {cure} ELSE 'facts changed' END AS cure "
        f"FROM inventory_alert AS a CROSS JOIN {subject.table} AS s CROSS JOIN {_days_sql(days)} "
        f"WHERE a.closed_at IS NULL AND a.rule IN {keys} AND a.subject_kind = '{subject.kind}' "
        f"AND s.id = a.subject_id AND d.lab_id = s.lab_id {_only('a', lab)}) AS f "
        "WHERE inventory_alert.id = f.alert_id AND (NOT f.stands "
        "OR COALESCE(inventory_alert.due_on, '0001-01-01') <> COALESCE(f.due, '0001-01-01')) "
        "RETURNING rule, inventory_alert.closed_at"
    )


def _only(table: str, lab: Lab | None) -> str:
    """Limit to one lab; the plus keeps SQLite from choosing the lab's own, wider index."""
    return "" if lab is None else f"AND +{table}.lab_id = %(lab)s"

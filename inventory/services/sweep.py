"""The sweep: opens an alert for everything that needs a person, closes it once that is cured, and sends up
what nobody has answered.

One statement per rule opens, one per kind of subject closes, one escalates; none loops over subjects.
Opening reads only what the partial indexes hold, closing starts from the open alerts, so a sweep costs what
is due, not what is in stock. The partial unique index `alert_open_once` keeps any number of sweeps from
opening one twice; it is also what finds those that stand open already, as an anti-join would go by statistics
that lag behind.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import connection, transaction
from django.db.backends.utils import CursorWrapper

from inventory.models import Alert, Lab
from inventory.rules.alerts import MILDEST
from inventory.services.lab_days import LabDays, Range, days_of, days_sql, labs_in, late_sql, values_of
from inventory.services.watches import Subject, Watch, days_ago, registered, rules, words_sql

__all__ = ["Swept", "closing_sql", "escalating_sql", "looking_sql", "open_count", "opening_sql"]
__all__ += ["rules", "sweep"]

# Any numbers that no other advisory lock uses.
LOCK, LAB_LOCK = 0x57111_5EEB, 0x57115
# A part of more labs than this keeps all other sweeps out: a lock for each would fill the table of locks.
LABS_LOCKED_MAX = 500


@dataclass(frozen=True, slots=True)
class Swept:
    """How many alerts one sweep opened and closed under one rule, and how many went to the supervisors."""

    opened: int
    closed: int
    escalated: int = 0


@dataclass(frozen=True)
class _Work:
    """What one sweep found to do. closing: watches whose alerts stand open, by kind of subject."""

    closing: Sequence[Sequence[Watch]]
    opening: Sequence[Watch]
    escalating: bool

    def __bool__(self) -> bool:
        return bool(self.closing or self.opening or self.escalating)


@dataclass
class _Counts:
    opened: Counter[str] = field(default_factory=Counter)
    closed: Counter[str] = field(default_factory=Counter)
    escalated: Counter[str] = field(default_factory=Counter)

    def of(self, rule: str) -> Swept:
        return Swept(self.opened[rule], self.closed[rule], self.escalated[rule])


def sweep(
    *,
    now: datetime,
    lab: Lab | None = None,
    labs: Range | None = None,
    watches: Sequence[Watch] | None = None,
) -> dict[str, Swept]:
    """Bring the alerts up to date with the facts; repeating it changes nothing.

    Each lab's own calendar day counts. lab: only this one; labs: only those with ids from the first to the
    last. Parts may run at the same time and come to what one sweep comes to. watches: by default all known.
    Returns for each rule how many alerts it opened, closed and sent to the supervisors.
    """
    chosen = registered() if watches is None else list(watches)
    part = labs if lab is None else (lab.pk, lab.pk)
    days = days_of(now, part, days_ago())
    counts = _Counts()
    if days:
        values = values_of(now, days, part) | _moments(chosen, now)
        work = _look(chosen, values, part)
        if work:
            _bring_up_to_date(work, chosen, days, values, part, counts)
    return {watch.rule.key: counts.of(watch.rule.key) for watch in chosen}


def _look(watches: Sequence[Watch], values: Mapping[str, Any], part: Range | None) -> _Work:
    """What there is to do: one cheap look without any lock, so that an idle sweep disturbs nobody."""
    by_kind: dict[Subject, list[Watch]] = {}
    for watch in watches:
        by_kind.setdefault(watch.subject, []).append(watch)
    groups = list(by_kind.values())
    with connection.cursor() as cursor:
        cursor.execute(looking_sql(groups, watches, part), values)
        late, *found = list(cursor.fetchone() or [False])
    closing = found[: len(groups)]
    opening = dict(zip(_bounds_of(watches), found[len(groups) :], strict=True))
    return _Work(
        [group for group, seen in zip(groups, closing, strict=True) if seen],
        [watch for watch in watches if opening[watch.subject.table, watch.bounds]],
        bool(late),
    )


def _bounds_of(watches: Sequence[Watch]) -> list[tuple[str, str]]:
    """Table and bounds of all watches, each once: several rules look at the same index."""
    return list(dict.fromkeys((watch.subject.table, watch.bounds) for watch in watches))


def _bring_up_to_date(
    work: _Work,
    watches: Sequence[Watch],
    days: Sequence[LabDays],
    values: Mapping[str, Any],
    part: Range | None,
    counts: _Counts,
) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            _lock(cursor, part)
        # Closed first: what has just been opened needs no second look.
        for group in work.closing:
            cursor.execute(closing_sql(group, days, part), values)
            counts.closed.update(rule for rule, closed_at in cursor.fetchall() if closed_at is not None)
        for watch in work.opening:
            cursor.execute(opening_sql(watch, days, part), values)
            counts.opened[watch.rule.key] = cursor.rowcount
        if work.escalating:
            cursor.execute(escalating_sql(watches, days, part), values)
            counts.escalated.update(rule for (rule,) in cursor.fetchall())


def _lock(cursor: CursorWrapper, part: Range | None) -> None:
    """Keep sweeps of the same labs apart until the transaction ends; those of other labs go on beside it.

    Two that insert the same rows in different orders could wait for each other for ever.
    """
    ids = [] if part is None else list(labs_in(part).order_by("pk").values_list("pk", flat=True))
    if part is None or len(ids) > LABS_LOCKED_MAX:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
        return
    cursor.execute("SELECT pg_advisory_xact_lock_shared(%s)", [LOCK])
    for pk in ids:
        cursor.execute("SELECT pg_advisory_xact_lock(%s, %s)", [LAB_LOCK, pk % 2**31])


def open_count(*, lab: Lab | None = None) -> int:
    """How many alerts stand open."""
    open_alerts = Alert.objects.filter(closed_at=None)
    return (open_alerts if lab is None else open_alerts.filter(lab=lab)).count()


def _moments(watches: Iterable[Watch], now: datetime) -> dict[str, Any]:
    as_moment = connection.ops.adapt_datetimefield_value
    return {name: as_moment(now - before) for watch in watches for name, before in watch.moments.items()}


# -- the statements

# What nobody has answered, word for word as the index `alert_unanswered` has it.
_UNANSWERED = "a.acknowledged_at IS NULL AND a.closed_at IS NULL AND a.escalated_at IS NULL"
_WAITS = "COALESCE(a.put_off_until, a.opened_at)"


def looking_sql(groups: Sequence[Sequence[Watch]], watches: Sequence[Watch], part: Range | None) -> str:
    """One row: whether an alert is late, per group whether one stands open, per bounds whether a subject is
    within them."""
    late = (
        f"EXISTS (SELECT 1 FROM inventory_alert AS a WHERE {_UNANSWERED} "  # noqa: S608
        f"AND a.opened_at < %(last_late)s AND {_WAITS} < %(last_late)s {_only('a', part)})"
    )
    open_alerts = [
        "EXISTS (SELECT 1 FROM inventory_alert AS a WHERE a.closed_at IS NULL "  # noqa: S608
        f"AND a.rule IN {words_sql(w.rule.key for w in group)} {_only('a', part)})"
        for group in groups
    ]
    subjects = [
        f"EXISTS (SELECT 1 FROM {table} AS s WHERE {bounds} {_only('s', part)})"  # noqa: S608
        for table, bounds in _bounds_of(watches)
    ]
    return "SELECT " + ", ".join([late, *open_alerts, *subjects])


def opening_sql(watch: Watch, days: Sequence[LabDays], part: Range | None) -> str:
    """Open an alert for every subject under the rule that has none open.

    CROSS JOIN makes SQLite start from the subjects' partial index; PostgreSQL plans as it likes.
    """
    rule, subject = watch.rule.key, watch.subject
    by_day = f"CROSS JOIN {days_sql(days)}" if "d." in watch.holds else ""
    same_lab = "AND d.lab_id = s.lab_id" if by_day else ""
    return (
        "INSERT INTO inventory_alert "  # noqa: S608
        "(lab_id, rule, subject_kind, subject_id, due_on, opened_at, cured_by) "
        f"SELECT s.lab_id, '{rule}', '{subject.kind}', s.id, {watch.due_on or 'NULL'}, %(now)s, '' "
        f"FROM {subject.table} AS s {by_day} WHERE {watch.bounds} {same_lab} AND {watch.holds} "
        f"{_only('s', part)} "
        "ON CONFLICT (rule, subject_kind, subject_id) WHERE closed_at IS NULL DO NOTHING"
    )


def closing_sql(watches: Sequence[Watch], days: Sequence[LabDays], part: Range | None) -> str:
    """Close every open alert whose rule no longer applies, and follow a due date that has moved.

    Watches of one kind of subject only. Returns rule and closing time for every row changed
    (the plain column: SQLite 3.40 gets `closed_at IS NOT NULL` wrong there).
    """
    subject = watches[0].subject
    keys = words_sql(watch.rule.key for watch in watches)
    holds = " ".join(f"WHEN '{w.rule.key}' THEN {w.bounds} AND {w.holds}" for w in watches)
    dated = " ".join(f"WHEN '{w.rule.key}' THEN {w.due_on}" for w in watches if w.due_on)
    cure = " ".join(f"WHEN {condition} THEN {_quoted(words)}" for condition, words in subject.cures)
    return (
        "UPDATE inventory_alert SET "  # noqa: S608
        "closed_at = CASE WHEN f.stands THEN NULL ELSE %(now)s END, "
        "cured_by = CASE WHEN f.stands THEN '' ELSE f.cure END, "
        "due_on = CASE WHEN f.stands THEN f.due ELSE inventory_alert.due_on END "
        f"FROM (SELECT a.id AS alert_id, COALESCE(CASE a.rule {holds} END, FALSE) AS stands, "
        f"{f'CASE a.rule {dated} ELSE a.due_on END' if dated else 'a.due_on'} AS due, "
        f"CASE {cure} ELSE {_quoted(subject.otherwise)} END AS cure "
        f"FROM inventory_alert AS a CROSS JOIN {subject.table} AS s CROSS JOIN {days_sql(days)} "
        f"WHERE a.closed_at IS NULL AND a.rule IN {keys} AND a.subject_kind = '{subject.kind}' "
        f"AND s.id = a.subject_id AND d.lab_id = s.lab_id {_only('a', part)}) AS f "
        "WHERE inventory_alert.id = f.alert_id AND (NOT f.stands "
        "OR COALESCE(inventory_alert.due_on, '0001-01-01') <> COALESCE(f.due, '0001-01-01')) "
        "RETURNING rule, inventory_alert.closed_at"
    )


def escalating_sql(watches: Sequence[Watch], days: Sequence[LabDays], part: Range | None) -> str:
    """Send to the supervisors what nobody has answered in time; time put off does not count.

    A rule that is not among the watches counts as one of the mildest. Returns the rule of every row changed.
    """
    severities = sorted({watch.rule.severity for watch in watches} | {MILDEST})
    late = " ".join(f"WHEN '{w.rule.key}' THEN d.late_{w.rule.severity}" for w in watches)
    return (
        "UPDATE inventory_alert SET escalated_at = %(now)s "  # noqa: S608
        f"FROM (SELECT a.id AS alert_id FROM inventory_alert AS a CROSS JOIN {late_sql(days, severities)} "
        f"WHERE {_UNANSWERED} AND a.opened_at < %(last_late)s AND d.lab_id = a.lab_id "
        f"AND {_WAITS} < CASE a.rule {late} ELSE d.late_{MILDEST} END {_only('a', part)}) AS f "
        "WHERE inventory_alert.id = f.alert_id AND inventory_alert.closed_at IS NULL "
        "AND inventory_alert.acknowledged_at IS NULL AND inventory_alert.escalated_at IS NULL RETURNING rule"
    )


def _quoted(words: str) -> str:
    """Words of the rules as text in SQL."""
    return "'" + words.replace("'", "''") + "'"


def _only(table: str, part: Range | None) -> str:
    """Limit to some labs; the plus keeps SQLite from choosing the labs' own, wider index."""
    return "" if part is None else f"AND +{table}.lab_id BETWEEN %(low)s AND %(high)s"

"""What a person does about an alert: says that they have seen it, or puts it off for a while.

Neither closes it: only the sweep does, once the facts are cured. Both leave an event.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Case, IntegerField, QuerySet, Value, When
from django.dispatch import Signal

from inventory.models import Alert, Lab, User
from inventory.rules.alerts import GRAVEST, goes_up_when_answered, put_off_days_max
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.lab_days import day_in_zone
from inventory.services.watches import rules

REASON_MAX = 500
# Sent with `alert` and `may_loosen`: some alerts tell what has happened, and end once somebody answers.
acknowledged = Signal()


def severity_of(rule: str) -> int:
    """The severity of a rule by its key; of one that is known no more the worst."""
    return next((each.severity for each in rules() if each.key == rule), GRAVEST)


def by_severity(rows: QuerySet[Alert]) -> QuerySet[Any]:
    """Alerts annotated with the severity of their rule, as `severity_of` has it."""
    keys: defaultdict[int, list[str]] = defaultdict(list)
    for rule in rules():
        keys[rule.severity].append(rule.key)
    # One condition for each severity, and none for the gravest: a list of all alerts asks each of its rows.
    whens = [When(rule__in=keys[s], then=Value(s)) for s in sorted(keys, reverse=True) if s != GRAVEST]
    return rows.annotate(severity=Case(*whens, default=Value(GRAVEST), output_field=IntegerField()))


def latest_put_off_on(alert: Alert, lab: Lab) -> date | None:
    """The last day to which an alert may be put off, counted from its opening; None: never."""
    days = put_off_days_max(severity_of(alert.rule))
    return day_in_zone(alert.opened_at, lab.time_zone) + timedelta(days=days) if days else None


def alert_acknowledge(
    *, lab: Lab, actor: User, now: datetime, alert: Alert, note: str = "", may_loosen: bool = False
) -> Alert:
    """Note that somebody has seen it and sees to it; the first one stands, each leaves an event.

    One of the gravest goes to the supervisors at once unless a supervisor answers it (`may_loosen`): that it
    was read at the bench must not keep it from them. Sends `acknowledged` in the same transaction, each time.
    Raises Conflict when it is closed.
    """
    with transaction.atomic():
        held = _open(alert)
        changes: dict[str, Any] = {}
        if held.acknowledged_at is None:
            changes = {"acknowledged_at": now, "acknowledged_by": actor}
        if held.escalated_at is None and not may_loosen and goes_up_when_answered(severity_of(held.rule)):
            changes["escalated_at"] = now
        _change(held, changes)
        data = {"note": note.strip(), "escalated": "escalated_at" in changes}
        record(lab=lab, actor=actor, now=now, verb="alert-acknowledged", subject=held, data=data)
        acknowledged.send(sender=None, alert=held, may_loosen=may_loosen)
    return held


def alert_put_off(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    alert: Alert,
    until_on: date,
    reason: str,
    may_loosen: bool = False,
) -> Alert:
    """Hide an open alert from what is to be done, and keep it from going up, until that day in the lab.

    Bounded from its opening by its severity. An earlier day than before is free; a later one, or one for an
    alert that has gone to the supervisors, is for a supervisor (`may_loosen`).
    Raises Conflict when it is closed or too grave, InputError naming `until_on` or `reason`, Denied.
    """
    if not reason.strip():
        raise InputError(
            "reason",
            "missing",
            Phrase("Putting off needs a reason."),
            Phrase("Say what is being waited for."),
        )
    with transaction.atomic():
        held = _open(alert)
        _check_day(held, lab, now, until_on)
        until = datetime.combine(until_on, time.min, ZoneInfo(lab.time_zone))
        before = held.put_off_until
        later = before is not None and until > before
        if (later or held.escalated_at is not None) and not may_loosen:
            raise _not_signed(later=later)
        _change(held, {"put_off_until": until})
        data = {
            "until_on": until_on.isoformat(),
            "before": None if before is None else before.isoformat(),
            "reason": reason.strip()[:REASON_MAX],
        }
        record(lab=lab, actor=actor, now=now, verb="alert-put-off", subject=held, data=data)
    return held


def _open(alert: Alert) -> Alert:
    held = Alert.objects.select_for_update(of=("self",)).get(pk=alert.pk)
    if held.closed_at is not None:
        raise Conflict(
            "alert",
            "alert-closed",
            Phrase("This alert was closed: {cured_by}.", cured_by=held.cured_by),
            Phrase("Nothing is left to do."),
        )
    return held


def _change(held: Alert, changes: dict[str, Any]) -> None:
    for name, value in changes.items():
        setattr(held, name, value)
    if changes:
        held.save(update_fields=list(changes))


def _check_day(held: Alert, lab: Lab, now: datetime, until_on: date) -> None:
    latest = latest_put_off_on(held, lab)
    if latest is None:
        raise Conflict(
            "alert",
            "never-put-off",
            Phrase("An alert as grave as this is never put off."),
            Phrase("See to it, or get help."),
        )
    if until_on < day_in_zone(now, lab.time_zone):
        raise InputError(
            "until_on",
            "in-the-past",
            Phrase("That day is over."),
            Phrase("Give today to end the putting off."),
        )
    if until_on > latest:
        raise InputError(
            "until_on",
            "too-late",
            Phrase(
                "This alert may be put off to {latest} at the latest, counted from its opening.",
                latest=latest,
            ),
            Phrase("Give an earlier day, or see to it."),
        )


def _not_signed(*, later: bool) -> Denied:
    words = Phrase("It has gone to the supervisors")
    if later:
        words = Phrase("It was put off once already")
    return Denied(
        "",
        "putting-off-not-signed",
        Phrase("{words}: that is for a supervisor.", words=words),
        Phrase("Ask a supervisor."),
    )

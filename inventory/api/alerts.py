"""Alerts: what the sweep found, what people did about it, and sweeping now."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import Q
from django.http import HttpResponse

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, DayField, NoteField, TextField
from inventory.api.idempotency import Done
from inventory.api.labs import Nothing
from inventory.api.paging import ID, Key, orderings, page
from inventory.api.shapes_alerts import AlertDetailShape, AlertShape, SweptShape
from inventory.models import Alert, Event
from inventory.rules.alerts import GRAVEST, MILDEST
from inventory.selectors.alert_story import fates_of, history_of
from inventory.services.answering import (
    alert_acknowledge,
    alert_put_off,
    by_severity,
    latest_put_off_on,
    severity_of,
)
from inventory.services.sweep import Swept, sweep
from inventory.services.watches import rules

COLUMNS = (
    "id", "rule", "subject_kind", "subject_id", "due_on", "opened_at", "closed_at", "cured_by",
    "acknowledged_at", "acknowledged_by__username", "put_off_until", "escalated_at",
)  # fmt: skip
ORDERINGS = {
    **orderings(id=Key("id", "int")),
    "severity": [Key("severity", "int"), ID],
    "-severity": [Key("severity", "int", True), ID.turned()],
}
BEFORE_MAX = 20
_PLAIN = (
    "due_on", "opened_at", "closed_at", "cured_by", "acknowledged_at", "put_off_until", "escalated_at",
)  # fmt: skip


def alert_out(row: Sequence[Any]) -> dict[str, Any]:
    """One row of `COLUMNS`."""
    found = dict(zip(COLUMNS, row, strict=True))
    rule = found["rule"]
    return {
        "id": str(found["id"]),
        "rule": rule,
        "words": next((each.words for each in rules() if each.key == rule), ""),
        "severity": severity_of(rule),
        "subject": {"kind": found["subject_kind"], "id": str(found["subject_id"])},
        "acknowledged_by": found["acknowledged_by__username"],
        **{name: found[name] for name in _PLAIN},
    }


class Alerts(LabView):
    """What the sweep found, newest first."""

    contracts = {
        "GET": Contract(
            "alerts.read",
            AlertShape,
            "Alerts",
            params=(
                params.flag("open"),
                params.flag("to_do", "Open, and not put off at this moment."),
                params.text("rule"),
                params.number("severity", "This one alone.", least=GRAVEST, most=MILDEST),
                params.number("severity__lte", "This one and worse.", least=GRAVEST, most=MILDEST),
                params.text("subject_kind"),
                params.ref("subject_id"),
                params.flag("acknowledged"),
                params.flag("put_off", "Put off at this moment."),
                params.flag("escalated"),
                *params.paging(ORDERINGS),
            ),
            paged=True,
            words="Severities go from 1, the worst, to 9.",
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = by_severity(Alert.objects.filter(lab=self.caller.lab)).filter(self.wanted(given))
        keys = ORDERINGS[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=COLUMNS, given=given, shape=alert_out)
        )

    def wanted(self, given: dict[str, Any]) -> Q:
        """All filters together."""
        put_off = Q(put_off_until__isnull=False, put_off_until__gt=self.now)
        flags = {
            "open": Q(closed_at__isnull=True),
            "to_do": Q(closed_at__isnull=True) & ~put_off,
            "acknowledged": Q(acknowledged_at__isnull=False),
            "put_off": put_off,
            "escalated": Q(escalated_at__isnull=False),
        }
        found = Q()
        for name, condition in flags.items():
            if name in given:
                found &= condition if given[name] else ~condition
        plain = ("rule", "severity", "severity__lte", "subject_kind", "subject_id")
        return found & Q(**{name: given[name] for name in plain if name in given})


class AlertDetail(LabView):
    """One alert with its history."""

    contracts = {"GET": Contract("alerts.read", AlertDetailShape, "One alert", tagged=True)}

    def get(self, request: Any, lab: str, alert: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown(self.caller.by_id(Alert.objects.all(), alert)))

    def shown(self, alert: Alert) -> dict[str, Any]:
        row = Alert.objects.filter(pk=alert.pk).values_list(*COLUMNS).get()
        same = Alert.objects.filter(
            lab=self.caller.lab, rule=alert.rule, subject_kind=alert.subject_kind, subject_id=alert.subject_id
        )
        before = same.filter(pk__lt=alert.pk).order_by("-pk").values_list("pk", flat=True)
        return {
            **alert_out(row),
            "latest_put_off_on": latest_put_off_on(alert, self.caller.lab),
            "history": [_history_out(event) for event in history_of(alert)],
            "deliveries": fates_of(alert),
            "before": [str(pk) for pk in before[:BEFORE_MAX]],
        }


def _history_out(event: Event) -> dict[str, Any]:
    return {"at": event.at, "actor": event.actor.username, "verb": event.verb, "data": event.data}


class Acknowledge(Body):
    note = NoteField(max_length=500)


class PutOff(Body):
    """until_on: the day on which it is to be done again; today ends the putting off."""

    until_on = DayField()
    reason = TextField(max_length=500)


def _done(alert: Alert) -> Done:
    return Done(alert_out(Alert.objects.filter(pk=alert.pk).values_list(*COLUMNS).get()))


class AlertAcknowledgements(LabView):
    """Somebody has seen an alert and sees to it. It stays open until it is cured, or was of the past."""

    contracts = {
        "POST": Contract(
            "alerts.answer",
            AlertShape,
            "Answer an alert",
            body=Acknowledge,
            status=201,
            words="One of severity 1 or 2 goes to the supervisors at once, unless one of them answers it. "
            "What was found in a run has happened, so that an answer ends its alert; of severity 1 or 2 that "
            "of a supervisor alone.",
        )
    }

    def post(self, request: Any, lab: str, alert: str) -> HttpResponse:
        found = self.caller.by_id(Alert.objects.all(), alert)

        def work(data: Any) -> Done:
            may_loosen = self.caller.may("safety.loosen")
            held = alert_acknowledge(**self.by, alert=found, note=data.get("note", ""), may_loosen=may_loosen)
            return _done(held)

        return self.write(work)


class AlertPutOffs(LabView):
    """An alert waits: hidden from what is to be done, and not sent up, until that day."""

    contracts = {
        "POST": Contract(
            "alerts.put-off",
            AlertShape,
            "Put an alert off",
            body=PutOff,
            status=201,
            words="Never of severity 1 or 2; else for at most as many days from its opening as its severity "
            "allows (`latest_put_off_on`). A later day than before, or one that has gone to the "
            "supervisors, needs `safety.loosen` too.",
        )
    }

    def post(self, request: Any, lab: str, alert: str) -> HttpResponse:
        found = self.caller.by_id(Alert.objects.all(), alert)

        def work(data: Any) -> Done:
            may_loosen = self.caller.may("safety.loosen")
            return _done(alert_put_off(**self.by, alert=found, may_loosen=may_loosen, **data))

        return self.write(work)


class Sweeps(LabView):
    """Bring the lab's alerts up to date now instead of at the next scheduled time."""

    contracts = {"POST": Contract("alerts.sweep", SweptShape, "Sweep now", body=Nothing, status=201)}

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            swept = sweep(now=self.now, lab=self.caller.lab)
            return Done({"at": self.now, "rules": [_swept(rule, swept[rule]) for rule in swept]})

        return self.write(work)


def _swept(rule: str, found: Swept) -> dict[str, Any]:
    return {
        "rule": rule,
        "opened": found.opened,
        "closed": found.closed,
        "escalated": found.escalated,
    }

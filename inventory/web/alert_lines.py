"""Alerts as pages show them: what it is about, what to do, and the forms to answer one or put it off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

from django import forms
from django.db.models import Q, QuerySet
from django.urls import reverse
from django.utils.translation import gettext_lazy

from inventory.models import Alert, Container
from inventory.rules.advice import Told
from inventory.selectors.alert_subjects import Subject, subjects_of
from inventory.services.answering import REASON_MAX, latest_put_off_on
from inventory.services.delivery.content import advice_of, rule_words
from inventory.web.desk import Desk, DeskForm
from inventory.web.language import spoken


class SeenForm(DeskForm):
    """Somebody has seen it and sees to it."""

    note = forms.CharField(
        label=gettext_lazy("What you do about it"),
        required=False,
        max_length=REASON_MAX,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


class PutOffForm(DeskForm):
    """It waits until a day, for a reason."""

    until_on = forms.DateField(
        label=gettext_lazy("Until"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    reason = forms.CharField(
        label=gettext_lazy("What is being waited for"),
        max_length=REASON_MAX,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


@dataclass(frozen=True)
class AlertLine:
    """One alert. latest_on: the last day to which it may be put off; None: never, or not by this person.

    answers: this person may say that they see to it. A form is made when it is asked for: where a list has no
    room for it, it would cost more than the line.
    """

    alert: Alert
    words: str
    severity: int
    subject: Subject
    link: str
    waits: bool
    latest_on: date | None
    advice: str = ""
    answers: bool = False

    @cached_property
    def seen(self) -> SeenForm | None:
        return SeenForm(auto_id=f"alert{self.alert.pk}_%s") if self.answers else None

    @cached_property
    def later(self) -> PutOffForm | None:
        if self.latest_on is None:
            return None
        return PutOffForm(auto_id=f"later{self.alert.pk}_%s", initial={"until_on": self.latest_on})

    @property
    def is_grave(self) -> bool:
        """As grave as those that are never put off."""
        return self.severity <= 2


def to_do(rows: QuerySet[Alert], desk: Desk) -> QuerySet[Alert]:
    """Open, and not put off at this moment."""
    return rows.filter(closed_at=None).exclude(put_off_q(desk))


def put_off_q(desk: Desk) -> Q:
    return Q(put_off_until__isnull=False, put_off_until__gt=desk.now)


def lines_of(
    desk: Desk, alerts: Iterable[Alert], *, advise: bool = True, said: Mapping[int, Told] | None = None
) -> list[AlertLine]:
    """The same alerts in the same order, with forms for what this person may do about each.

    advise: work out what the verdict has people do with each container, unless `said` has it by its id; where
    that stands beside it anyway it need not be done twice. Alerts come with `acknowledged_by`.
    """
    held = list(alerts)
    subjects, links = subjects_of(held), _links(desk, held)
    advice = advice_of(held, desk.today, said) if advise else {}
    return [_line(desk, alert, subjects[alert.pk], links, advice) for alert in held]


def _line(
    desk: Desk, alert: Alert, subject: Subject, links: Mapping[int, str], advice: Mapping[int, str]
) -> AlertLine:
    words, severity = rule_words(alert.rule)
    latest_on = _latest_on(desk, alert)
    return AlertLine(
        alert,
        spoken(words),
        severity,
        subject,
        links.get(alert.pk, ""),
        alert.put_off_until is not None and alert.put_off_until > desk.now,
        latest_on,
        spoken(advice.get(alert.pk, "")),
        alert.closed_at is None and desk.caller.may("alerts.answer"),
    )


def _latest_on(desk: Desk, alert: Alert) -> date | None:
    """To when this person may put it off; the service has the last word."""
    if alert.closed_at is not None or not desk.caller.may("alerts.put-off"):
        return None
    if alert.escalated_at is not None and not desk.caller.may("safety.loosen"):
        return None
    latest = latest_put_off_on(alert, desk.lab)
    return latest if latest is not None and latest >= desk.today else None


def _links(desk: Desk, alerts: list[Alert]) -> dict[int, str]:
    """Where what each alert is about is shown, by the id of the alert; not every kind has a page."""
    ids = {alert.subject_id for alert in alerts if alert.subject_kind == "container"}
    codes: dict[int, str] = {}
    if ids:
        codes = dict(Container.objects.filter(lab=desk.lab, pk__in=ids).values_list("pk", "code"))
    found = {}
    for alert in alerts:
        if alert.subject_kind == "container" and alert.subject_id in codes:
            found[alert.pk] = reverse("container", args=[desk.lab.slug, codes[alert.subject_id]])
        elif alert.subject_kind == "run":
            found[alert.pk] = reverse("run", args=[desk.lab.slug, alert.subject_id])
        elif alert.subject_kind == "losssignal":
            found[alert.pk] = reverse("recovery", args=[desk.lab.slug])
    return found


def cells(line: AlertLine) -> list[Any]:
    """A line of the CSV, in the order of `CSV_COLUMNS`."""
    alert = line.alert
    by = alert.acknowledged_by.display_name if alert.acknowledged_by else ""
    moments = [
        "" if at is None else at.isoformat()
        for at in (
            alert.opened_at,
            alert.closed_at,
            alert.acknowledged_at,
            alert.put_off_until,
            alert.escalated_at,
        )
    ]
    return [
        alert.pk, alert.rule, line.words, line.severity, alert.subject_kind, line.subject.name,
        line.subject.place, alert.due_on, *moments, by, alert.cured_by,
    ]  # fmt: skip


CSV_COLUMNS = (
    "id", "rule", "words", "severity", "subject_kind", "subject", "place", "due_on", "opened_at", "closed_at",
    "acknowledged_at", "put_off_until", "escalated_at", "acknowledged_by", "cured_by",
)  # fmt: skip

"""Alerts as pages show them: what it is about, what to do, and the forms to answer one or put it off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any, ClassVar

from django import forms
from django.db.models import Q, QuerySet
from django.urls import reverse
from django.utils.translation import gettext, gettext_lazy

from inventory.models import Alert
from inventory.rules.advice import Told
from inventory.selectors.alert_subjects import Subject, subjects_of
from inventory.services.answering import REASON_MAX, latest_put_off_on
from inventory.services.delivery.content import rule_words, told_about
from inventory.web.addresses import address_of
from inventory.web.csv_out import coded
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
class Act:
    """Something that cures it, or leads there."""

    words: Any
    address: str


@dataclass(frozen=True)
class AlertLine:
    """One alert. latest_on: the last day to which it may be put off; None: never, or not by this person.

    answers: this person may say that they see to it. name: of its subject, in the language of the page.
    act: what they may do about it at once, if it is none of a container. alone: nobody uses, opens or tests
    what it is about.

    A form is made when it is asked for: lists write theirs out, since a fresh one costs more than its line.
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
    name: str = ""
    address: str = ""
    act: Act | None = None
    alone: bool = False
    most: ClassVar[int] = REASON_MAX

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

    @property
    def look(self) -> str:
        """The class of its mark-up."""
        if self.alert.closed_at:
            return ""
        return "danger" if self.is_grave else "warn" if self.severity <= 6 else ""

    @property
    def story(self) -> str:
        """What a link to its own page is called where nobody sees what stands around it."""
        return gettext("What has come of it: %(name)s") % {"name": self.name}


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
    subjects = subjects_of(held)
    told = told_about(held, desk.today, said) if advise else {}
    own, links = address_of("alert", desk.lab.slug), _Links(desk)
    return [
        _line(desk, alert, subjects[alert.pk], links, told.get(alert.pk), own(alert.pk)) for alert in held
    ]


def _line(
    desk: Desk, alert: Alert, subject: Subject, links: _Links, told: Told | None, address: str
) -> AlertLine:
    words, severity = rule_words(alert.rule)
    return AlertLine(
        alert,
        spoken(words),
        severity,
        subject,
        links.of(alert, subject),
        alert.put_off_until is not None and alert.put_off_until > desk.now,
        _latest_on(desk, alert),
        spoken(told.advice) if told else "",
        alert.closed_at is None and desk.caller.may("alerts.answer"),
        spoken(subject.name),
        address,
        None if alert.closed_at else links.act_on(alert, subject),
        told is not None and told.alone,
    )


def _latest_on(desk: Desk, alert: Alert) -> date | None:
    """To when this person may put it off; the service has the last word."""
    if alert.closed_at is not None or not desk.caller.may("alerts.put-off"):
        return None
    if alert.escalated_at is not None and not desk.caller.may("safety.loosen"):
        return None
    latest = latest_put_off_on(alert, desk.lab)
    return latest if latest is not None and latest >= desk.today else None


class _Links:
    """Where what an alert is about is shown; not every kind has a page."""

    def __init__(self, desk: Desk) -> None:
        self._lab, self._may = desk.lab, desk.caller.may
        self._to = {kind: address_of(page, desk.lab.slug) for kind, page in _PAGES.items()}

    def of(self, alert: Alert, subject: Subject) -> str:
        if alert.subject_kind in _LISTS:
            return reverse(_LISTS[alert.subject_kind], args=[self._lab.slug])
        ref = alert.subject_id if alert.subject_kind == "run" else subject.code or subject.at
        return self._to[alert.subject_kind](ref) if ref and alert.subject_kind in self._to else ""

    def act_on(self, alert: Alert, subject: Subject) -> Act | None:
        """None where there is nothing but to see to it, or it is not for this person."""
        needs, words = _ACTS.get(alert.subject_kind, ("", ""))
        known = subject.code or subject.at or alert.subject_kind == "reagent"
        if not needs or not known or not self._may(needs):
            return None
        slug = self._lab.slug
        if alert.subject_kind == "stocklevel":
            return Act(words, f"{reverse('receive', args=[slug])}?solvent={subject.at}")
        if alert.subject_kind == "wastecontainer":
            return Act(words, reverse("waste-hand-over", args=[slug, subject.code]))
        if alert.subject_kind == "reagent":
            return Act(words, reverse("reagent-end", args=[slug, alert.subject_id]))
        return Act(words, f"{self.of(alert, subject)}#held")


# Kind of subject → the page of one, by its code or the id that its page goes by.
_PAGES = {
    "container": "container",
    "wastecontainer": "waste",
    "run": "run",
    "location": "place",
    "storagelimit": "place",
    "solvent": "solvent",
    "stocklevel": "solvent",
}
# Kind of subject → the page where all of them stand.
_LISTS = {"losssignal": "recovery", "reagent": "reagents"}
# Kind of subject → the permission for what cures it, and what that is called.
_ACTS: Mapping[str, tuple[str, Any]] = {
    "stocklevel": ("stock.receive", gettext_lazy("Receive a container")),
    "wastecontainer": ("waste.edit", gettext_lazy("Hand it over for disposal")),
    "reagent": ("reagents.edit", gettext_lazy("Used up")),
    "storagelimit": ("stock.move", gettext_lazy("Move something away")),
    "location": ("stock.move", gettext_lazy("Move something away")),
}


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
        alert.pk, coded(alert.rule, rule_words(alert.rule)[0]), line.words, line.severity, alert.subject_kind,
        line.subject.name, line.subject.place, alert.due_on, *moments, by, alert.cured_by,
    ]  # fmt: skip


CSV_COLUMNS = (
    "id", "rule", "words", "severity", "subject_kind", "subject", "place", "due_on", "opened_at", "closed_at",
    "acknowledged_at", "put_off_until", "escalated_at", "acknowledged_by", "cured_by",
)  # fmt: skip

"""What a message says, worked out when it is sent: an alert's mail, the digest, and a webhook's data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings

from inventory.models import Alert, Delivery, Lab
from inventory.rules.advice import Told
from inventory.rules.digest_days import zone_of
from inventory.rules.phrases import Phrase
from inventory.rules.telling import CAUTIONS
from inventory.selectors.alert_subjects import Subject, subjects_of
from inventory.services.due_telling import told_by_id
from inventory.services.speaking import spoken
from inventory.services.watches import rules

ALERTS_SHOWN_MAX = 100
CURED_WITHIN = timedelta(days=1)
SUBJECT_LENGTH_MAX = 150


@dataclass(frozen=True)
class Line:
    """One alert as a message shows it. days: how long past its day; negative: days to go.

    advice: what to do with an open container, by its verdict of the day on which the message is made.
    """

    words: str
    severity: int
    subject: Subject
    due_on: date | None
    days: int | None
    opened_on: date
    cured_by: str = ""
    answered_by: str = ""
    advice: str = ""

    @property
    def when(self) -> str:
        """The day in words; a message without a date is one that is due at once."""
        if self.due_on is None or self.days is None:
            return ""
        return spoken(_when(self.due_on, self.days))

    def said(self) -> Line:
        """The same in the language that is on; a mail in plain text has nobody else to say it."""
        where = Subject(spoken(self.subject.name), self.subject.place)
        # What cured it is stored as English words, which are a message of the catalogue.
        cured_by = spoken(Phrase(self.cured_by))
        words, advice = spoken(self.words), spoken(self.advice)
        return replace(self, words=words, subject=where, cured_by=cured_by, advice=advice)


def _when(day: date, days: int) -> str:
    if days == 0:
        return Phrase("is due {day}, today", day=day)
    if days == 1:
        return Phrase("was due {day}, 1 day ago", day=day)
    if days == -1:
        return Phrase("is due {day}, in 1 day", day=day)
    if days > 0:
        return Phrase("was due {day}, {count} days ago", day=day, count=days)
    return Phrase("is due {day}, in {count} days", day=day, count=-days)


@dataclass(frozen=True)
class Digest:
    """What one morning's mail tells. more: alerts that stand open beside those shown."""

    lines: tuple[Line, ...]
    more: int
    put_off: int
    cured: tuple[Line, ...]

    @property
    def is_empty(self) -> bool:
        return not (self.lines or self.cured)

    def said(self) -> Digest:
        """The same in the language that is on."""
        lines, cured = (tuple(line.said() for line in some) for some in (self.lines, self.cured))
        return replace(self, lines=lines, cured=cured)


def rule_words(key: str) -> tuple[str, int]:
    """Words and severity of a rule; one that nobody knows any more counts as the worst."""
    return next(((r.words, r.severity) for r in rules() if r.key == key), (key, 1))


def lab_address(lab: Lab, site: str = "") -> str:
    """The lab's page. site: where this place is reached, if not by the address that is set."""
    return f"{site or settings.STILLKEEP_SITE_URL}/labs/{lab.slug}/"


def lines_of(alerts: Iterable[Alert], lab: Lab, now: datetime) -> list[Line]:
    """Alerts as lines, worst first, then by day."""
    held = list(alerts)
    zone = zone_of(lab.time_zone)
    today, subjects = now.astimezone(zone).date(), subjects_of(held)
    said = told_about(held, today)
    found = []
    for alert in held:
        words, severity = rule_words(alert.rule)
        by, told = alert.acknowledged_by, said.get(alert.pk)
        # No day to test by beside the word to leave it alone.
        dated = alert.due_on is not None and not (told and told.alone)
        found.append(
            Line(
                words,
                severity,
                subjects[alert.pk],
                alert.due_on,
                (today - alert.due_on).days if alert.due_on and dated else None,
                alert.opened_at.astimezone(zone).date(),
                alert.cured_by if alert.closed_at else "",
                by.display_name if by else "",
                told.advice if told else "",
            )
        )
    return sorted(found, key=lambda line: (line.severity, line.due_on or date.min, line.subject.name))


def told_about(
    alerts: Iterable[Alert], today: date, said: Mapping[int, Told] | None = None
) -> dict[int, Told]:
    """By the id of the alert: nobody is told that a test is due where the verdict has it left alone.

    said: what is to be said of their containers, by id, where that is in hand.
    """
    held = containers_of(alerts)
    if said is None:
        said = told_by_id(set(held.values()), today) if held else {}
    return {pk: said[container] for pk, container in held.items() if container in said}


def containers_of(alerts: Iterable[Alert]) -> dict[int, int]:
    """The id of the container that each alert is about, by the id of the alert, as long as it stands open."""
    return {a.pk: a.subject_id for a in alerts if a.subject_kind == "container" and a.closed_at is None}


def digest_of(lab: Lab, now: datetime) -> Digest:
    """What stands open in a lab, and what was cured since yesterday. Put-off alerts are only counted."""
    alerts = Alert.objects.filter(lab=lab).select_related("acknowledged_by")
    standing = alerts.filter(closed_at=None).exclude(put_off_until__gt=now)
    # The worst are wanted, and severity is not a column: the keys in order of severity are few.
    lines: list[Line] = []
    for rule in rules():
        room = ALERTS_SHOWN_MAX - len(lines)
        if room <= 0:
            break
        lines += lines_of(standing.filter(rule=rule.key).order_by("due_on", "pk")[:room], lab, now)
    cured = alerts.filter(closed_at__gt=now - CURED_WITHIN).order_by("-closed_at")[:ALERTS_SHOWN_MAX]
    put_off = alerts.filter(closed_at=None, put_off_until__gt=now).count()
    return Digest(tuple(lines), standing.count() - len(lines), put_off, tuple(lines_of(cured, lab, now)))


def frame(lab: Lab) -> dict[str, Any]:
    """What stands in every mail beside its matter."""
    return {"lab": lab, "address": lab_address(lab), "cautions": [spoken(words) for words in CAUTIONS]}


def one_line(text: str) -> str:
    """Text fit for a header: no line ends, not too long."""
    plain = " ".join(text.split())
    return plain if len(plain) <= SUBJECT_LENGTH_MAX else plain[: SUBJECT_LENGTH_MAX - 1] + "…"


def event_body(row: Delivery) -> dict[str, Any]:
    """The JSON of a webhook message: type, timestamp, data."""
    event = str(row.payload.get("event", ""))
    if row.alert is None:
        return {
            "type": "webhook.trial",
            "timestamp": _moment(row.created_at),
            "data": {"lab": row.lab.slug, "words": "A trial message: nothing has happened."},
        }
    alert = row.alert
    happened = {"opened": alert.opened_at, "escalated": alert.escalated_at, "closed": alert.closed_at}
    return {
        "type": f"alert.{event}",
        "timestamp": _moment(happened.get(event) or row.created_at),
        "data": _alert_data(alert, row.lab),
    }


def _alert_data(alert: Alert, lab: Lab) -> dict[str, Any]:
    words, severity = rule_words(alert.rule)
    subject = subjects_of([alert])[alert.pk]
    named = {"kind": alert.subject_kind, "id": str(alert.subject_id), "name": subject.name}
    return {
        "id": str(alert.pk),
        "lab": lab.slug,
        "rule": alert.rule,
        "words": words,
        "severity": severity,
        "subject": {**named, "place": subject.place},
        "due_on": None if alert.due_on is None else alert.due_on.isoformat(),
        "opened_at": _moment(alert.opened_at),
        "closed_at": _moment(alert.closed_at),
        "cured_by": alert.cured_by,
        "url": lab_address(lab),
    }


def _moment(at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(zone_of("UTC")).isoformat().replace("+00:00", "Z")

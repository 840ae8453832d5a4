"""What a calendar (RFC 5545) and an Atom feed (RFC 4287) say: the same facts always give the same bytes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.db.models import Count, Max, Sum
from django.utils.feedgenerator import Atom1Feed

from inventory.models import Alert, Container, Event, Feed, Lab, PeroxideTest, Policy
from inventory.rules.advice import ASK_FIRST, Told, asks_first
from inventory.rules.digest_days import zone_of
from inventory.rules.telling import CAUTIONS
from inventory.selectors.alert_subjects import subjects_of
from inventory.selectors.shelf import in_danger
from inventory.selectors.shelf_danger import NO_USE, danger_sql
from inventory.services.delivery.content import containers_of, lab_address, rule_words
from inventory.services.delivery.planning_sql import mail_host
from inventory.services.due_telling import told_by_id
from inventory.services.facts import policy_of

EVENTS_MAX = 2000
LEFT_ALONE = {"do-not-touch": "Do not touch, get help", "do-not-use": "Do not use, open or test"}
ENTRIES_MAX = 100


@dataclass(frozen=True)
class Entry:
    """One day in the calendar. sequence: grows with every fact that can move the day."""

    uid: str
    day: date
    title: str
    words: str
    place: str
    changed_at: datetime
    sequence: int


def calendar_bytes(feed: Feed, now: datetime, site: str) -> bytes:
    """The lab's due tests, and days by which to dispose, as whole-day events. site: where links lead."""
    from icalendar import Calendar

    lab = feed.lab
    calendar = Calendar()
    calendar.add("prodid", "-//Stillkeep//Due tests//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", f"{lab.name}: peroxide tests")
    calendar.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    for entry in _entries(lab, now):
        calendar.add_component(_event(entry, lab_address(lab, site)))
    return bytes(calendar.to_ical())


def _event(entry: Entry, address: str) -> Any:
    from icalendar import Event as CalendarEvent

    event = CalendarEvent()
    event.add("uid", entry.uid)
    event.add("dtstamp", entry.changed_at)
    event.add("last-modified", entry.changed_at)
    event.add("sequence", entry.sequence)
    event.add("dtstart", entry.day)
    event.add("dtend", entry.day + timedelta(days=1))
    event.add("summary", entry.title)
    event.add("description", "\n".join([entry.words, "", *CAUTIONS]).strip())
    if entry.place:
        event.add("location", entry.place)
    event.add("url", address)
    event.add("transp", "TRANSPARENT")
    return event


def _entries(lab: Lab, now: datetime) -> list[Entry]:
    """The soonest days first."""
    rows = Container.objects.filter(lab=lab, discarded_at=None, volume_ul__gt=0)
    columns = (
        "pk", "code", "lot_id", "lot__solvent__name", "location__name", "version", "created_at", "due_words",
        "due_code",
    )  # fmt: skip
    tests = rows.exclude(next_test_due=None).order_by("next_test_due", "pk")
    ends = rows.exclude(dispose_on=None).order_by("dispose_on", "pk")
    kinds = [
        ("test", "Peroxide test due", tests.values_list("next_test_due", *columns)[:EVENTS_MAX]),
        ("dispose", "Dispose of by today", ends.values_list("dispose_on", *columns)[:EVENTS_MAX]),
    ]
    alone = _left_alone(lab, {row[1] for _, _, found in kinds for row in found}, now)
    history = _History.of(lab, {row[3] for _, _, found in kinds for row in found})
    today = _today(lab, now)
    return [
        _entry(row, kind, title, history, alone.get(row[1]), today)
        for kind, title, found in kinds
        for row in found
    ]


def _left_alone(lab: Lab, ids: set[int], now: datetime) -> dict[int, Told]:
    """What is told of those of them that nobody is to test; only what may be such is judged."""
    today = _today(lab, now)
    perhaps = in_danger(lab=lab, danger=danger_sql(policy_of(lab), today), most=NO_USE)
    found = told_by_id(ids.intersection(perhaps), today)
    return {pk: said for pk, said in found.items() if said.alone}


def _today(lab: Lab, now: datetime) -> date:
    return now.astimezone(zone_of(lab.time_zone)).date()


def _entry(row: Any, kind: str, title: str, history: _History, alone: Told | None, today: date) -> Entry:
    """alone: what is told of one that is to be left alone, which nobody is sent to test."""
    day, pk, code, lot_id, solvent, place, version, created_at, words, due_code = row
    tests, tested_at = history.tests.get(lot_id, (0, None))
    if kind == "dispose":
        words = ""
    elif asks_first(due_code, (today - day).days):
        words = f"{words} {ASK_FIRST}"
    if alone is not None:
        words = str(alone.advice)
        if kind == "test" or alone.level == "do-not-touch":
            title = LEFT_ALONE[alone.level]
    return Entry(
        uid=f"{kind}-{pk}@{mail_host()}",
        day=day,
        title=f"{title}: {code} {solvent or ''}".strip(),
        words=words,
        place=place or "",
        changed_at=max(at for at in (created_at, tested_at, history.policy_at) if at).replace(microsecond=0),
        sequence=version + tests + history.policies,
    )


@dataclass(frozen=True)
class _History:
    """Counts that only grow: tests of each lot with the last one's moment, and changes of the policy."""

    tests: dict[int, tuple[int, datetime]]
    policies: int
    policy_at: datetime | None

    @classmethod
    def of(cls, lab: Lab, lots: Iterable[int]) -> _History:
        held = PeroxideTest.objects.filter(lab=lab, lot_id__in=[lot for lot in lots if lot])
        counted = held.order_by().values_list("lot_id").annotate(n=Count("pk"), at=Max("recorded_at"))
        changes = Event.objects.filter(subject_kind="lab", subject_id=lab.pk, verb="policy-set")
        policy = changes.aggregate(n=Count("pk"), at=Max("at"))
        own = Policy.objects.filter(lab=lab).aggregate(n=Sum("version"))["n"] or 0
        tests = {lot: (n, at) for lot, n, at in counted}
        return cls(tests, policy["n"] + own, policy["at"])


# -- Atom


class _Atom(Atom1Feed):
    """An empty feed is as old as its address, not as the moment it is read."""

    def latest_post_date(self) -> datetime:
        dates: list[datetime] = [self.feed["since"], *(item["updateddate"] for item in self.items)]
        return max(dates)


def atom_bytes(feed: Feed, now: datetime, site: str, path: str) -> bytes:
    """The lab's newest alerts, open ones with what to do by the verdict of the day.

    site, path: where links lead, and where on it this feed is read.
    """
    lab = feed.lab
    page = lab_address(lab, site)
    made = _Atom(
        title=f"{lab.name}: alerts",
        link=page,
        description="",
        author_name=lab.name,
        feed_url=f"{site}{path}",
        feed_guid=f"tag:{mail_host()},2026:feed-{feed.pk}",
        since=feed.created_at,
    )
    alerts = list(Alert.objects.filter(lab=lab).order_by("-pk")[:ENTRIES_MAX])
    subjects, about = subjects_of(alerts), containers_of(alerts)
    said = told_by_id(set(about.values()), _today(lab, now)) if about else {}
    for alert in alerts:
        subject = subjects[alert.pk]
        made.add_item(
            title=f"{subject.name}: {rule_words(alert.rule)[0]}",
            link=page,
            description=_told(alert, subject.place, said.get(about.get(alert.pk, 0))),
            unique_id=f"tag:{mail_host()},2026:alert-{alert.pk}",
            pubdate=alert.opened_at,
            updateddate=max(at for at in (alert.opened_at, alert.closed_at, alert.escalated_at) if at),
            categories=[alert.rule],
        )
    return made.writeString("utf-8").encode()


def _told(alert: Alert, place: str, said: Told | None) -> str:
    if alert.closed_at is not None:
        return f"Closed {alert.closed_at.astimezone(UTC):%Y-%m-%d}: {alert.cured_by}."
    due = "" if alert.due_on is None or (said and said.alone) else f"Due {alert.due_on}."
    advice = "" if said is None else str(said.advice)
    parts = [f"Where: {place}." if place else "", due, advice, *CAUTIONS]
    return " ".join(part for part in parts if part)

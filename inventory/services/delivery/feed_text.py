"""What a calendar (RFC 5545) and an Atom feed (RFC 4287) say: the same facts always give the same bytes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.db.models import Count, Max, Q, Sum
from django.utils.feedgenerator import Atom1Feed

from inventory.models import Alert, Container, Event, Feed, Lab, PeroxideTest, Policy
from inventory.rules.digest_days import zone_of
from inventory.rules.telling import CAUTIONS
from inventory.selectors.alert_subjects import subjects_of
from inventory.services.delivery.content import lab_address, rule_words
from inventory.services.delivery.planning_sql import mail_host
from inventory.services.facts import containers_with
from inventory.services.verdicts import verdicts_of_many

EVENTS_MAX = 2000
LEFT_ALONE = "Do not touch, get help"
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
    )  # fmt: skip
    tests = rows.exclude(next_test_due=None).order_by("next_test_due", "pk")
    ends = rows.exclude(dispose_on=None).order_by("dispose_on", "pk")
    perilous = _not_to_be_touched(lab, now)
    kinds = [
        ("test", "Peroxide test due", tests.values_list("next_test_due", *columns)[:EVENTS_MAX]),
        ("dispose", "Dispose of by today", ends.values_list("dispose_on", *columns)[:EVENTS_MAX]),
    ]
    history = _History.of(lab, {row[3] for _, _, found in kinds for row in found})
    return [
        _entry(row, kind, LEFT_ALONE if row[1] in perilous else title, history)
        for kind, title, found in kinds
        for row in found
    ]


def _not_to_be_touched(lab: Lab, now: datetime) -> set[int]:
    """Containers that nobody should be told to test: a sign was seen, or a bad test recorded."""
    suspect = Container.objects.filter(
        ~Q(worst_sign="") | Q(due_code="reading-at-or-above-level"), lab=lab, discarded_at=None
    )
    today = now.astimezone(zone_of(lab.time_zone)).date()
    found = verdicts_of_many(containers_with(list(suspect.values_list("pk", flat=True))), today)
    return {pk for pk, said in found.items() if said["move"].level == "do-not-touch"}


def _entry(row: Any, kind: str, title: str, history: _History) -> Entry:
    day, pk, code, lot_id, solvent, place, version, created_at, words = row
    tests, tested_at = history.tests.get(lot_id, (0, None))
    return Entry(
        uid=f"{kind}-{pk}@{mail_host()}",
        day=day,
        title=f"{title}: {code} {solvent or ''}".strip(),
        words=words if kind == "test" else "",
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


def atom_bytes(feed: Feed, site: str, path: str) -> bytes:
    """The lab's newest alerts. site, path: where links lead, and where on it this feed is read."""
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
    subjects = subjects_of(alerts)
    for alert in alerts:
        subject = subjects[alert.pk]
        made.add_item(
            title=f"{subject.name}: {rule_words(alert.rule)[0]}",
            link=page,
            description=_told(alert, subject.place),
            unique_id=f"tag:{mail_host()},2026:alert-{alert.pk}",
            pubdate=alert.opened_at,
            updateddate=max(at for at in (alert.opened_at, alert.closed_at, alert.escalated_at) if at),
            categories=[alert.rule],
        )
    return made.writeString("utf-8").encode()


def _told(alert: Alert, place: str) -> str:
    if alert.closed_at is not None:
        return f"Closed {alert.closed_at.astimezone(UTC):%Y-%m-%d}: {alert.cured_by}."
    parts = [f"Where: {place}." if place else "", f"Due {alert.due_on}." if alert.due_on else "", *CAUTIONS]
    return " ".join(part for part in parts if part)

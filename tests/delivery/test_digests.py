"""The daily digest: one for each member and day of the lab, in its morning, whatever the clock does."""

from __future__ import annotations

import warnings
from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

import pytest
from dateutil import tz
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.models import Alert, Delivery, Lab
from inventory.rules.digest_days import day_in_force, moment, zone_of
from inventory.services.delivery.choices import choose
from inventory.services.delivery.digests import plan_digests
from tests.delivery.alerting import alert, alerting, close, delivered, reachable
from tests.delivery.mail_server import Mailbox
from tests.delivery.test_mail import part
from tests.factories import NOW, Club, club

HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)
NEVER_WAS = date(
    2011, 12, 30
)  # in Samoa, which went over the date line that night (tz database, Pacific/Apia)

# -- the rule


@pytest.mark.parametrize(
    ("zone", "at", "day", "expected"),
    [
        ("Europe/Berlin", time(7), date(2026, 3, 10), "2026-03-10T06:00"),
        # 29 March 2026, 02:00 to 03:00 does not happen in Berlin: as much later as it would have been.
        ("Europe/Berlin", time(2, 30), date(2026, 3, 29), "2026-03-29T01:30"),
        # 25 October 2026, 02:00 to 03:00 happens twice: the first time counts.
        ("Europe/Berlin", time(2, 30), date(2026, 10, 25), "2026-10-25T00:30"),
        ("Pacific/Kiritimati", time(7), date(2026, 3, 10), "2026-03-09T17:00"),
        ("Etc/GMT+12", time(7), date(2026, 3, 10), "2026-03-10T19:00"),
        ("Nowhere/At_all", time(7), date(2028, 2, 29), "2028-02-29T07:00"),
        # Nuuk goes from 23:00 on Saturday to midnight: half past eleven comes on Sunday.
        ("America/Nuuk", time(23, 30), date(2026, 3, 28), "2026-03-29T01:30"),
    ],
)
def test_the_moment_of_a_day(zone: str, at: time, day: date, expected: str) -> None:
    """Changes of clocks as the tz database tells them."""
    assert moment(day, at, zone_of(zone)).strftime("%Y-%m-%dT%H:%M") == expected


ZONES = st.sampled_from(sorted(available_timezones()))
TIMES = st.times().map(lambda t: t.replace(second=0, microsecond=0))
STARTS = st.datetimes(datetime(1990, 1, 1), datetime(2036, 1, 1)).map(lambda d: d.replace(tzinfo=UTC))


@settings(max_examples=300)
@given(ZONES, TIMES, STARTS, st.lists(st.integers(1, 50 * 60), min_size=1, max_size=60))
def test_days_in_force_go_forward_and_none_comes_early(
    name: str, at: time, start: datetime, steps: list[int]
) -> None:
    zone, now = zone_of(name), start
    before = day_in_force(now, at, zone)
    for minutes in steps:
        now += minutes * MINUTE
        day = day_in_force(now, at, zone)
        assert before <= day <= now.astimezone(zone).date()
        assert moment(day, at, zone) <= now < moment(day + DAY, at, zone)
        before = day


@settings(max_examples=60)
@given(ZONES, TIMES, STARTS)
def test_every_day_that_a_zone_has_comes_once(name: str, at: time, start: datetime) -> None:
    """Days are counted from the other side: by dateutil's reading of the clock, each quarter of an hour."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = tz.gettz(name)
    zone, days, lived = zone_of(name), Counter[date](), set()
    last = day_in_force(start, at, zone)
    for quarter in range(1, 6 * 96):
        now = start + quarter * 15 * MINUTE
        day = day_in_force(now, at, zone)
        if day != last:
            days[day] += 1
        last = day
        lived.add(now.astimezone(other).date())
    inner = {day for day in lived if min(lived) < day < max(lived) - DAY}
    assert set(days.values()) == {1}
    assert inner <= set(days) <= lived


def test_a_day_that_never_was_has_no_digest() -> None:
    zone, start = ZoneInfo("Pacific/Apia"), datetime(2011, 12, 28, tzinfo=UTC)
    days = {day_in_force(start + hour * HOUR, time(7), zone) for hour in range(24 * 6)}
    assert NEVER_WAS not in days
    assert {NEVER_WAS - DAY, NEVER_WAS + DAY} <= days


# -- the rows

pytestmark = pytest.mark.django_db


@pytest.fixture
def at(db: None, settings: Any) -> Club:
    settings.STILLKEEP_SENDS_MAIL = True
    made = alerting()
    Lab.objects.update(created_at=NOW - 30 * DAY)
    return made


def days_of(user: Any) -> list[str]:
    return list(Delivery.objects.filter(user=user).order_by("pk").values_list("key", flat=True))


def mornings(at: Club, start: datetime, hours: int) -> list[str]:
    """The days whose digest the supervisor was planned in so many hours, asked for every twenty minutes."""
    for step in range(hours * 3):
        plan_digests(now=start + step * 20 * MINUTE)
    return [key.split(":")[2] for key in days_of(at.supervisor)]


def test_who_gets_it(at: Club) -> None:
    choose(lab=at.lab, actor=at.steward, now=NOW, changes={"digest": False})
    choose(lab=at.lab, actor=at.auditor, now=NOW, changes={"digest": True})
    assert plan_digests(now=NOW) == 2
    assert set(Delivery.objects.values_list("user__email", flat=True)) == {
        "supervisor@example.org", "auditor@example.org",
    }  # fmt: skip
    assert plan_digests(now=NOW + HOUR) == 0


def test_it_comes_in_the_labs_morning(at: Club) -> None:
    Lab.objects.update(time_zone="Pacific/Kiritimati", digest_planned_on=date(2026, 3, 10))
    # 07:00 on the 11th at UTC+14 is 17:00 UTC on the 10th.
    assert plan_digests(now=datetime(2026, 3, 10, 16, 59, tzinfo=UTC)) == 0
    assert plan_digests(now=datetime(2026, 3, 10, 17, 0, tzinfo=UTC)) == 2
    assert days_of(at.supervisor)[0].endswith(":2026-03-11")


@pytest.mark.parametrize(
    ("zone", "at_time", "start", "expected"),
    [
        ("Europe/Berlin", time(2, 30), datetime(2026, 3, 27, tzinfo=UTC), range(27, 31)),
        ("Europe/Berlin", time(2, 30), datetime(2026, 10, 23, tzinfo=UTC), range(23, 27)),
        ("Etc/GMT-14", time(0, 0), datetime(2028, 2, 27, 12, tzinfo=UTC), [28, 29, 1, 2, 3]),
        ("Etc/GMT+12", time(23, 59), datetime(2026, 12, 30, 13, tzinfo=UTC), [30, 31, 1, 2]),
    ],
)
def test_one_a_day_over_changes_leap_days_and_ends(
    at: Club, zone: str, at_time: time, start: datetime, expected: Any
) -> None:
    Lab.objects.update(time_zone=zone, digest_at=at_time)
    found = [int(day[-2:]) for day in mornings(at, start, 96)]
    if found[0] != next(iter(expected)):  # the day in force when the counting began
        found = found[1:]
    assert found == list(expected)


def test_a_server_that_was_away_sends_one_and_not_seven(at: Club) -> None:
    plan_digests(now=NOW)
    assert mornings(at, NOW + 7 * DAY, 12) == ["2026-03-10", "2026-03-17"]


def test_a_new_lab_waits_for_its_first_morning(at: Club) -> None:
    Lab.objects.update(created_at=NOW - HOUR)
    assert plan_digests(now=NOW) == 0
    assert plan_digests(now=NOW + DAY) == 2


@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(st.lists(st.integers(-40 * 60, 40 * 60), min_size=2, max_size=12))
def test_no_jump_of_the_clock_brings_a_second_one_or_takes_one_away(at: Club, jumps: list[int]) -> None:
    """However the clock was moved before, each day that comes after has one digest."""
    Delivery.objects.all().delete()
    Lab.objects.update(digest_planned_on=None, time_zone="Europe/Berlin")
    now = NOW
    for minutes in jumps:
        now += minutes * MINUTE
        plan_digests(now=now)
        plan_digests(now=now)
    before = len(days_of(at.supervisor))
    for hour in range(24 * 4):
        plan_digests(now=now + hour * HOUR)
    made = Counter(key.split(":")[2] for key in days_of(at.supervisor)[before:])
    today = now.astimezone(ZoneInfo("Europe/Berlin")).date()
    to_come = {(today + n * DAY).isoformat() for n in range(1, 4)}
    assert to_come <= set(made)
    assert set(made.values()) == {1}


def test_a_clock_that_ran_a_month_ahead_takes_no_morning_away(at: Club) -> None:
    plan_digests(now=NOW)
    plan_digests(now=NOW + 30 * DAY)
    found = mornings(at, NOW, 24 * 32)
    assert Counter(day.split("~")[0] for day in found) == Counter(
        {(NOW.date() + n * DAY).isoformat(): 1 for n in range(33)}
    ) + Counter({(NOW.date() + 30 * DAY).isoformat(): 1})


# -- what it says


def test_it_tells_what_stands_open_worst_first(mailbox: Mailbox) -> None:
    at = club()
    reachable(at, "supervisor")
    Lab.objects.update(created_at=NOW - DAY)
    alert(at, "retest-due-soon", due_on=NOW.date() + 3 * DAY)
    alert(at, "sign-seen")
    put_off = alert(at, "expired")
    Alert.objects.filter(pk=put_off.pk).update(put_off_until=NOW + DAY)
    close(alert(at, "retest-overdue"), now=NOW - HOUR, cured_by="tested")
    Alert.objects.update(planned_at=NOW)
    plan_digests(now=NOW)
    assert delivered()["sent"] == 1
    (message,) = mailbox.received
    assert message["Subject"] == "[Biscuit Club] 2 open alerts"
    text, html = part(message, "plain"), part(message, "html")
    assert (
        text.index("A sign of danger")
        < text.index("is due 13 March 2026, in 3 days")
        < text.index("(tested)")
    )
    assert "Put off for now: 1." in text
    assert "expiry has passed" not in text
    assert "Ring 112." in html


def test_nothing_due_is_no_mail(mailbox: Mailbox, at: Club) -> None:
    plan_digests(now=NOW)
    assert delivered() == {"withdrawn": 2}
    assert mailbox.received == []
    assert set(Delivery.objects.values_list("last_error", flat=True)) == {"Nothing was due."}

"""Answers to alerts: seen, put off within bounds, and sent to the supervisors when nobody answers."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.models import Alert, Container, Event, Lab
from inventory.rules.alerts import GRAVEST, MILDEST, PUT_OFF_DAYS, escalate_after, put_off_days_max
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.services import safety
from inventory.services.answering import alert_acknowledge, alert_put_off
from inventory.services.lab_editing import lab_edit
from inventory.services.sweep import sweep
from tests.factories import NOW, TODAY, Club, club, stocked

DAY, HOUR, SECOND = timedelta(days=1), timedelta(hours=1), timedelta(seconds=1)


@given(st.integers(GRAVEST, MILDEST), st.integers(GRAVEST, MILDEST), st.integers(1, 720))
def test_the_worse_goes_up_no_later_and_is_put_off_no_longer(one: int, other: int, hours: int) -> None:
    worse, milder = sorted((one, other))
    assert escalate_after(worse, hours) <= escalate_after(milder, hours) <= timedelta(hours=hours)
    assert put_off_days_max(worse) <= put_off_days_max(milder) <= 14
    assert put_off_days_max(1) == put_off_days_max(2) == 0
    assert [most for most, _ in PUT_OFF_DAYS] == sorted(most for most, _ in PUT_OFF_DAYS)


@pytest.fixture
def at(db: None) -> Club:
    return club()


def overdue(at: Club, *, now: datetime = NOW) -> Alert:
    """An alert of severity 7, opened at `now`."""
    bottle = stocked(at, "diethyl-ether", now=now, received_on=now.date())
    Container.objects.filter(pk=bottle.pk).update(next_test_due=now.date() - 2 * DAY)
    sweep(now=now)
    return Alert.objects.get(rule="retest-overdue", subject_id=bottle.pk)


def grave(at: Club) -> Alert:
    bottle = stocked(at, "diethyl-ether")
    safety.observe(lab=at.lab, actor=at.member, now=NOW, container=bottle, sign="crystals")
    sweep(now=NOW)
    return Alert.objects.get(rule="sign-seen", subject_id=bottle.pk)


def by(at: Club, now: datetime = NOW, role: str = "steward") -> dict[str, Any]:
    return {"lab": at.lab, "actor": at.people[role], "now": now, "may_loosen": role == "supervisor"}


def put_off(at: Club, alert: Alert, until: date, now: datetime = NOW, role: str = "steward") -> Alert:
    return alert_put_off(**by(at, now, role), alert=alert, until_on=until, reason="strips are ordered")


def escalated(alert: Alert) -> datetime | None:
    return Alert.objects.values_list("escalated_at", flat=True).get(pk=alert.pk)


def test_what_nobody_answers_goes_up_once(at: Club) -> None:
    alert = overdue(at)
    assert sweep(now=NOW + 48 * HOUR)["retest-overdue"].escalated == 0
    late = NOW + 48 * HOUR + SECOND
    assert sweep(now=late)["retest-overdue"].escalated == 1
    assert sweep(now=late + DAY)["retest-overdue"].escalated == 0
    assert escalated(alert) == late


def test_the_gravest_goes_up_within_the_hour(at: Club) -> None:
    alert = grave(at)
    sweep(now=NOW + HOUR)
    assert escalated(alert) is None
    sweep(now=NOW + HOUR + SECOND)
    assert escalated(alert) == NOW + HOUR + SECOND


def test_an_answer_keeps_it_from_going_up(at: Club) -> None:
    alert = overdue(at)
    held = alert_acknowledge(**by(at, NOW + HOUR, "member"), alert=alert, note="strips come on Friday")
    assert (held.acknowledged_at, held.acknowledged_by) == (NOW + HOUR, at.member)
    alert_acknowledge(**by(at, NOW + 2 * HOUR), alert=alert)
    sweep(now=NOW + 9 * DAY)
    assert (escalated(alert), Alert.objects.get(pk=alert.pk).acknowledged_by) == (None, at.member)
    assert Event.objects.filter(verb="alert-acknowledged", subject_kind="alert").count() == 2


@pytest.mark.parametrize(("role", "goes_up"), [("member", True), ("steward", True), ("supervisor", False)])
def test_the_gravest_goes_up_when_it_is_answered_at_the_bench(at: Club, role: str, goes_up: bool) -> None:
    alert = grave(at)
    alert_acknowledge(**by(at, NOW + SECOND, role), alert=alert)
    assert escalated(alert) == (NOW + SECOND if goes_up else None)


def test_put_off_means_neither_up_nor_closed(at: Club) -> None:
    alert = overdue(at)
    put_off(at, alert, TODAY + 10 * DAY)
    sweep(now=NOW + 9 * DAY)
    alert.refresh_from_db()
    begins = datetime(2026, 3, 20, tzinfo=ZoneInfo("Europe/Berlin"))
    assert (alert.put_off_until, alert.escalated_at, alert.closed_at) == (begins, None, None)
    sweep(now=begins + 48 * HOUR)
    assert escalated(alert) is None
    sweep(now=begins + 48 * HOUR + SECOND)
    assert escalated(alert) is not None


def test_it_is_cured_all_the_same(at: Club) -> None:
    alert = overdue(at)
    put_off(at, alert, TODAY + 10 * DAY)
    Container.objects.filter(pk=alert.subject_id).update(next_test_due=TODAY + 99 * DAY)
    sweep(now=NOW + HOUR)
    alert.refresh_from_db()
    assert alert.closed_at == NOW + HOUR
    with pytest.raises(Conflict, match="was closed"):
        put_off(at, alert, TODAY + DAY)
    with pytest.raises(Conflict, match="was closed"):
        alert_acknowledge(**by(at), alert=alert)


@pytest.mark.parametrize(("days", "code"), [(-1, "in-the-past"), (15, "too-late")])
def test_the_bounds(at: Club, days: int, code: str) -> None:
    alert = overdue(at)
    with pytest.raises(InputError) as refusal:
        put_off(at, alert, TODAY + days * DAY, role="supervisor")
    assert (refusal.value.field, refusal.value.code) == ("until_on", code)
    assert not Event.objects.filter(verb="alert-put-off").exists()


def test_the_bound_counts_from_the_opening(at: Club) -> None:
    alert = overdue(at)
    later = NOW + 10 * DAY
    put_off(at, alert, TODAY + 12 * DAY)
    put_off(at, alert, TODAY + 14 * DAY, later, "supervisor")
    with pytest.raises(InputError):
        put_off(at, alert, TODAY + 15 * DAY, later, "supervisor")


def test_the_gravest_are_never_put_off_and_none_without_a_reason(at: Club) -> None:
    with pytest.raises(Conflict) as refusal:
        put_off(at, grave(at), TODAY + DAY, role="supervisor")
    assert refusal.value.code == "never-put-off"
    with pytest.raises(InputError) as missing:
        alert_put_off(**by(at), alert=overdue(at), until_on=TODAY, reason=" ")
    assert missing.value.field == "reason"


def test_later_than_before_is_for_a_supervisor_and_sooner_is_free(at: Club) -> None:
    alert = overdue(at)
    put_off(at, alert, TODAY + 5 * DAY)
    with pytest.raises(Denied):
        put_off(at, alert, TODAY + 6 * DAY)
    put_off(at, alert, TODAY + 6 * DAY, role="supervisor")
    put_off(at, alert, TODAY)
    alert.refresh_from_db()
    assert alert.put_off_until is not None
    assert alert.put_off_until <= NOW
    events = Event.objects.filter(verb="alert-put-off").order_by("pk")
    assert [event.data["until_on"] for event in events] == ["2026-03-15", "2026-03-16", "2026-03-10"]
    assert events[0].data["reason"] == "strips are ordered"


def test_what_went_up_is_put_off_by_a_supervisor_alone(at: Club) -> None:
    alert = overdue(at)
    sweep(now=NOW + 3 * DAY)
    with pytest.raises(Denied):
        put_off(at, alert, TODAY + 5 * DAY, NOW + 3 * DAY)
    put_off(at, alert, TODAY + 5 * DAY, NOW + 3 * DAY, "supervisor")


@pytest.mark.parametrize(
    ("zone", "now", "until", "begins"),
    [
        # The ends of the tz database's zones: the same day begins 26 hours apart.
        ("Pacific/Kiritimati", "2026-03-10T12:00Z", "2026-03-12", "2026-03-11T10:00Z"),
        ("Etc/GMT+12", "2026-03-10T12:00Z", "2026-03-12", "2026-03-12T12:00Z"),
        # Berlin's clocks go forward on 29 March 2026 and back on 25 October (EU directive 2000/84/EC).
        ("Europe/Berlin", "2026-03-28T12:00Z", "2026-03-29", "2026-03-28T23:00Z"),
        ("Europe/Berlin", "2026-03-28T12:00Z", "2026-03-30", "2026-03-29T22:00Z"),
        ("Europe/Berlin", "2026-10-24T12:00Z", "2026-10-26", "2026-10-25T23:00Z"),
        # Cuba's clocks go forward at midnight (tz database): 8 March 2026 begins at 01:00.
        ("America/Havana", "2026-03-07T12:00Z", "2026-03-08", "2026-03-08T05:00Z"),
        # A leap day and the end of a month (Gregorian calendar).
        ("UTC", "2028-02-28T12:00Z", "2028-02-29", "2028-02-29T00:00Z"),
        ("UTC", "2027-02-28T12:00Z", "2027-03-01", "2027-03-01T00:00Z"),
    ],
)
@pytest.mark.django_db
def test_the_day_begins_where_the_lab_is(zone: str, now: str, until: str, begins: str) -> None:
    moment = datetime.fromisoformat(now)
    at = club(time_zone=zone, now=moment - 3 * DAY)
    bottle = stocked(at, "diethyl-ether", now=moment - DAY, received_on=(moment - 9 * DAY).date())
    Container.objects.filter(pk=bottle.pk).update(next_test_due=(moment - 5 * DAY).date())
    sweep(now=moment)
    alert = Alert.objects.get(rule="retest-overdue")
    held = put_off(at, alert, date.fromisoformat(until), moment)
    assert held.put_off_until is not None
    assert held.put_off_until.astimezone(UTC) == datetime.fromisoformat(begins)


def test_a_clock_set_back_loses_nothing(at: Club) -> None:
    alert = overdue(at)
    sweep(now=NOW - 30 * DAY)
    alert.refresh_from_db()
    assert alert.escalated_at is None
    sweep(now=NOW + 49 * HOUR)
    assert Alert.objects.filter(rule="retest-overdue").count() in (1, 2)
    assert Alert.objects.filter(rule="retest-overdue", closed_at=None).count() == 1


def test_a_longer_wait_needs_a_reason(at: Club) -> None:
    signed: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": NOW}
    lab_edit(**signed, changes={"escalate_after_hours": 24}, reason="")
    with pytest.raises(InputError) as refusal:
        lab_edit(**signed, changes={"escalate_after_hours": 25}, reason=" ")
    assert refusal.value.field == "reason"
    lab_edit(**signed, changes={"escalate_after_hours": 25}, reason="The club meets daily now.")
    assert Lab.objects.get(pk=at.lab.pk).escalate_after_hours == 25
    alert = overdue(at)
    sweep(now=NOW + 25 * HOUR + SECOND)
    assert escalated(alert) is not None

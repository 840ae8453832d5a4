"""The sweep opens each alert once, in the lab's own days, and says what cured it."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from inventory.models import Alert, Container, Lab
from inventory.rules.alerts import CONTAINER_RULES, OWN_CODES
from inventory.rules.retest import AT_ONCE
from inventory.services import opening, safety, volumes, withdrawals
from inventory.services.sweep import Swept, sweep
from inventory.services.watches import rules
from tests import factories
from tests.factories import NOW, TODAY, Club, club, fresh, stocked

pytestmark = pytest.mark.django_db
LATER = timedelta(minutes=5)


@pytest.fixture
def at() -> Club:
    return club()


def ether(at: Club, **facts: Any) -> Container:
    return stocked(at, "diethyl-ether", **facts)


def due_on(container: Container, day: date) -> None:
    """Put the stored date where a test wants it; all else stays as the services wrote it."""
    Container.objects.filter(pk=container.pk).update(next_test_due=day)


def standing(container: Container) -> list[str]:
    """The rules with an open alert on the container."""
    alerts = Alert.objects.filter(subject_kind="container", subject_id=container.pk, closed_at=None)
    return sorted(alerts.values_list("rule", flat=True))


def cures(container: Container) -> list[tuple[str, str]]:
    """Rule and cure of the container's closed alerts, oldest first."""
    alerts = Alert.objects.filter(subject_kind="container", subject_id=container.pk, closed_at__isnull=False)
    return list(alerts.order_by("pk").values_list("rule", "cured_by"))


def record_test(at: Club, container: Container, reading: str, *, now: datetime = NOW) -> None:
    safety.test_record(
        lab=at.lab, actor=at.steward, now=now, container=fresh(container), reading=reading,
        method="strip-100", tested_on=now.date(),
    )  # fmt: skip


def test_every_at_once_code_has_its_rule_and_no_code_has_two() -> None:
    """One without a rule of its own is judged by its date, which is in the past already."""
    assert set(OWN_CODES) == AT_ONCE - {"opened-when-overdue", "distilled-under-override"}
    assert len(OWN_CODES) == len(set(OWN_CODES))
    severities = [rule.severity for rule in rules()]
    assert severities == sorted(severities)
    assert {rule.key for rule in CONTAINER_RULES} < {rule.key for rule in rules()}


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        (-1, ["retest-overdue"]),
        (0, ["retest-due-soon"]),
        (1, ["retest-due-soon"]),
        (14, ["retest-due-soon"]),
        (15, []),
    ],
)
def test_the_day_itself_is_due_and_the_next_is_overdue(at: Club, days: int, expected: list[str]) -> None:
    bottle = ether(at)
    due_on(bottle, TODAY + timedelta(days=days))
    sweep(now=NOW)
    assert standing(bottle) == expected


def test_the_notice_is_the_labs_own(at: Club) -> None:
    bottle = ether(at)
    due_on(bottle, TODAY + timedelta(days=3))
    Lab.objects.filter(pk=at.lab.pk).update(due_soon_days=2)
    sweep(now=NOW)
    assert standing(bottle) == []
    sweep(now=NOW + timedelta(days=1))
    assert standing(bottle) == ["retest-due-soon"]


@pytest.mark.parametrize(
    ("now", "zone", "today"),
    [
        # UTC+14 and UTC-11 are the ends of the tz database's inhabited zones; between them lie three days.
        (datetime(2026, 3, 10, 10, 0, tzinfo=UTC), "Pacific/Kiritimati", "2026-03-11"),
        (datetime(2026, 3, 10, 9, 59, tzinfo=UTC), "Pacific/Kiritimati", "2026-03-10"),
        (datetime(2026, 3, 10, 10, 59, tzinfo=UTC), "Pacific/Pago_Pago", "2026-03-09"),
        (datetime(2026, 3, 10, 11, 0, tzinfo=UTC), "Pacific/Pago_Pago", "2026-03-10"),
        (datetime(2026, 3, 10, 11, 59, tzinfo=UTC), "Etc/GMT+12", "2026-03-09"),
        # Berlin's clocks went forward on 29 March 2026 and go back on 25 October (EU directive 2000/84/EC).
        (datetime(2026, 3, 28, 23, 0, tzinfo=UTC), "Europe/Berlin", "2026-03-29"),
        (datetime(2026, 3, 29, 21, 59, tzinfo=UTC), "Europe/Berlin", "2026-03-29"),
        (datetime(2026, 3, 29, 22, 0, tzinfo=UTC), "Europe/Berlin", "2026-03-30"),
        (datetime(2026, 10, 25, 22, 59, tzinfo=UTC), "Europe/Berlin", "2026-10-25"),
        (datetime(2026, 10, 25, 23, 0, tzinfo=UTC), "Europe/Berlin", "2026-10-26"),
        # A leap day (Gregorian calendar).
        (datetime(2028, 2, 29, 12, 0, tzinfo=UTC), "UTC", "2028-02-29"),
        (datetime(2028, 3, 1, 0, 0, tzinfo=UTC), "UTC", "2028-03-01"),
    ],
)
def test_today_is_the_labs_day(now: datetime, zone: str, today: str) -> None:
    at = club(time_zone=zone, now=now - timedelta(days=3))
    day = date.fromisoformat(today)
    bottles = {}
    for shift in (-1, 0, 14, 15):
        bottles[shift] = ether(
            at, now=now - timedelta(days=2), received_on=day - timedelta(days=9), code=f"Bottle {shift}"
        )
        due_on(bottles[shift], day + timedelta(days=shift))
    sweep(now=now)
    found = {shift: standing(bottle) for shift, bottle in bottles.items()}
    assert found == {-1: ["retest-overdue"], 0: ["retest-due-soon"], 14: ["retest-due-soon"], 15: []}


def test_labs_on_both_sides_of_the_date_line_in_one_sweep() -> None:
    now = datetime(2026, 3, 10, 10, 30, tzinfo=UTC)  # 11 March at UTC+14, 9 March at UTC-11
    east = club("East", time_zone="Pacific/Kiritimati", now=now)
    west = club("West", time_zone="Pacific/Pago_Pago", now=now)
    early = factories.day("2026-03-01")
    bottles = [ether(at, now=now, received_on=early) for at in (east, west)]
    for bottle in bottles:
        due_on(bottle, TODAY)
    sweep(now=now)
    assert [standing(bottle) for bottle in bottles] == [["retest-overdue"], ["retest-due-soon"]]


def test_a_zone_nobody_knows_gets_the_latest_day_and_stops_no_sweep(at: Club) -> None:
    bottle = ether(at)
    due_on(bottle, TODAY)
    Lab.objects.filter(pk=at.lab.pk).update(time_zone="Sealand/Roughs")
    sweep(now=NOW)  # 14:30 UTC is tomorrow at UTC+14
    assert standing(bottle) == ["retest-overdue"]


@pytest.mark.parametrize(
    ("facts", "rule"),
    [
        ({"opened_on": None, "opened": "opened"}, "opening-date-unknown"),
        ({"opened": "unknown", "received_on": None}, "opening-date-unknown"),
        ({"opened": "unopened", "received_on": None}, "start-date-unknown"),
        ({"origin": "made-here"}, "start-date-unknown"),
    ],
)
def test_a_missing_day_has_its_own_alert_and_no_second_one(
    at: Club, facts: dict[str, Any], rule: str
) -> None:
    bottle = ether(at, **facts)
    sweep(now=NOW)
    sweep(now=NOW + timedelta(days=400))
    assert standing(bottle) == [rule]


@pytest.mark.parametrize(
    ("reading", "rule"), [("100", "action-level"), ("<50", "reading-not-decisive"), ("0", None)]
)
def test_a_reading_that_does_not_pass_has_its_alert(at: Club, reading: str, rule: str | None) -> None:
    bottle = ether(at)
    record_test(at, bottle, reading)
    sweep(now=NOW)
    assert standing(bottle) == ([rule] if rule else [])


def test_what_forms_no_peroxide_and_what_is_far_off_opens_nothing(at: Club) -> None:
    stocked(at, "ethyl-acetate")
    ether(at)
    assert set(sweep(now=NOW).values()) == {Swept(0, 0)}
    assert not Alert.objects.exists()


def test_repeating_it_changes_nothing(at: Club) -> None:
    for shift in (-400, -1, 0, 5):
        due_on(ether(at), TODAY + timedelta(days=shift))
    ether(at, opened_on=None, opened="opened")
    first = sweep(now=NOW)
    assert (first["retest-overdue"], first["retest-due-soon"]) == (Swept(2, 0), Swept(2, 0))
    before = list(Alert.objects.order_by("pk").values())
    for _ in range(3):
        assert set(sweep(now=NOW + LATER).values()) == {Swept(0, 0)}
    assert list(Alert.objects.order_by("pk").values()) == before


def test_a_passed_test_cures_and_a_later_lapse_is_a_new_alert(at: Club) -> None:
    bottle = ether(at)
    late = fresh(bottle).next_test_due
    assert late is not None
    moment = datetime(late.year, late.month, late.day, 12, tzinfo=UTC) + timedelta(days=1)
    sweep(now=moment)
    assert standing(bottle) == ["retest-overdue"]
    record_test(at, bottle, "0", now=moment + LATER)
    assert sweep(now=moment + 2 * LATER)["retest-overdue"] == Swept(0, 1)
    assert (standing(bottle), cures(bottle)) == ([], [("retest-overdue", "tested")])
    sweep(now=moment + timedelta(days=400))
    assert standing(bottle) == ["retest-overdue"]
    assert Alert.objects.filter(subject_id=bottle.pk, rule="retest-overdue").count() == 2


def test_a_bad_test_takes_the_place_of_the_date(at: Club) -> None:
    bottle = ether(at)
    due_on(bottle, TODAY - timedelta(days=1))
    sweep(now=NOW)
    record_test(at, bottle, "100", now=NOW + LATER)
    sweep(now=NOW + 2 * LATER)
    assert standing(bottle) == ["action-level"]
    assert cures(bottle) == [("retest-overdue", "another reason took its place")]


def test_a_withdrawn_test_is_told(at: Club) -> None:
    bottle = ether(at)
    record_test(at, bottle, "100")
    sweep(now=NOW)
    test = bottle.peroxide_tests.get()
    withdrawals.test_withdraw(
        lab=at.lab, actor=at.steward, now=NOW + LATER, test=test, reason="Wrong bottle.", may_loosen=True
    )
    sweep(now=NOW + 2 * LATER)
    assert (standing(bottle), cures(bottle)) == ([], [("action-level", "test withdrawn")])


def test_discarding_and_emptying_cure(at: Club) -> None:
    gone, drained = ether(at), ether(at)
    for bottle in (gone, drained):
        due_on(bottle, TODAY - timedelta(days=1))
    sweep(now=NOW)
    volumes.discard(lab=at.lab, actor=at.steward, now=NOW + LATER, container=gone)
    volumes.draw(
        lab=at.lab, actor=at.member, now=NOW + LATER, container=drained, amount="500 mL",
        destination=at.end("reaction"),
    )  # fmt: skip
    sweep(now=NOW + 2 * LATER)
    assert cures(gone) == [("retest-overdue", "discarded")]
    assert cures(drained) == [("retest-overdue", "emptied")]
    assert standing(gone) + standing(drained) == []


def test_learning_the_opening_date_cures(at: Club) -> None:
    bottle = ether(at, opened="opened", opened_on=None)
    sweep(now=NOW)
    signed: dict[str, Any] = {"may_loosen": True, "reason": "the label on the back"}
    opening.mark_opened(
        container=fresh(bottle), actor=at.supervisor, now=NOW + LATER, opened_on=TODAY, **signed
    )
    sweep(now=NOW + 2 * LATER)
    assert (standing(bottle), cures(bottle)) == ([], [("opening-date-unknown", "date learnt")])


def test_due_soon_becomes_overdue(at: Club) -> None:
    bottle = ether(at)
    due_on(bottle, TODAY)
    sweep(now=NOW)
    sweep(now=NOW + timedelta(days=1))
    assert standing(bottle) == ["retest-overdue"]
    assert cures(bottle) == [("retest-due-soon", "became overdue")]


def test_a_date_that_moves_is_followed(at: Club) -> None:
    bottle = ether(at)
    due_on(bottle, TODAY + timedelta(days=9))
    sweep(now=NOW)
    due_on(bottle, TODAY + timedelta(days=2))
    assert set(sweep(now=NOW + LATER).values()) == {Swept(0, 0)}
    alert = Alert.objects.get(subject_id=bottle.pk)
    assert (alert.due_on, alert.closed_at, alert.opened_at) == (TODAY + timedelta(days=2), None, NOW)


def test_a_sign_on_an_empty_bottle_is_still_a_danger(at: Club) -> None:
    bottle = ether(at)
    sign = safety.observe(lab=at.lab, actor=at.member, now=NOW, container=bottle, sign="crystals")
    volumes.draw(
        lab=at.lab, actor=at.member, now=NOW, container=fresh(bottle), amount="500 mL",
        destination=at.end("reaction"),
    )  # fmt: skip
    sweep(now=NOW)
    assert standing(bottle) == ["sign-seen"]
    withdrawals.sign_withdraw(
        lab=at.lab, actor=at.steward, now=NOW + LATER, sign=sign, reason="It was sugar.", may_loosen=True
    )
    sweep(now=NOW + 2 * LATER)
    assert (standing(bottle), cures(bottle)) == ([], [("sign-seen", "sign withdrawn")])


def test_one_lab_alone_can_be_swept(at: Club) -> None:
    other = factories.second_club()
    bottles = [ether(at), ether(other)]
    for bottle in bottles:
        due_on(bottle, TODAY)
    sweep(now=NOW, lab=at.lab)
    assert [standing(bottle) for bottle in bottles] == [["retest-due-soon"], []]
    sweep(now=NOW)
    for bottle in bottles:
        due_on(bottle, TODAY + timedelta(days=99))
    sweep(now=NOW, lab=other.lab)
    assert [standing(bottle) for bottle in bottles] == [["retest-due-soon"], []]


def test_the_command_prints_what_it_did(at: Club) -> None:
    bottle = ether(at, opened="opened", opened_on=None)
    out = StringIO()
    call_command("sweep", "--json", stdout=out)
    found = json.loads(out.getvalue())
    assert found["rules"]["opening-date-unknown"] == {"opened": 1, "closed": 0}
    assert found["open"] == 1
    volumes.discard(lab=at.lab, actor=at.steward, now=NOW, container=bottle)
    out = StringIO()
    call_command("sweep", "--lab", at.lab.slug, stdout=out)
    lines = [line.split() for line in out.getvalue().splitlines()]
    assert ["opening-date-unknown", "0", "1"] in lines
    assert lines[-1][:2] == ["0", "open"]
    with pytest.raises(CommandError, match="there is no lab"):
        call_command("sweep", "--lab", "nowhere", stdout=out)

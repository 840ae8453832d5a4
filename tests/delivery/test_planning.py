"""Whom an alert is planned for: by role, by choice, by severity, once."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Alert, Delivery, User
from inventory.services.delivery import planning, planning_sql
from inventory.services.delivery.choices import choose
from inventory.services.delivery.webhooks import webhook_add, webhook_end
from tests.delivery.alerting import alert, alerting, close, planned
from tests.factories import NOW, Club

pytestmark = pytest.mark.django_db
HOOK = "https://hooks.example.org/a"


@pytest.fixture
def at(settings: Any) -> Club:
    settings.STILLKEEP_SENDS_MAIL = True
    return alerting()


def hook_for(at: Club, *listens: str) -> None:
    webhook_add(lab=at.lab, actor=at.supervisor, now=NOW, name="board", url=HOOK, listens=listens)


def test_the_gravest_goes_to_all_who_work_at_the_bench(at: Club) -> None:
    alert(at, "sign-seen")
    assert sorted(planned()) == ["email opened member", "email opened steward", "email opened supervisor"]
    assert Alert.objects.get().planned_at == NOW
    assert sorted(planned(NOW + timedelta(hours=1))) == sorted(planned())


def test_a_milder_one_waits_for_the_digest(at: Club) -> None:
    alert(at, "retest-due-soon")
    assert planned() == []
    assert Alert.objects.get().planned_at == NOW


def test_a_choice_beats_the_role(at: Club) -> None:
    by = {"lab": at.lab, "now": NOW}
    choose(**by, actor=at.auditor, changes={"at_once_severity": 9})  # type: ignore[arg-type]
    choose(**by, actor=at.steward, changes={"at_once_severity": 0})  # type: ignore[arg-type]
    alert(at, "retest-due-soon")
    alert(at, "sign-seen")
    assert sorted(planned()) == [
        "email opened auditor", "email opened auditor", "email opened member", "email opened supervisor",
    ]  # fmt: skip


def test_nothing_goes_to_who_cannot_be_reached(at: Club) -> None:
    User.objects.filter(pk=at.steward.pk).update(email="")
    User.objects.filter(pk=at.member.pk).update(is_active=False)
    other = alerting("Leaf Club")
    alert(at, "sign-seen")
    assert planned() == ["email opened supervisor"]
    assert Delivery.objects.get().lab == at.lab != other.lab


def test_without_a_mail_server_no_mail_is_planned(at: Club, settings: Any) -> None:
    settings.STILLKEEP_SENDS_MAIL = False
    hook_for(at)
    alert(at)
    assert planned() == ["webhook opened webhook"]


def test_an_alert_that_has_closed_meanwhile_is_told_to_programs_only(at: Club) -> None:
    hook_for(at)
    close(alert(at))
    assert sorted(planned()) == ["webhook closed webhook", "webhook opened webhook"]


def test_escalation_goes_to_the_supervisors_whatever_they_chose(at: Club) -> None:
    choose(lab=at.lab, actor=at.supervisor, now=NOW, changes={"at_once_severity": 0, "digest": False})
    hook_for(at)
    found = alert(at, "retest-overdue")
    assert planned() == ["webhook opened webhook"]
    Alert.objects.filter(pk=found.pk).update(escalated_at=NOW)
    assert sorted(planned()[1:]) == ["email escalated supervisor", "webhook escalated webhook"]
    assert len(planned()) == 3


def test_a_webhook_hears_the_rules_it_wants_until_it_ends(at: Club, settings: Any) -> None:
    settings.STILLKEEP_SENDS_MAIL = False
    hook_for(at, "sign-seen", "retest-overdue")
    hook_for(at)
    ended, _ = webhook_add(lab=at.lab, actor=at.supervisor, now=NOW, name="old", url=HOOK)
    webhook_end(lab=at.lab, actor=at.supervisor, now=NOW, webhook=ended)
    alert(at, "retest-overdue")
    alert(at, "expired")
    planned()
    told = Delivery.objects.values_list("alert__rule", "webhook__rules").order_by("pk")
    assert sorted((rule, len(rules)) for rule, rules in told) == [
        ("expired", 0), ("retest-overdue", 0), ("retest-overdue", 2),
    ]  # fmt: skip


def test_a_flood_becomes_one_summary_for_each(at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning_sql, "MAILED_ONE_BY_ONE", 3)
    for _ in range(5):
        alert(at, "action-level")
    alert(at, "sign-seen")
    found = planned()
    assert found.count("email opened supervisor") == 3
    assert found.count("digest many supervisor") == 1
    gravest = Delivery.objects.filter(channel="email", user=at.supervisor).order_by("pk").first()
    assert gravest is not None
    assert gravest.alert is not None
    assert gravest.alert.rule == "sign-seen"


def test_batches_and_parts_reach_every_alert(at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning, "ALERTS_PER_BATCH", 2)
    other = alerting("Leaf Club")
    for _ in range(5):
        alert(at, "action-level")
        alert(other, "action-level")
    assert planning.plan_deliveries(now=NOW, part=(at.lab.pk, at.lab.pk)) == 10
    assert planning.plan_deliveries(now=NOW, lab=other.lab) == 10
    assert not Alert.objects.filter(planned_at=None).exists()


def test_message_ids_are_unique_and_name_this_host(at: Club, settings: Any) -> None:
    settings.STILLKEEP_SITE_URL = "https://stock.example.org"
    hook_for(at)
    for _ in range(3):
        alert(at)
    planned()
    ids = list(Delivery.objects.values_list("channel", "message_id"))
    assert len({message_id for _, message_id in ids}) == len(ids) == 12
    assert all(i.endswith("@stock.example.org>") for c, i in ids if c == "email")
    # Standard Webhooks: the id is part of what is signed, with full stops between, so it holds none.
    assert all("." not in i for c, i in ids if c == "webhook")

"""Where an alert that nobody answers would come to nobody, the lab's answer and its page say so."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from inventory.models import Membership, User, Webhook
from inventory.services.delivery.reach import (
    NO_ADDRESS,
    NO_SERVER,
    NOBODY,
    ONLY_PROGRAMS,
    ONLY_STEWARDS,
    reach_of,
)
from inventory.services.delivery.webhooks import webhook_add, webhook_end
from tests.delivery.alerting import reachable
from tests.factories import NOW, Club, club

pytestmark = pytest.mark.django_db
HOOK = "https://hooks.example.org/a"


@pytest.fixture
def at(settings: Any) -> Club:
    settings.STILLKEEP_SENDS_MAIL = True
    return club()


def hook_for(at: Club, *listens: str) -> Webhook:
    return webhook_add(
        lab=at.lab, actor=at.supervisor, now=NOW, name="board", url=HOOK, listens=listens
    )[0]  # fmt: skip


def test_without_an_address_it_comes_to_nobody(at: Club) -> None:
    reachable(at, "member")
    assert reach_of(at.lab).warnings == (NOBODY, NO_ADDRESS)
    reachable(at, "steward")
    assert reach_of(at.lab).warnings == (ONLY_STEWARDS, NO_ADDRESS)
    reachable(at, "supervisor")
    assert reach_of(at.lab).warnings == ()
    User.objects.filter(pk=at.supervisor.pk).update(is_active=False)
    assert reach_of(at.lab).warnings == (ONLY_STEWARDS, NO_ADDRESS)


def test_an_address_that_nobody_confirmed_is_none(at: Club) -> None:
    User.objects.filter(pk=at.supervisor.pk).update(email="slip@example.org")
    assert reach_of(at.lab).warnings == (NOBODY, NO_ADDRESS)
    User.objects.filter(pk=at.supervisor.pk).update(mail_confirmed="earlier@example.org")
    assert reach_of(at.lab).warnings == (), "alerts go on to the earlier one"


def test_without_a_mail_server_an_address_is_no_use(at: Club, settings: Any) -> None:
    settings.STILLKEEP_SENDS_MAIL = False
    reachable(at)
    assert reach_of(at.lab).warnings == (NOBODY, NO_SERVER)


def test_a_webhook_hears_it_only_if_it_hears_every_rule(at: Club) -> None:
    hook_for(at, "sign-seen")
    assert reach_of(at.lab).warnings == (NOBODY, NO_ADDRESS)
    every = hook_for(at)
    assert reach_of(at.lab).warnings == (ONLY_PROGRAMS, NO_ADDRESS)
    webhook_end(lab=at.lab, actor=at.supervisor, now=NOW, webhook=every)
    assert not reach_of(at.lab).reaches_somebody


def test_a_supervisor_of_another_lab_is_none_of_this(at: Club) -> None:
    other = club("Leaf Club")
    reachable(other)
    assert not reach_of(at.lab).reaches_somebody
    Membership.objects.create(lab=at.lab, user=other.supervisor, role="supervisor", joined_at=NOW)
    assert reach_of(at.lab).reaches_somebody


def test_the_answer_of_the_lab_says_so(at: Club, client: Client) -> None:
    client.force_login(at.member)
    address = f"/api/v1/labs/{at.lab.slug}/"
    said = client.get(address).json()["escalation"]
    assert said == {
        "reaches_somebody": False, "sends_mail": True, "supervisors": 1, "supervisors_with_address": 0,
        "webhooks": 0, "webhooks_stopped": 0, "warnings": [NOBODY, NO_ADDRESS],
    }  # fmt: skip
    reachable(at, "supervisor")
    assert client.get(address).json()["escalation"]["warnings"] == []


@pytest.mark.parametrize(("role", "warned"), [("supervisor", True), ("steward", True), ("member", False)])
def test_the_page_warns_those_who_can_do_something(at: Club, client: Client, role: str, warned: bool) -> None:
    client.force_login(at.people[role])
    address = f"/labs/{at.lab.slug}/"
    assert (NOBODY in client.get(address).content.decode()) == warned
    reachable(at, "supervisor")
    assert NOBODY not in client.get(address).content.decode()

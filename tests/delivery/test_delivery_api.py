"""The API of mail choices, webhooks, deliveries and feeds."""

from __future__ import annotations

from typing import Any

import pytest
import standardwebhooks
from django.utils import timezone

from inventory.models import Delivery, Feed, Job, User, Webhook
from inventory.services import jobs
from tests.api.client import Api, base, codes
from tests.delivery.alerting import alert, delivered
from tests.delivery.hook_server import Hook
from tests.factories import Club, club

pytestmark = pytest.mark.django_db


@pytest.fixture
def at(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def head(at: Club) -> Api:
    return Api(at.supervisor)


def test_a_person_chooses_their_mail(at: Club) -> None:
    api, address = Api(at.member), f"{base(at)}mail-choice/"
    before = api.get(address)
    assert before.json() == {
        "email": "", "at_once_severity": 1, "digest": False, "digest_at": "07:00", "by_role": True,
        "server_sends_mail": False,
        "words": "This server sends no mail: whoever runs it has set no mail server (EMAIL_URL).",
    }  # fmt: skip
    change = {"email": "kim@example.org", "digest": True}
    assert api.patch(address, change).status_code == 428
    changed = api.patch(address, change, if_match=before["ETag"])
    assert changed.status_code == 200
    assert (changed.json()["at_once_severity"], changed.json()["by_role"]) == (1, False)
    assert User.objects.get(pk=at.member.pk).email == "kim@example.org"
    for bad in (
        "kim",
        "kim@",
        "a@b c.org",
        "kim@example.org\nBcc: x@example.org",
        "k" * 250 + "@example.org",
    ):
        refused = api.patch(address, {"email": bad}, if_match="*")
        assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (400, "/email"), bad
    assert api.patch(address, {"at_once_severity": 10}, if_match="*").status_code == 400


def test_a_webhook_from_first_to_last(at: Club, head: Api, hook: Hook) -> None:
    address = f"{base(at)}webhooks/"
    made = head.post(address, {"name": "board", "url": hook.url, "rules": ["sign-seen"]}, key="k1")
    again = head.post(address, {"name": "board", "url": hook.url, "rules": ["sign-seen"]}, key="k1")
    secret, one = made.json()["secret"], f"{address}{made.json()['id']}/"
    assert (made.status_code, "secret" in again.json()) == (201, False)
    assert "secret" not in head.get(one).json()
    assert secret not in str(head.get(f"{base(at)}events/").json())
    tried = head.post(f"{one}trials/").json()
    assert (tried["state"], tried["event"]) == ("waiting", "trial")
    assert Job.objects.filter(name="deliver").exists()
    assert jobs.drain(now=timezone.now) == 1
    assert head.get(f"{base(at)}deliveries/{tried['id']}/").json()["state"] == "sent"
    standardwebhooks.Webhook(secret).verify(hook.received[0][1], hook.received[0][0])
    turned = head.post(f"{one}secrets/").json()
    assert turned["secret"] != secret
    assert turned["both_secrets_until"]
    changed = head.patch(one, {"rules": []}, if_match="*")
    assert (changed.status_code, changed.json()["rules"]) == (200, [])
    assert codes(head.patch(one, {"rules": ["no-such"]}, if_match="*")) == ["unknown-rule"]
    assert codes(head.patch(one, {"url": "https://10.0.0.1/"}, if_match="*")) == ["not-usable"]
    assert head.post(f"{one}endings/").json()["ended_at"]
    assert head.post(f"{one}trials/").status_code == 409


def test_what_failed_is_listed_and_sent_again(at: Club, head: Api, hook: Hook) -> None:
    now = timezone.now()
    head.post(f"{base(at)}webhooks/", {"name": "board", "url": hook.url})
    hook.status = 410
    alert(at, now=now)
    alert(at, now=now)
    delivered(now)
    steward, address = Api(at.steward), f"{base(at)}deliveries/"

    def listed(query: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = steward.get(f"{address}?{query}").json()["results"]
        return found

    failed = listed("state=failed")
    assert [len(listed(f"state={state}")) for state in ("waiting", "sent", "withdrawn")] == [0, 0, 0]
    assert len(failed) == 2
    assert failed[0]["last_error"].startswith("The receiver answered 410.")
    hook.status = 200
    again = steward.post(f"{address}{failed[0]['id']}/replays/")
    assert (again.status_code, again.json()["state"]) == (201, "waiting")
    assert codes(steward.post(f"{address}{failed[0]['id']}/replays/")) == ["waiting"]
    delivered(timezone.now())
    assert [row["id"] for row in listed("state=sent&channel=webhook")] == [failed[0]["id"]]
    assert hook.ids[-1] == failed[0]["message_id"]


def test_a_feed_is_ones_own(at: Club, head: Api) -> None:
    api, address = Api(at.member), f"{base(at)}feeds/"
    made = api.post(address, {"kind": "calendar", "name": "phone"}, key="k1").json()
    again = api.post(address, {"kind": "calendar", "name": "phone"}, key="k1").json()
    assert made["url"].endswith("/calendar.ics")
    assert "url" not in again
    assert Api().get(made["url"].removeprefix("http://127.0.0.1:8000")).status_code == 200
    assert api.get(address).json()["results"][0]["last_read_at"]
    assert Api(at.steward).get(address).json()["results"] == []
    assert Api(at.steward).post(f"{address}{made['id']}/revocations/").status_code == 404
    assert len(head.get(address).json()["results"]) == 1
    assert head.post(f"{address}{made['id']}/revocations/").status_code == 201
    assert Feed.objects.get().revoked_at


def test_nobody_hoards(at: Club, head: Api) -> None:
    for number in range(21):
        made = head.post(f"{base(at)}webhooks/", {"name": f"w{number}", "url": "https://example.org/"})
        fed = head.post(f"{base(at)}feeds/", {"kind": "atom"})
    assert [codes(made), codes(fed)] == [["too-many"], ["too-many"]]
    assert (Webhook.objects.count(), Feed.objects.count(), Delivery.objects.count()) == (20, 20, 0)

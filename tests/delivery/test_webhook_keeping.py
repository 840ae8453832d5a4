"""A webhook does not outlive whoever answers for it: it waits until another supervisor takes it over."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any

import pytest
import standardwebhooks
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from inventory.models import ApiToken, Delivery, Event, Feed, Membership, User, Webhook
from inventory.rules.errors import Conflict
from inventory.services import labs
from inventory.services.delivery import feeds, webhooks
from inventory.services.delivery.fate import Fate
from inventory.services.delivery.mail import message_of
from inventory.services.delivery.reach import reach_of
from inventory.services.delivery.webhook_keeping import HELD, hold_unanswered, why_held
from tests.delivery.alerting import alert, close, delivered, reachable
from tests.delivery.hook_server import Hook
from tests.factories import Club, club, person

pytestmark = pytest.mark.django_db
HOOK = "https://hooks.example.org/a"
BUTTON = re.compile(r'name="key" value="([^"]+)">[^>]*name="row" value="(\d+)">(?=<button[^>]*"take")')


@pytest.fixture
def now() -> datetime:
    return timezone.now()


@pytest.fixture
def at(now: datetime) -> Club:
    return club(now=now)


@pytest.fixture
def maker(at: Club, now: datetime) -> User:
    """A second supervisor, who makes webhooks."""
    found = person("ada")
    labs.member_add(lab=at.lab, actor=at.supervisor, now=now, user=found, role="supervisor")
    return found


def made_by(at: Club, maker: User, now: datetime, url: str = HOOK) -> tuple[Webhook, str]:
    return webhooks.webhook_add(lab=at.lab, actor=maker, now=now, name="board", url=url)


def leaves(at: Club, maker: User, now: datetime) -> None:
    member = Membership.objects.get(lab=at.lab, user=maker)
    labs.member_remove(lab=at.lab, actor=at.supervisor, now=now, member=member)


def becomes_member(at: Club, maker: User, now: datetime) -> None:
    labs.member_add(lab=at.lab, actor=at.supervisor, now=now, user=maker, role="member")


def is_shut_out(at: Club, maker: User, now: datetime) -> None:
    User.objects.filter(pk=maker.pk).update(is_active=False)
    hold_unanswered(now=now)


@pytest.mark.parametrize(
    ("goes", "because", "words"),
    [
        (leaves, "left", "Ada answered for it and has left the lab."),
        (becomes_member, "role", "Ada answered for it and supervises the lab no more."),
        (is_shut_out, "inactive", "Ada answered for it and cannot sign in any more."),
    ],
)
def test_it_waits_as_soon_as_its_maker_supervises_no_more(
    at: Club, maker: User, now: datetime, goes: Any, because: str, words: str
) -> None:
    hook, _ = made_by(at, maker, now)
    kept, _ = made_by(at, at.supervisor, now)
    goes(at, maker, now)
    assert hold_unanswered(now=now) == 0, "it is held already, and once"
    hook = Webhook.objects.select_related("actor").get(pk=hook.pk)
    assert (hook.held_at, hook.held_because, str(why_held(hook))) == (now, because, words)
    assert Webhook.objects.get(pk=kept.pk).held_at is None
    event = Event.objects.get(verb="webhook-held")
    assert (event.subject_id, event.data["because"], event.data["user"]) == (hook.pk, because, "ada")
    with pytest.raises(Conflict, match="until a supervisor takes it over"):
        webhooks.trial(lab=at.lab, actor=at.supervisor, now=now, webhook=hook)


def test_what_comes_up_meanwhile_is_kept_and_goes_out_when_it_is_taken_over(
    at: Club, maker: User, now: datetime, hook: Hook
) -> None:
    made, secret = made_by(at, maker, now, hook.url)
    found = alert(at, now=now)
    leaves(at, maker, now)
    assert delivered(now) == {"never": 1}
    close(found, now=now)
    assert delivered(now) == {"never": 1}
    assert set(Delivery.objects.values_list("last_error", flat=True)) == {HELD}
    assert (hook.received, reach_of(at.lab).webhooks, reach_of(at.lab).webhooks_stopped) == ([], 0, 1)
    later = now + timedelta(minutes=1)
    made.refresh_from_db()
    webhooks.take_over(lab=at.lab, actor=at.supervisor, now=later, webhook=made)
    assert delivered(later) == {"sent": 2}
    told = [standardwebhooks.Webhook(secret).verify(body, headers) for headers, body in hook.received]
    assert [each["type"] for each in told] == ["alert.opened", "alert.closed"]
    event = Event.objects.get(verb="webhook-taken-over")
    assert (event.data["from"], event.data["to"]) == ("ada", at.supervisor.username)
    made.refresh_from_db()
    assert (made.actor, made.held_at, made.held_because) == (at.supervisor, None, "")
    with pytest.raises(Conflict, match="answers for this program already"):
        webhooks.take_over(lab=at.lab, actor=at.supervisor, now=later, webhook=made)


def test_who_comes_back_does_not_start_it_again_unasked(at: Club, maker: User, now: datetime) -> None:
    made_by(at, maker, now)
    becomes_member(at, maker, now)
    labs.member_add(lab=at.lab, actor=at.supervisor, now=now, user=maker, role="supervisor")
    assert Webhook.objects.get().held_at == now


def test_one_of_before_is_held_too_and_one_of_another_lab_is_not(
    at: Club, maker: User, now: datetime
) -> None:
    hook, _ = made_by(at, maker, now)
    other = club("Leaf Club", now=now)
    labs.member_add(lab=other.lab, actor=other.supervisor, now=now, user=maker, role="supervisor")
    elsewhere, _ = made_by(other, maker, now)
    Membership.objects.filter(lab=at.lab, user=maker).delete()
    assert hold_unanswered(now=now) == 1
    assert list(Webhook.objects.filter(held_because="left")) == [hook]
    assert Webhook.objects.get(pk=elsewhere.pk).held_at is None


def test_it_is_never_held_without_a_reason(at: Club, now: datetime) -> None:
    made_by(at, at.supervisor, now)
    for wrong in ({"held_at": now}, {"held_because": "left"}, {"held_at": now, "held_because": "x"}):
        with pytest.raises(IntegrityError), transaction.atomic():
            Webhook.objects.update(**wrong)


def test_one_tap_takes_it_over_and_the_page_says_why_it_waits(
    at: Club, maker: User, now: datetime, client: Client
) -> None:
    made_by(at, maker, now)
    leaves(at, maker, now)
    client.force_login(at.supervisor)
    address = f"/labs/{at.lab.slug}/webhooks/"
    page = client.get(address).content.decode()
    for words in ("waits to be taken over", "Ada answered for it and has left the lab.", "Take it over"):
        assert words in page
    assert 'value="try"' not in page
    (form,) = BUTTON.findall(page)
    for _tap in range(2):
        assert client.post(address, {"key": form[0], "row": form[1], "deed": "take"}).status_code == 302
    page = client.get(address).content.decode()
    assert "waits to be taken over" not in page
    assert "see that both are still right" in page
    assert Event.objects.filter(verb="webhook-taken-over").count() == 1


def test_those_who_may_take_it_over_are_told_by_mail(
    at: Club, maker: User, now: datetime, settings: Any
) -> None:
    settings.STILLKEEP_SENDS_MAIL = True
    reachable(at, "steward", "member")
    hook, _ = made_by(at, maker, now)
    leaves(at, maker, now)
    first = Delivery.objects.select_related("user", "lab").get(channel="notice")
    assert first.user == at.steward, "no supervisor can be reached"
    User.objects.filter(pk=at.steward.pk).update(language="de")
    first.refresh_from_db()
    message: Any = message_of(first, now)
    assert message.to == ["steward@example.org"]
    assert "Ada war dafür verantwortlich und hat das Labor verlassen." in message.body
    assert "board" in message.alternatives[0][0]
    hook.refresh_from_db()
    webhooks.take_over(lab=at.lab, actor=at.supervisor, now=now, webhook=hook)
    assert isinstance(message_of(first, now), Fate), "nothing is left to do"


def test_tokens_and_feeds_of_who_left_read_nothing(at: Club, maker: User, now: datetime) -> None:
    _, token = labs.token_create(lab=at.lab, actor=maker, now=now, name="board", scope="manage")
    secrets = {kind: feeds.feed_add(lab=at.lab, actor=maker, now=now, kind=kind)[1] for kind in feeds.KINDS}
    asks = Client(headers={"Authorization": f"Bearer {token}"})
    reads = [f"/api/v1/labs/{at.lab.slug}/containers/"]
    reads += [feeds.feed_address(site="", kind=kind, secret=secret) for kind, secret in secrets.items()]
    assert [asks.get(address).status_code for address in reads] == [200, 200, 200]
    becomes_member(at, maker, now)
    assert [asks.get(address).status_code for address in reads] == [200, 200, 200]
    assert asks.get(f"/api/v1/labs/{at.lab.slug}/deliveries/").status_code == 403, "no more than the person"
    User.objects.filter(pk=maker.pk).update(is_active=False)
    assert [asks.get(address).status_code for address in reads] == [401, 404, 404]
    User.objects.filter(pk=maker.pk).update(is_active=True)
    leaves(at, maker, now)
    assert [asks.get(address).status_code for address in reads] == [401, 404, 404]
    labs.member_add(lab=at.lab, actor=at.supervisor, now=now, user=maker, role="supervisor")
    assert [asks.get(address).status_code for address in reads] == [401, 404, 404], "nor when they come back"
    assert not ApiToken.objects.filter(revoked=False).exists()
    assert not Feed.objects.filter(revoked_at=None).exists()

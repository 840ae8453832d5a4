"""An address gets alerts only once somebody with its mailbox has said that it is theirs."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core.signing import Signer
from django.test import Client

from inventory.models import Delivery, User
from inventory.rules.errors import Conflict, InputError
from inventory.services.delivery import confirming, outbox
from inventory.services.delivery.choices import choose
from inventory.services.delivery.confirming import LINK_LIFE, address_change, send_again
from inventory.services.delivery.fate import Fate
from inventory.services.delivery.mail import message_of
from inventory.services.delivery.planning import plan_deliveries
from tests.delivery.alerting import alert, reachable
from tests.factories import Club, club

pytestmark = pytest.mark.django_db
NEW = "kim@example.org"


@pytest.fixture
def at(settings: Any) -> Club:
    settings.STILLKEEP_SENDS_MAIL = True
    return club()


@pytest.fixture
def now() -> datetime:
    return datetime.now(UTC)


def gives(at: Club, now: datetime, email: str = NEW) -> Delivery:
    """The member gives an address; the message that goes to it."""
    choose(lab=at.lab, actor=at.member, now=now, changes={"email": email})
    return newest()


def newest() -> Delivery:
    row = Delivery.objects.select_related("user", "lab", "alert").filter(channel="confirm").last()
    assert row is not None
    return row


def link_in(row: Delivery, now: datetime) -> str:
    message: Any = message_of(row, now)
    (link,) = re.findall(r"https?://\S+/confirm/\S+", message.body)
    assert link in message.alternatives[0][0]
    return "/confirm/" + str(link).rpartition("/confirm/")[2]


def person(at: Club) -> User:
    return User.objects.get(pk=at.member.pk)


def test_looking_confirms_nothing_and_the_button_does_once(at: Club, now: datetime, client: Client) -> None:
    row = gives(at, now)
    message: Any = message_of(row, now)
    assert message.to == [NEW]
    link = link_in(row, now)
    for _look in range(2):  # as a scanner of mail does
        page = client.get(link)
        assert (page.status_code, NEW in page.content.decode()) == (200, True)
    assert person(at).mail_confirmed == ""
    assert client.head(link).status_code == 200
    assert "is confirmed" in client.post(link).content.decode()
    assert (person(at).mail_confirmed, person(at).mail_state) == (NEW, "confirmed")
    assert [client.post(link).status_code, client.get(link).status_code] == [410, 410]


def test_a_forged_page_cannot_press_the_button(at: Club, now: datetime) -> None:
    link = link_in(gives(at, now), now)
    assert Client(enforce_csrf_checks=True).post(link).status_code == 403
    assert person(at).mail_confirmed == ""


def test_every_link_that_does_not_serve_gets_the_same_answer(at: Club, now: datetime, client: Client) -> None:
    link = link_in(gives(at, now), now)
    for_other = Signer(salt="inventory.confirm-mail").sign_object([at.member.pk + 99, 1, "0" * 32])
    elsewhere = Signer(salt="another purpose").sign_object([at.member.pk, 1, "0" * 32])
    odd = [
        Signer(salt="inventory.confirm-mail").sign_object(each)
        for each in ("x", [1], [1, "a", 2], [1, 1e300, ""])
    ]
    strange = ["x", link.split("/")[2][:-1], for_other, elsewhere, *odd]
    answers = set()
    for each in strange:
        answer = client.get(f"/confirm/{each}/")
        answers.add((answer.status_code, answer.content.partition(b"<main")[2].partition(b"</main>")[0]))
    assert {status for status, _ in answers} == {410}
    assert len(answers) == 1
    assert NEW not in client.get(f"/confirm/{for_other}/").content.decode()


def test_it_ends_after_three_days_by_a_newer_one_and_with_another_address(at: Club, now: datetime) -> None:
    def token(row: Delivery) -> str:
        return link_in(row, now).split("/")[2]

    first = token(gives(at, now))
    assert confirming.found(token=first, now=now + LINK_LIFE - timedelta(seconds=1)) is not None
    assert confirming.found(token=first, now=now + LINK_LIFE) is None
    send_again(lab=at.lab, actor=at.member, now=now + timedelta(seconds=1))
    second = token(newest())
    assert confirming.confirm(token=first, now=now) is None
    gives(at, now + timedelta(seconds=2), "lee@example.org")
    assert confirming.confirm(token=second, now=now) is None
    at.member.is_active = False
    at.member.save(update_fields=["is_active"])
    assert confirming.confirm(token=token(newest()) if link_of_is_out(now) else "", now=now) is None


def link_of_is_out(now: datetime) -> bool:
    """Whether the newest message would still be sent; not to somebody who cannot sign in."""
    return not hasattr(message_of(newest(), now), "outcome")


def test_nothing_else_goes_to_it_and_alerts_go_on_to_the_earlier_one(at: Club, now: datetime) -> None:
    reachable(at, "member")
    gives(at, now)
    alert(at, now=now)
    plan_deliveries(now=now)
    rows = Delivery.objects.select_related("user", "lab", "alert__acknowledged_by").exclude(channel="confirm")
    rows = rows.order_by("pk")
    sent: list[Any] = [message_of(row, now) for row in rows]
    assert [row.channel for row in rows] == ["notice", "email"], "that another was given, and the alert"
    assert [message.to for message in sent] == [["member@example.org"]] * 2
    choose(lab=at.lab, actor=at.member, now=now, changes={"email": ""})
    gives(at, now + timedelta(minutes=1))
    alert(at, now=now)
    assert plan_deliveries(now=now) == 0, "taken away, the earlier one is forgotten"


def test_what_nobody_answers_goes_to_a_steward_when_no_supervisor_can_be_reached(
    at: Club, now: datetime
) -> None:
    def escalated() -> list[tuple[str, bool]]:
        alert(at, "loses-more", now=now, escalated_at=now, planned_at=now)
        plan_deliveries(now=now)
        rows = Delivery.objects.select_related("user", "lab", "alert__acknowledged_by").order_by("pk")
        found = [row for row in rows if row.payload["event"] == "escalated"]
        said = [(message_of(row, now), row) for row in found]
        Delivery.objects.all().delete()
        return [(m.to[0], "as a steward" in m.body) for m, _ in said if not isinstance(m, Fate)]

    reachable(at, "steward", "member")
    User.objects.filter(pk=at.supervisor.pk).update(email="slip@example.org")
    assert escalated() == [("steward@example.org", True)]
    reachable(at, "supervisor")
    assert escalated() == [("supervisor@example.org", False)]


def test_links_are_bounded_whatever_is_typed(at: Club, now: datetime) -> None:
    for number in range(5):
        address_change(
            lab=at.lab, actor=at.member, now=now + timedelta(seconds=number), email=f"a{number}@b.org"
        )
    assert Delivery.objects.filter(channel="confirm").count() == 3
    with pytest.raises(InputError, match="sent already"):
        send_again(lab=at.lab, actor=at.member, now=now + timedelta(minutes=1))
    assert confirming.ask_those_left(now=now + timedelta(minutes=2)) == 0
    later = now + timedelta(hours=1, seconds=9)
    assert [confirming.ask_those_left(now=later), confirming.ask_those_left(now=later)] == [1, 0]
    with pytest.raises(Conflict):
        outbox.replay(lab=at.lab, actor=at.supervisor, now=now, delivery=newest())


def test_without_a_mail_server_the_link_waits_for_one(at: Club, now: datetime, settings: Any) -> None:
    settings.STILLKEEP_SENDS_MAIL = False
    choose(lab=at.lab, actor=at.member, now=now, changes={"email": NEW})
    assert confirming.ask_those_left(now=now) == 0
    settings.STILLKEEP_SENDS_MAIL = True
    assert confirming.ask_those_left(now=now) == 1
    assert link_in(newest(), now)


def test_the_pages_say_why_nothing_comes(at: Club, now: datetime, client: Client) -> None:
    client.force_login(at.member)
    gone = client.post("/you/mail/", {"email": NEW}, follow=True).content.decode()
    assert "A link is on its way to" in gone
    assert "not confirmed" in client.get("/you/").content.decode()
    for _more in range(2):
        assert client.post("/you/mail/", {"again": "1"}).status_code == 302
    bounded = client.post("/you/mail/", {"again": "1"})
    assert (bounded.status_code, 3000 < int(bounded["Retry-After"]) <= 3600) == (429, True)
    assert client.post("/you/mail/", {"email": "no address"}).status_code == 400
    assert "/you/mail/" in client.get(f"/labs/{at.lab.slug}/alert-settings/").content.decode()
    client.force_login(at.steward)
    people = client.get(f"/labs/{at.lab.slug}/people/").content.decode()
    assert "mail address not confirmed: no alert goes there" in people
    assert NEW not in people, "the address itself is nobody else's business"

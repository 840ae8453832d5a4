"""Whoever's account is changed is told by mail, at the address that was confirmed before the change."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client

from inventory.models import Delivery, Membership, User
from inventory.rules.errors import Conflict
from inventory.services.delivery import confirming, outbox
from inventory.services.delivery.choices import choose
from inventory.services.delivery.confirming import address_change
from inventory.services.delivery.fate import Fate
from inventory.services.delivery.mail import message_of
from tests.delivery.alerting import reachable
from tests.factories import PASSWORD, Club, club
from tests.web.soft_key import SoftKey
from tests.web.test_second_step import turned_on

pytestmark = pytest.mark.django_db
NEW = "kim@example.org"
OLD = "member@example.org"
PROVED = {"now_password": PASSWORD}


@pytest.fixture
def at(settings: Any) -> Club:
    settings.STILLKEEP_SENDS_MAIL = True
    found = club()
    reachable(found, "member")
    return found


@pytest.fixture
def now() -> datetime:
    return datetime.now(UTC)


@pytest.fixture
def here(at: Club) -> Client:
    client = Client(SERVER_NAME="localhost")
    client.force_login(at.member)
    return client


def notices() -> list[Delivery]:
    rows = Delivery.objects.filter(channel="notice").select_related("user", "lab").order_by("pk")
    return list(rows)


def told() -> list[tuple[str, str]]:
    return [(row.payload["event"], row.payload["to"]) for row in notices()]


def confirmed(at: Club, now: datetime, email: str) -> None:
    """Give another address and press the button behind its link."""
    choose(lab=at.lab, actor=at.member, now=now, changes={"email": email})
    row = Delivery.objects.select_related("user", "lab").filter(channel="confirm").last()
    assert row is not None
    token = confirming.link_of(row, now).rstrip("/").rpartition("/")[2]
    assert confirming.confirm(token=token, now=now) is not None


def test_the_earlier_address_is_told_when_another_is_given_and_when_it_holds(at: Club, now: datetime) -> None:
    confirmed(at, now, NEW)
    assert told() == [("address-given", OLD), ("address-changed", OLD)]
    confirmed(at, now + timedelta(hours=2), "lee@example.org")
    assert told()[2:] == [("address-given", NEW), ("address-changed", NEW)]
    choose(lab=at.lab, actor=at.member, now=now, changes={"email": ""})
    assert told()[4:] == [("address-removed", "lee@example.org")]


def test_a_first_address_has_no_earlier_one(at: Club, now: datetime) -> None:
    User.objects.filter(pk=at.member.pk).update(email="", mail_confirmed="")
    confirmed(at, now, NEW)
    assert told() == []


def test_to_and_fro_is_told_once_in_an_hour(at: Club, now: datetime) -> None:
    hour = now.replace(minute=0)
    for minute in range(8):
        email = (NEW, OLD)[minute % 2]
        address_change(lab=at.lab, actor=at.member, now=hour + timedelta(minutes=minute), email=email)
    assert told() == [("address-given", OLD)]


def test_it_says_what_when_and_whom_to_ask_in_their_language_and_holds_no_link(
    at: Club, now: datetime
) -> None:
    at.lab.time_zone, at.lab.contact = "Europe/Berlin", "Room 12"
    at.lab.save(update_fields=["time_zone", "contact"])
    moment = datetime(2026, 7, 1, 20, 5, tzinfo=UTC)
    User.objects.filter(pk=at.member.pk).update(language="de")
    address_change(lab=at.lab, actor=at.member, now=moment, email=NEW)
    (row,) = notices()
    message: Any = message_of(row, now)
    assert message.to == [OLD]
    assert message.subject == "[Stillkeep] Für das Konto wurde eine andere Mailadresse angegeben."
    html = message.alternatives[0][0]
    assert '<html lang="de">' in html
    for text in (message.body, html):
        assert "1. Juli 2026, 22:05 (Europe/Berlin)" in text
        assert at.supervisor.display_name in text
        assert "Room 12" in text
        assert not re.search(r"https?:|href|/confirm/", text)
        assert NEW not in text, "the other address may be that of somebody else"


def test_a_password_set_on_the_command_line_is_told_once(at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    """`manage.py changepassword`, Django's own, typed at its prompts; one that is refused tells nobody."""
    typed = iter(["1234567890", "1234567890", "seven leaf pigments", "seven leaf pigments"])
    monkeypatch.setattr("getpass.getpass", lambda prompt="": next(typed))
    call_command("changepassword", at.member.username)
    assert told() == [("password-changed", OLD)]
    assert User.objects.get(pk=at.member.pk).check_password("seven leaf pigments")
    assert Client().login(username=at.member.username, password="seven leaf pigments")
    assert len(notices()) == 1


def test_it_goes_where_it_went_before_whatever_is_given_afterwards(at: Club, now: datetime) -> None:
    """Who takes an account over and then gives their own address hides nothing by it."""
    client = Client()
    client.force_login(at.member)
    new = {"password": "seven leaf pigments", "again": "seven leaf pigments"}
    client.post("/you/password/", {**PROVED, **new})
    User.objects.filter(pk=at.member.pk).update(email=NEW, mail_confirmed=NEW)
    Membership.objects.filter(user=at.member).delete()
    (row,) = notices()
    message: Any = message_of(row, now)
    assert (row.payload["event"], message.to) == ("password-changed", [OLD])
    assert outbox.claim(lease=timedelta(minutes=1), now=now + timedelta(seconds=1)) == [row]


@pytest.mark.usefixtures("no_attempts")
def test_what_weakens_or_adds_a_way_in_is_told(here: Client, at: Club) -> None:
    turned_on(here)
    assert told() == [], "a second step is only more"
    here.post("/you/recovery-codes/", {**PROVED, "key": "k"})
    here.post("/you/second-step/", PROVED)
    here.post("/you/second-step/", PROVED)
    asked = here.post("/you/passkeys/ask/", {**PROVED, "name": "phone"}).json()
    for _twice in range(2):
        here.post("/you/passkeys/", {"name": "phone", "answer": SoftKey().made(asked)})
    assert told() == [(each, OLD) for each in ("codes-renewed", "second-step-off", "passkey-added")]


@pytest.mark.usefixtures("no_attempts")
def test_what_the_operator_does_is_told_too(here: Client, at: Club) -> None:
    turned_on(here)
    for _twice in range(2):
        call_command("person", at.member.username, "--no-second-step", stdout=None)
    assert told() == [("second-step-off", OLD)]


def test_nothing_goes_to_an_address_that_nobody_confirmed_or_without_a_server(
    at: Club, here: Client, settings: Any
) -> None:
    new = {"password": "seven leaf pigments", "again": "seven leaf pigments"}
    settings.STILLKEEP_SENDS_MAIL = False
    assert here.post("/you/password/", {**PROVED, **new}).status_code == 302
    settings.STILLKEEP_SENDS_MAIL = True
    User.objects.filter(pk=at.member.pk).update(mail_confirmed="")
    back = {"password": PASSWORD, "again": PASSWORD}
    assert here.post("/you/password/", {"now_password": new["password"], **back}).status_code == 302
    assert told() == []


def test_a_notice_that_went_out_is_not_sent_again_by_hand(at: Club, now: datetime, client: Client) -> None:
    address_change(lab=at.lab, actor=at.member, now=now, email=NEW)
    (row,) = notices()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": now}
    Delivery.objects.filter(pk=row.pk).update(failed_at=now, last_error="away")
    row = outbox.replay(**by, delivery=notices()[0])
    assert row.failed_at is None
    Delivery.objects.filter(pk=row.pk).update(sent_at=now)
    with pytest.raises(Conflict, match="not sent twice"):
        outbox.replay(**by, delivery=notices()[0])
    client.force_login(at.steward)
    page = client.get(f"/labs/{at.lab.slug}/deliveries/?channel=notice").content.decode()
    assert "notice of a change" in page
    assert 'value="again"' not in page
    assert OLD not in page, "the address is nobody else's business"
    User.objects.filter(pk=at.member.pk).update(is_active=False)
    assert isinstance(message_of(notices()[0], now), Fate)

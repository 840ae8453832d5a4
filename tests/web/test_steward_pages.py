"""Pages about people and what goes out: members, invitations, tokens, feeds, messages, webhooks, own mail.

Each page by role and from another lab stands in the permission table; here is what each deed does.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import ApiToken, Delivery, EntryLink, Event, Feed, MailChoice, Membership, Webhook
from inventory.services import labs
from inventory.services.delivery import feeds, webhooks
from inventory.services.delivery.webhook_secrets import opened
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import as_csv, button, key_of, shown, where

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now())


# -- people


def test_a_role_is_changed_and_the_initials_stay(client: Client, at: Club) -> None:
    held = Membership.objects.get(user=at.member)
    Membership.objects.filter(pk=held.pk).update(initials="MB")
    client.force_login(at.supervisor)
    assert "Member Biscuit Club" in shown(client, where(at, "people/"))
    text = shown(client, where(at, f"people/{held.pk}/"))
    assert 'value="MB"' in text
    told = {"key": key_of(text), "role": "steward", "initials": "MB"}
    for _tap in range(2):
        assert client.post(where(at, f"people/{held.pk}/"), told).status_code == 302
    held.refresh_from_db()
    assert (held.role, held.initials) == ("steward", "MB")
    assert Event.objects.filter(verb="role-set", subject_id=held.pk).count() == 2  # joining, and this once


def test_somebody_who_leaves_loses_every_way_in_for_good(client: Client, at: Club) -> None:
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    labs.token_create(**by, name="balance", scope="log")
    feeds.feed_add(**by, kind="calendar")
    held = Membership.objects.get(user=at.member)
    client.force_login(at.supervisor)
    address = where(at, f"people/{held.pk}/")
    told = button(shown(client, address), "remove", held.pk)
    assert client.post(address, told)["Location"] == where(at, "people/")
    # The second tap finds the page gone, as for everybody who is not there.
    assert client.post(address, told).status_code == 404
    assert not Membership.objects.filter(user=at.member).exists()
    assert ApiToken.objects.get(name="balance").revoked
    assert Feed.objects.get().revoked_at is not None
    left = Client()
    left.force_login(at.member)
    assert left.get(where(at, "")).status_code == 404
    labs.member_add(lab=at.lab, actor=at.supervisor, now=now, user=at.member, role="member")
    assert ApiToken.objects.get(name="balance").revoked
    event = Event.objects.get(verb="member-removed")
    assert event.data == {
        "user": at.member.username,
        "role": "member",
        "tokens": 1,
        "feeds": 1,
        "invitations": 0,
    }


def test_the_last_supervisor_neither_leaves_nor_steps_down(client: Client, at: Club) -> None:
    held = Membership.objects.get(user=at.supervisor)
    client.force_login(at.supervisor)
    address = where(at, f"people/{held.pk}/")
    text = shown(client, address)
    answers = [
        client.post(address, button(text, "remove", held.pk)),
        client.post(address, {"key": key_of(text), "role": "member", "initials": ""}),
    ]
    for answer in answers:
        assert answer.status_code == 400
        assert "A lab needs a supervisor." in answer.content.decode()
    held.refresh_from_db()
    assert held.role == "supervisor"


def test_a_member_of_another_lab_is_not_there(client: Client, at: Club) -> None:
    other = factories.second_club(now=timezone.now())
    held = Membership.objects.get(user=other.member)
    client.force_login(at.supervisor)
    assert client.get(where(at, f"people/{held.pk}/")).status_code == 404
    mine = Membership.objects.get(user=at.member)
    address = where(at, f"people/{mine.pk}/")
    told = button(shown(client, address), "remove", mine.pk)
    assert client.post(address, {**told, "row": str(held.pk)}).status_code == 404
    assert Membership.objects.filter(pk=held.pk).exists()


def test_invitations_that_are_out_are_listed_and_ended(client: Client, at: Club) -> None:
    client.force_login(at.supervisor)
    assert "No invitation is out." in shown(client, where(at, "people/"))
    told = {"key": key_of(shown(client, where(at, "invite/"))), "role": "auditor"}
    first, second = (client.post(where(at, "invite/"), told) for _tap in range(2))
    assert "/enter/" in first.content.decode()
    assert "The link is made already" in second.content.decode()
    link = EntryLink.objects.get()
    text = shown(client, where(at, "people/"))
    assert "Joins as auditor" in text
    assert at.supervisor.display_name in text
    press = button(text, "end-link", link.pk)
    for _tap in range(2):
        assert client.post(where(at, "people/"), press).status_code == 302
    assert Client().get(first.context["address"]).status_code == 410
    assert Event.objects.filter(verb="invitation-revoked").count() == 1
    again = client.post(where(at, "people/"), {**press, "key": "another"})
    assert again.status_code == 400
    assert "This link has been used or has ended." in again.content.decode()


def test_who_only_reads_sees_people_without_buttons(client: Client, at: Club) -> None:
    client.force_login(at.auditor)
    text = shown(client, where(at, "people/"))
    assert "/people/" not in text.replace(where(at, "people/"), "").replace(where(at, "people.csv"), "")
    assert client.post(where(at, "people/"), {"deed": "end-link", "row": "1"}).status_code == 403
    rows = as_csv(client, where(at, "people.csv"))
    assert {row["role"] for row in rows} == set(factories.ROLES)


# -- tokens and feeds


def test_a_token_is_shown_once_works_and_ends(client: Client, at: Club) -> None:
    client.force_login(at.member)
    assert "There is none yet." in shown(client, where(at, "tokens/"))
    told = {
        "key": key_of(shown(client, where(at, "tokens/"))),
        "name": "balance",
        "scope": "log",
        "last_on": "",
    }
    first, second = (client.post(where(at, "tokens/"), told) for _tap in range(2))
    secret = first.context["secret"]
    assert secret in first.content.decode()
    assert secret not in second.content.decode()
    assert "It is made already" in second.content.decode()
    token = ApiToken.objects.get()
    program = Client(headers={"authorization": f"Bearer {secret}"})
    assert program.get("/api/v1/me/").status_code == 200
    text = shown(client, where(at, "tokens/"))
    assert "last used" in text
    assert secret not in text
    press = button(text, "end", token.prefix)
    for _tap in range(2):
        assert client.post(where(at, "tokens/"), press).status_code == 302
    assert program.get("/api/v1/me/").status_code == 401


def test_a_token_of_another_person_is_not_there_but_for_a_supervisor(client: Client, at: Club) -> None:
    token, _ = labs.token_create(
        lab=at.lab, actor=at.steward, now=timezone.now(), name="shelf board", scope="read"
    )
    client.force_login(at.member)
    assert "shelf board" not in shown(client, where(at, "tokens/"))
    press = {"key": "k", "row": token.prefix, "deed": "end"}
    assert client.post(where(at, "tokens/"), press).status_code == 404
    client.force_login(at.supervisor)
    press = button(shown(client, where(at, "tokens/")), "end", token.prefix)
    assert client.post(where(at, "tokens/"), press).status_code == 302
    assert ApiToken.objects.get().revoked


def test_an_auditor_is_offered_reading_only_and_a_past_day_is_refused(client: Client, at: Club) -> None:
    client.force_login(at.auditor)
    text = shown(client, where(at, "tokens/"))
    assert 'value="read"' in text
    assert 'value="manage"' not in text
    told = {"key": key_of(text), "name": "spreadsheet", "scope": "read", "last_on": "2020-01-01"}
    answer = client.post(where(at, "tokens/"), told)
    assert answer.status_code == 400
    assert "That moment has passed." in str(answer.context["make"].errors["last_on"])
    assert 'value="spreadsheet"' in answer.content.decode()
    assert client.post(where(at, "tokens/"), {**told, "scope": "manage"}).status_code == 400
    assert not ApiToken.objects.exists()


def test_a_calendar_is_shown_once_read_and_ended(client: Client, at: Club) -> None:
    client.force_login(at.member)
    assert "There is none yet." in shown(client, where(at, "feeds/"))
    told = {"key": key_of(shown(client, where(at, "feeds/"))), "kind": "calendar", "name": "prep room"}
    first, second = (client.post(where(at, "feeds/"), told) for _tap in range(2))
    address = first.context["secret"]
    assert address not in second.content.decode()
    path = re.sub(r"^https?://[^/]+", "", address)
    assert Client().get(path).status_code == 200
    feed = Feed.objects.get()
    text = shown(client, where(at, "feeds/"))
    assert "last read" in text
    assert path not in text
    other = Client()
    other.force_login(at.steward)
    assert other.post(where(at, "feeds/"), {"key": "k", "row": feed.pk, "deed": "end"}).status_code == 404
    press = button(text, "end", feed.pk)
    for _tap in range(2):
        assert client.post(where(at, "feeds/"), press).status_code == 302
    assert Client().get(path).status_code == 404


# -- messages


def hook_of(at: Club) -> Webhook:
    return webhooks.webhook_add(
        lab=at.lab, actor=at.supervisor, now=timezone.now(), name="board", url="https://hooks.example.org/a"
    )[0]


def message(at: Club, **facts: Any) -> Delivery:
    row = webhooks.trial(lab=at.lab, actor=at.supervisor, now=timezone.now(), webhook=hook_of(at))
    Delivery.objects.filter(pk=row.pk).update(**facts)
    return Delivery.objects.get(pk=row.pk)


def test_what_was_given_up_says_why_and_goes_out_again(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    assert "Nothing has been sent so far." in shown(client, where(at, "deliveries/"))
    row = message(at, failed_at=timezone.now(), attempts=18, last_error="=The receiver answered 410.")
    text = shown(client, where(at, "deliveries/?state=failed"))
    assert "=The receiver answered 410." in text
    assert "1 was given up." in text
    assert "Nothing fits that." in shown(client, where(at, "deliveries/?state=waiting"))
    (line,) = as_csv(client, where(at, "deliveries.csv?state=failed"))
    # A cell that begins like a formula is carried out by a spreadsheet.
    assert (line["state"], line["to"], line["last_error"]) == (
        "failed",
        "board",
        "'=The receiver answered 410.",
    )
    press = button(text, "again", row.pk)
    for _tap in range(2):
        answer = client.post(where(at, "deliveries/?state=failed"), press)
        assert answer["Location"] == where(at, "deliveries/?state=failed")
    row.refresh_from_db()
    assert (row.failed_at, row.attempts) == (None, 0)
    assert Event.objects.filter(verb="delivery-replayed").count() == 1
    waits = client.post(where(at, "deliveries/"), {**press, "key": "another"})
    assert waits.status_code == 400
    assert "This message has not been sent yet." in waits.content.decode()


def test_messages_go_on_where_a_page_ended(client: Client, at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("inventory.web.deliveries.PAGE", 2)
    made = [message(at) for _ in range(5)]
    client.force_login(at.steward)
    seen, address = [], where(at, "deliveries/")
    while address:
        text = shown(client, address)
        seen += re.findall(r"msg_\w+", text)
        more = re.search(r'href="\?([^"]*before=[^"]*)"', text)
        address = f"{where(at, 'deliveries/')}?{more[1]}" if more else ""
    assert seen == [row.message_id for row in reversed(made)]


def test_a_message_of_another_lab_is_not_there(client: Client, at: Club) -> None:
    row = message(factories.second_club(now=timezone.now()), failed_at=timezone.now())
    client.force_login(at.steward)
    assert row.message_id not in shown(client, where(at, "deliveries/"))
    press = {"key": "k", "row": str(row.pk), "deed": "again"}
    assert client.post(where(at, "deliveries/"), press).status_code == 404


def test_a_program_is_added_tried_given_a_new_secret_and_switched_off(client: Client, at: Club) -> None:
    client.force_login(at.supervisor)
    address = where(at, "webhooks/")
    text = shown(client, address)
    assert "No program is told so far." in text
    told: dict[str, Any] = {"key": key_of(text), "name": "board", "url": "http://hooks.example.org/a"}
    refused = client.post(address, told)
    assert refused.status_code == 400
    assert "https://" in str(refused.context["make"].errors["url"])
    told |= {"url": "https://hooks.example.org/a", "rules": ["low-stock"]}
    first, second = (client.post(address, told) for _tap in range(2))
    hook = Webhook.objects.get()
    assert first.context["secret"] == opened(hook.pk, hook.secret)
    assert first.context["secret"] not in second.content.decode()
    assert hook.rules == ["low-stock"]
    text = shown(client, address)
    for _tap in range(2):
        assert client.post(address, button(text, "try", hook.pk)).status_code == 302
    assert Delivery.objects.filter(payload__event="trial").count() == 1
    assert "last message: waiting" in shown(client, address)
    rotated = client.post(address, button(text, "secret", hook.pk))
    hook.refresh_from_db()
    assert rotated.context["secret"] == opened(hook.pk, hook.secret) != first.context["secret"]
    assert client.post(address, button(text, "end", hook.pk)).status_code == 302
    hook.refresh_from_db()
    assert hook.ended_at is not None
    assert "switched off" in shown(client, address)
    assert client.post(address, {**button(text, "try", hook.pk), "key": "later"}).status_code == 400


def test_one_chooses_ones_own_mail(client: Client, at: Club) -> None:
    client.force_login(at.member)
    address = where(at, "alert-settings/")
    text = shown(client, address)
    assert "what your role begins with holds" in text
    told = {"key": key_of(text), "email": "no address", "at_once": "3", "digest": "on"}
    refused = client.post(address, told)
    assert refused.status_code == 400
    assert "This is no mail address." in refused.content.decode()
    assert 'value="no address"' in refused.content.decode()
    for _tap in range(2):
        assert client.post(address, {**told, "email": "kim@example.org"}).status_code == 302
    at.member.refresh_from_db()
    choice = MailChoice.objects.get()
    assert (at.member.email, choice.at_once_severity, choice.digest) == ("kim@example.org", 3, True)
    assert Event.objects.filter(verb="mail-chosen").count() == 1

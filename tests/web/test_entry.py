"""One-time links: the first set-up, invitations, and that a secret stays one."""

from __future__ import annotations

import logging
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import EntryLink, Lab, Membership, User
from inventory.services import labs
from tests import factories

pytestmark = pytest.mark.django_db
PERSON = {
    "username": "ada",
    "person_name": "Ada",
    "password": factories.PASSWORD,
    "again": factories.PASSWORD,
}
LAB = {
    "lab_name": "Biscuit Club",
    "time_zone": "Europe/Berlin",
    "emergency_text": "Ring 112.",
    "contact": "Ada",
}


def set_up_secret() -> str:
    secret = labs.setup_link_create(now=timezone.now())
    assert secret
    return secret


def invitation(lab: Lab, role: str = "member") -> str:
    head = lab.memberships.get(role="supervisor").user
    return labs.invitation_create(lab=lab, actor=head, role=role, now=timezone.now())[1]


def test_the_first_set_up_makes_person_and_lab_and_signs_in(client: Client) -> None:
    address = f"/enter/{set_up_secret()}/"
    assert client.get(address).status_code == 200
    done = client.post(address, PERSON | LAB, follow=True)
    assert done.redirect_chain == [("/labs/biscuit-club/", 302)]
    assert "Welcome to Biscuit Club." in done.content.decode()
    held = Membership.objects.get(user__username="ada")
    assert (held.role, held.lab.time_zone, held.lab.emergency_text, held.lab.contact) == (
        "supervisor", "Europe/Berlin", "Ring 112.", "Ada",
    )  # fmt: skip


def test_sending_the_form_twice_makes_one_person(client: Client) -> None:
    address = f"/enter/{set_up_secret()}/"
    assert client.post(address, PERSON | LAB).status_code == 302
    again = Client().post(address, PERSON | LAB)
    assert again.status_code == 410
    assert "has been used or has ended" in again.content.decode()
    assert User.objects.count() == Lab.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"again": "another password"}, "again"),
        ({"password": "short", "again": "short"}, "password"),
        ({"password": "1234567890123", "again": "1234567890123"}, "password"),
        ({"username": "a b"}, "username"),
        ({"username": ""}, "username"),
        ({"username": "x" * 151}, "username"),
        ({"lab_name": "!!!"}, "lab_name"),
        ({"time_zone": "Mars/Base"}, "time_zone"),
        ({"time_zone": ""}, "time_zone"),
    ],
)
def test_a_fault_is_shown_at_its_field_and_nothing_is_lost(
    client: Client, change: dict[str, str], field: str
) -> None:
    address = f"/enter/{set_up_secret()}/"
    refused = client.post(address, PERSON | LAB | change)
    assert refused.status_code == 400
    assert list(refused.context["form"].errors) == [field]
    page = refused.content.decode()
    assert f'id="id_{field}_error"' in page
    assert 'aria-invalid="true"' in page
    assert "Ring 112." in page
    assert not User.objects.exists()
    assert client.post(address, PERSON | LAB).status_code == 302


def test_a_link_ends_after_seven_days(client: Client) -> None:
    secret = set_up_secret()
    EntryLink.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert client.get(f"/enter/{secret}/").status_code == 410
    assert client.post(f"/enter/{secret}/", PERSON | LAB).status_code == 410
    assert not User.objects.exists()


def test_a_taken_name_leaves_the_invitation_usable(client: Client) -> None:
    at = factories.club()
    address = f"/enter/{invitation(at.lab)}/"
    taken = client.post(address, PERSON | {"username": at.member.username.upper()})
    assert list(taken.context["form"].errors) == ["username"]
    assert client.post(address, PERSON).status_code == 302
    assert Membership.objects.get(user__username="ada").role == "member"


def test_a_signed_in_person_just_joins(client: Client) -> None:
    at, other = factories.club(), factories.second_club()
    client.force_login(other.member)
    address = f"/enter/{invitation(at.lab, 'auditor')}/"
    assert "Join Biscuit Club" in client.get(address).content.decode()
    assert not Membership.objects.filter(user=other.member, lab=at.lab).exists()
    assert client.post(address)["Location"] == "/labs/biscuit-club/"
    assert Membership.objects.get(user=other.member, lab=at.lab).role == "auditor"
    assert client.post(address).status_code == 410


def test_joining_again_takes_no_role_away_and_leaves_the_link(client: Client) -> None:
    at = factories.club()
    client.force_login(at.supervisor)
    secret = invitation(at.lab, "member")
    client.post(f"/enter/{secret}/")
    assert Membership.objects.get(user=at.supervisor).role == "supervisor"
    assert labs.entry_link_find(secret=secret, now=timezone.now())


def test_the_secret_is_not_told_to_other_addresses_or_kept_by_caches(client: Client) -> None:
    secret = set_up_secret()
    for address in (f"/enter/{secret}/", "/enter/unknown/"):
        answer = client.get(address)
        assert answer["Referrer-Policy"] == "strict-origin"
        assert "no-store" in answer["Cache-Control"]
    assert client.post(f"/enter/{secret}/", PERSON | LAB)["Referrer-Policy"] == "strict-origin"


def test_the_log_never_holds_a_secret(caplog: pytest.LogCaptureFixture) -> None:
    secret = set_up_secret()
    strict = Client(enforce_csrf_checks=True)
    with caplog.at_level(logging.DEBUG):
        assert strict.post(f"/enter/{secret}/", PERSON | LAB).status_code == 403
        strict.get(f"/enter/{secret}x/")
    assert caplog.text.count("/enter/[hidden]/") == 2
    assert secret not in caplog.text


# -- invitations


def test_a_supervisor_makes_a_link_that_works(client: Client) -> None:
    at = factories.club()
    client.force_login(at.supervisor)
    assert client.get("/labs/biscuit-club/invite/").status_code == 200
    page = client.post("/labs/biscuit-club/invite/", {"role": "steward", "key": "once"})
    address = page.context["address"]
    assert address in page.content.decode()
    assert Client().post(address, PERSON).status_code == 302
    assert Membership.objects.get(user__username="ada").role == "steward"


@pytest.mark.parametrize("role", ["steward", "member", "auditor"])
def test_others_may_not_invite(client: Client, role: str) -> None:
    at = factories.club()
    client.force_login(at.people[role])
    assert client.post("/labs/biscuit-club/invite/", {"role": "member"}).status_code == 403
    assert not EntryLink.objects.exists()
    assert "/invite/" not in client.get("/labs/biscuit-club/").content.decode()


def test_a_stranger_cannot_tell_that_there_is_a_lab_to_invite_to(client: Client) -> None:
    factories.club()
    client.force_login(factories.second_club().supervisor)
    assert client.get("/labs/biscuit-club/invite/").status_code == 404


def test_an_unknown_role_makes_no_link(client: Client) -> None:
    at = factories.club()
    client.force_login(at.supervisor)
    assert client.post("/labs/biscuit-club/invite/", {"role": "owner", "key": "once"}).status_code == 400
    assert not EntryLink.objects.exists()

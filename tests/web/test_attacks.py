"""What somebody tries who wants in, or wants to stay: each as a real request, and each refused."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import EntryLink, Event
from inventory.services import labs
from tests.api.client import Api
from tests.factories import NOW, PASSWORD, Club, club, person
from tests.web.test_second_step import code_of, forget_steps, turned_on

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_attempts")]


@pytest.fixture
def at() -> Club:
    return club()


def invited(at: Club, now: Any) -> str:
    """The address of a link that the supervisor made, and may have kept."""
    return f"/enter/{labs.invitation_create(lab=at.lab, actor=at.supervisor, now=now, role='supervisor')[1]}/"


@pytest.mark.parametrize("how", ["removed", "made a member"])
def test_a_supervisor_who_goes_does_not_come_back_by_a_link_kept_in_a_pocket(at: Club, how: str) -> None:
    now = timezone.now()
    kept, of_other = invited(at, now), ""
    head = person("new-head")
    labs.member_add(lab=at.lab, actor=at.supervisor, now=now, user=head, role="supervisor")
    of_other = labs.invitation_create(lab=at.lab, actor=head, now=now, role="member")[1]
    client = Client()
    assert client.get(kept).status_code == 200
    by: dict[str, Any] = {"lab": at.lab, "actor": head, "now": now}
    if how == "removed":
        labs.member_remove(**by, member=at.lab.memberships.get(user=at.supervisor))
    else:
        labs.member_add(**by, user=at.supervisor, role="member")
    client.force_login(at.supervisor)
    assert [client.get(kept).status_code, client.post(kept).status_code] == [410, 410]
    assert Event.objects.filter(verb="invitation-revoked", actor=head).count() == 1
    assert EntryLink.objects.filter(used_at=None, expires_at__gt=now).count() == 1
    assert Client().get(f"/enter/{of_other}/").status_code == 200


def test_nobody_is_drawn_into_a_lab_or_found_out_by_their_name(at: Club) -> None:
    stranger = person("passer-by")
    api, address = Api(at.supervisor), f"/api/v1/labs/{at.lab.slug}/members/"
    said = [
        api.post(address, {"username": name, "role": "member"}, key=name).json()["errors"]
        for name in (stranger.username, "nobody-at-all")
    ]
    assert said[0] == said[1]
    assert not stranger.memberships.exists()
    assert api.post(address, {"username": at.member.username, "role": "steward"}, key="k").status_code == 201


def test_signing_out_by_a_forged_page_is_refused(at: Club) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(at.member)
    assert client.post("/logout/").status_code == 403
    assert client.get("/you/").status_code == 200


def test_a_session_begun_by_somebody_else_is_not_the_one_that_is_let_in(at: Club) -> None:
    client = Client()
    keys = [_key(client, "/login/")]
    client.force_login(at.member)
    secret = turned_on(client).secret
    forget_steps()
    client.post("/logout/")
    keys.append(_key(client, "/login/passkey/ask/", post=True))
    client.post("/login/", {"username": at.member.username, "password": PASSWORD})
    keys.append(client.session.session_key)
    client.post("/login/second/", {"code": code_of(secret)})
    keys.append(client.session.session_key)
    assert client.get("/you/").status_code == 200
    begun = [key for key in keys if key]
    assert len(begun) == len(set(begun)) >= 3


def _key(client: Client, address: str, *, post: bool = False) -> str | None:
    (client.post if post else client.get)(address)
    return client.session.session_key


@pytest.mark.parametrize(
    "way", ["//evil.example", "https://evil.example/", "/\\evil.example", "javascript:alert(1)"]
)
def test_no_way_in_leads_to_another_host(at: Club, way: str) -> None:
    client = Client()
    told = {"username": at.member.username, "password": PASSWORD, "next": way}
    assert client.post("/login/", told)["Location"] == "/"
    assert client.post("/language/", {"language": "de", "next": way})["Location"] == "/"
    assert client.get(f"/login/?next={way}")["Location"] == "/"
    secret = turned_on(client).secret
    forget_steps()
    client.post("/logout/")
    assert client.post("/login/", told)["Location"] == "/login/second/"
    assert client.post("/login/second/", {"code": code_of(secret)})["Location"] == "/"


def test_a_button_of_a_row_does_not_reach_another_lab(at: Club) -> None:
    other = club("Leaf Club")
    link = labs.invitation_create(lab=other.lab, actor=other.supervisor, now=NOW, role="member")[0]
    client = Client()
    client.force_login(at.supervisor)
    answer = client.post(
        f"/labs/{at.lab.slug}/people/", {"key": "k", "deed": "end-link", "row": str(link.pk)}
    )
    assert answer.status_code == 404
    assert not Event.objects.filter(verb="invitation-revoked").exists()

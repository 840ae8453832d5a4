"""People in every state of signing in, links, and pages of errors: for the visits that leave a lab."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.test import Client, RequestFactory
from django.utils import timezone

from deploy import errors
from inventory.models import Delivery, Passkey, User
from inventory.services import labs
from inventory.services.delivery.confirming import address_change, link_of
from tests import factories
from tests.factories import Club
from tests.web.test_second_step import to_second, turned_on
from tests.web.visits import HALF_IN, HEAD, NOBODY, OF_TWO, WITH_CODES, Visit


def _signed_in(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def _cookie(client: Client) -> str:
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def session_of(user: User) -> str:
    return _cookie(_signed_in(user))


def came_by(at: Club) -> dict[str, Any]:
    """sessions: the cookie of each who of `visits`; names for the addresses outside a lab."""
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": now}
    of_two, careful = factories.person("of-two"), factories.person("careful")
    other = factories.second_club(now=now)
    labs.member_add(**by, user=of_two, role="member")
    labs.member_add(lab=other.lab, actor=other.supervisor, now=now, user=of_two, role="member")
    labs.member_add(**by, user=careful, role="member")
    kept = {HEAD: _signed_in(at.supervisor), OF_TWO: _signed_in(of_two), WITH_CODES: _signed_in(careful)}
    codes = turned_on(kept[WITH_CODES]).codes
    kept[HALF_IN] = to_second("careful")
    sessions = {who: _cookie(client) for who, client in kept.items()}
    address_change(**{**by, "actor": careful}, email="careful@example.org")
    mail = Delivery.objects.select_related("user").get(channel="confirm")
    key = Passkey.objects.create(
        user=at.supervisor, name="phone", credential_id="a2V5", credential=b"", added_at=now
    )
    _link, invited = labs.invitation_create(**by, role="member")
    return {
        "sessions": {**sessions, NOBODY: ""},
        "confirm": urlsplit(link_of(mail, now)).path.split("/")[2],
        "invited": invited,
        "spare_code": codes[0],
        "passkey": key.pk,
    }


def refusals() -> list[Visit]:
    """Pages of errors that no address gives as it stands, as the server writes them."""
    asked = RequestFactory().get("/somewhere/")
    forged = Client(enforce_csrf_checks=True).post("/login/", {"username": "x", "password": "y"})
    made: dict[str, Any] = {
        "a request that cannot be read": errors.bad_request(asked, ValueError()),
        "a form without its token": forged,
        "a fault of ours": errors.unexpected(asked),
        "the database is busy": errors._busy_page(),
    }
    return [
        Visit(name, f"/told/{number}/", NOBODY, answer.status_code, answer.content.decode())
        for number, (name, answer) in enumerate(made.items())
    ]

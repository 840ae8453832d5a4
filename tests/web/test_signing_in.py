"""Signing in and out: the bound on guesses, and that nothing tells whether a name exists."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.core.cache import caches
from django.db import connections
from django.http import HttpResponse
from django.test import Client

from inventory.web import signing_in
from inventory.web.attempts import CACHE, Limit, take
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_attempts")]
NAME = "member-biscuit-club"


def attempt(client: Client, name: str, password: str, address: str = "192.0.2.1") -> HttpResponse:
    """One try; 192.0.2.0/24 is kept for examples by RFC 5737."""
    form = {"username": name, "password": password}
    return client.post("/login/", form, REMOTE_ADDR=address)  # type: ignore[return-value]


def text(response: HttpResponse, name: str) -> str:
    """A page without what is new in every answer, and without the name that was typed."""
    page = re.sub(r'name="csrfmiddlewaretoken" value="\w+"', "", response.content.decode())
    return page.replace(name, "NAME")


def test_it_signs_in_and_goes_on_to_the_page_asked_for(client: Client) -> None:
    factories.club()
    asked = client.get("/labs/biscuit-club/")
    assert asked["Location"] == "/login/?next=/labs/biscuit-club/"
    form = {"username": NAME, "password": factories.PASSWORD, "next": "/labs/biscuit-club/"}
    assert client.post("/login/", form)["Location"] == "/labs/biscuit-club/"
    assert client.get("/labs/biscuit-club/").status_code == 200


def test_it_never_goes_on_to_another_host(client: Client) -> None:
    factories.club()
    form = {"username": NAME, "password": factories.PASSWORD, "next": "https://elsewhere.example/"}
    assert client.post("/login/", form)["Location"] == "/"


def test_signing_out_needs_a_post(client: Client) -> None:
    at = factories.club()
    client.force_login(at.member)
    assert client.get("/logout/").status_code == 405
    assert client.get("/").status_code == 200
    client.post("/logout/")
    assert client.get("/").status_code == 302


def test_a_wrong_name_and_a_wrong_password_look_alike(client: Client) -> None:
    factories.club()
    known = attempt(client, NAME, "wrong")
    unknown = attempt(client, "nobody", "wrong")
    assert known.status_code == unknown.status_code == 200
    assert text(known, NAME) == text(unknown, "nobody")


@pytest.mark.parametrize("name", [NAME, "nobody"])
def test_guesses_at_a_name_are_bounded_whether_or_not_it_exists(client: Client, name: str) -> None:
    factories.club()
    for number in range(signing_in.BY_NAME.attempts):
        assert attempt(client, name, "wrong", f"192.0.2.{number + 1}").status_code == 200
    refused = attempt(client, name, factories.PASSWORD, "192.0.2.99")
    assert refused.status_code == 429
    assert 0 < int(refused["Retry-After"]) <= signing_in.BY_NAME.seconds
    assert "Wait 15 minutes, then try again." in refused.content.decode()
    assert client.get("/").status_code == 302


def test_capitals_do_not_make_another_name(client: Client) -> None:
    factories.club()
    for number in range(signing_in.BY_NAME.attempts):
        attempt(client, NAME.upper() if number % 2 else NAME, "wrong", f"192.0.2.{number + 1}")
    assert attempt(client, NAME, "wrong", "192.0.2.99").status_code == 429


def test_guesses_from_an_address_are_bounded(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    factories.club()
    monkeypatch.setattr(signing_in, "BY_ADDRESS", Limit("sign-in-address", 4, 60))
    for number in range(4):
        assert attempt(client, f"nobody{number}", "wrong").status_code == 200
    assert attempt(client, NAME, factories.PASSWORD).status_code == 429
    assert attempt(client, NAME, factories.PASSWORD, "192.0.2.7").status_code == 302


def test_the_right_password_ends_the_count(client: Client) -> None:
    factories.club()
    for _ in range(3):
        for number in range(signing_in.BY_NAME.attempts - 1):
            attempt(client, NAME, "wrong", f"192.0.2.{number + 1}")
        assert attempt(client, NAME, factories.PASSWORD).status_code == 302


def test_a_slot_is_free_again_when_its_time_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    limit = Limit("short", attempts=1, seconds=1)
    assert take(limit, "x").key
    assert take(limit, "x").wait_seconds == 1
    caches[CACHE].touch(limit.keys("x")[0], 0)
    assert take(limit, "x").key


@pytest.mark.django_db(transaction=True)
def test_attempts_at_once_never_share_a_slot() -> None:
    limit = Limit("race", attempts=5, seconds=60)

    def one(_: int) -> str:
        try:
            return take(limit, "x").key
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        keys = [key for key in pool.map(one, range(24)) if key]
    assert sorted(keys) == sorted(set(keys)) == sorted(limit.keys("x"))


def test_before_anybody_has_an_account_the_page_says_what_to_do(client: Client) -> None:
    assert "one-time link that the server printed" in client.get("/login/").content.decode()
    factories.person("ada")
    assert "one-time link that the server printed" not in client.get("/login/").content.decode()

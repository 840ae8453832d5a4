"""The second step of signing in, its recovery codes, and the way back in for whoever lost both.

Codes are worked out here by RFC 4226 and 6238, with nothing of the product or its library.
"""

from __future__ import annotations

import base64
import hmac
import re
import time
from io import StringIO
from typing import Any, NamedTuple

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from inventory.models import RecoveryCode, SecondFactor, User
from tests import factories
from tests.web.test_signing_in import attempt

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_attempts")]
PROVED = {"now_password": factories.PASSWORD}


def code_of(secret: str, steps: int = 0) -> str:
    """RFC 4226, 5.3 over the time steps of RFC 6238, 4.2."""
    moving = (int(time.time()) // 30 + steps).to_bytes(8, "big")
    digest = hmac.digest(base64.b32decode(secret), moving, "sha1")
    at = digest[-1] & 15
    number = int.from_bytes(digest[at : at + 4], "big") & 0x7FFFFFFF
    return f"{number % 1_000_000:06d}"


@pytest.fixture
def ada() -> User:
    return factories.person("ada")


@pytest.fixture
def at_home(client: Client, ada: User) -> Client:
    client.force_login(ada)
    return client


class TurnedOn(NamedTuple):
    """The secret, the code that was used up by turning the second step on, and the recovery codes."""

    secret: str
    used: str
    codes: list[str]


def turned_on(client: Client) -> TurnedOn:
    page = client.get("/you/second-step/").content.decode()
    (key,) = re.findall(r"<code>([A-Z2-7 ]+)</code>", page)
    secret = key.replace(" ", "")
    used = code_of(secret)
    sent = client.post("/you/second-step/", {"code": used, **PROVED})
    assert sent["Location"] == "/you/recovery-codes/"
    shown = client.get(sent["Location"]).content.decode()
    return TurnedOn(secret, used, re.findall(r"<code>([a-z0-9-]+)</code>", shown))


def forget_steps() -> None:
    """As if half a minute had gone by: the code of now has not been used."""
    SecondFactor.objects.update(last_step=0)


def to_second(name: str = "ada") -> Client:
    """A browser in which the right password was said."""
    client = Client()
    assert attempt(client, name, factories.PASSWORD)["Location"] == "/login/second/"
    return client


def inside(client: Client) -> bool:
    return client.get("/you/").status_code == 200


def test_the_page_shows_the_key_as_picture_and_words(at_home: Client) -> None:
    page = at_home.get("/you/second-step/").content.decode()
    assert page.count("<svg") == 1
    assert "style=" not in page, "the strict policy refuses it"
    (address,) = re.findall(r'href="(otpauth://totp/[^"]+)"', page)
    assert address in at_home.get("/you/second-step/").content.decode(), "a page loaded again shows the same"


def test_a_password_alone_no_longer_signs_in_and_a_code_does_once(at_home: Client) -> None:
    secret, used, _ = turned_on(at_home)
    other = to_second()
    assert not inside(other)
    assert other.post("/login/second/", {"code": used}).status_code == 400
    forget_steps()
    code = code_of(secret)
    assert other.post("/login/second/", {"code": code})["Location"] == "/"
    assert inside(other)
    again = to_second()
    assert again.post("/login/second/", {"code": code}).status_code == 400
    assert not inside(again)


def test_it_goes_on_to_the_page_asked_for(at_home: Client) -> None:
    secret = turned_on(at_home).secret
    forget_steps()
    other, form = Client(), {"username": "ada", "password": factories.PASSWORD, "next": "/you/places/"}
    assert other.post("/login/", form)["Location"] == "/login/second/"
    assert other.post("/login/second/", {"code": code_of(secret)})["Location"] == "/you/places/"


def test_without_a_password_the_second_step_leads_back(client: Client) -> None:
    assert client.get("/login/second/")["Location"] == "/login/"
    assert client.post("/login/second/", {"code": "123456"})["Location"] == "/login/"


def test_a_password_that_was_changed_meanwhile_counts_no_more(at_home: Client, ada: User) -> None:
    secret = turned_on(at_home).secret
    forget_steps()
    other = to_second()
    ada.set_password("another password")
    ada.save()
    assert other.post("/login/second/", {"code": code_of(secret)})["Location"] == "/login/"
    assert not inside(other)


def test_guesses_at_codes_are_bounded_for_the_person_in_every_browser(at_home: Client) -> None:
    secret = turned_on(at_home).secret
    forget_steps()
    wrong = [to_second().post("/login/second/", {"code": "no code"}).status_code for _ in range(10)]
    assert set(wrong) == {400}
    refused = to_second().post("/login/second/", {"code": code_of(secret)})
    assert refused.status_code == 429
    assert 0 < int(refused["Retry-After"]) <= 3600


def test_each_recovery_code_signs_in_once(at_home: Client) -> None:
    codes = turned_on(at_home).codes
    assert len(codes) == 10
    other = to_second()
    assert other.post("/login/second/", {"code": codes[3].upper()}).status_code == 302
    assert inside(other)
    assert to_second().post("/login/second/", {"code": codes[3]}).status_code == 400
    kept = list(RecoveryCode.objects.values_list("code_sha256", flat=True))
    assert not set(codes) & set(kept)
    assert RecoveryCode.objects.filter(used_at=None).count() == 9


def test_the_codes_are_shown_until_they_are_kept_and_new_ones_end_them(at_home: Client) -> None:
    codes = turned_on(at_home).codes
    assert codes[0] in at_home.get("/you/recovery-codes/").content.decode(), "a double tap still shows them"
    at_home.post("/you/recovery-codes/", {"kept": "1"})
    assert codes[0] not in at_home.get("/you/recovery-codes/").content.decode()
    for _ in range(2):  # the same form, tapped twice
        sent = at_home.post("/you/recovery-codes/", {"key": "one", **PROVED})
        assert sent["Location"] == "/you/recovery-codes/"
    fresh = re.findall(r"<code>([a-z0-9-]+)</code>", at_home.get("/you/recovery-codes/").content.decode())
    assert len(fresh) == 10
    assert to_second().post("/login/second/", {"code": codes[0]}).status_code == 400
    assert to_second().post("/login/second/", {"code": fresh[0]}).status_code == 302


def test_turning_it_on_needs_the_code_and_the_password(at_home: Client) -> None:
    page = at_home.get("/you/second-step/").content.decode()
    secret = re.findall(r"<code>([A-Z2-7 ]+)</code>", page)[0].replace(" ", "")
    tries: list[dict[str, Any]] = [
        {"code": "000000" if code_of(secret) != "000000" else "000001", **PROVED},
        {"code": code_of(secret), "now_password": "wrong"},
        {"code": code_of(secret)},
    ]
    assert [at_home.post("/you/second-step/", each).status_code for each in tries] == [400, 400, 400]
    assert not SecondFactor.objects.exists()


def test_it_is_turned_off_by_the_password_alone(at_home: Client) -> None:
    turned_on(at_home)
    assert at_home.post("/you/second-step/", {"now_password": "wrong"}).status_code == 400
    assert SecondFactor.objects.exists()
    assert at_home.post("/you/second-step/", PROVED)["Location"] == "/you/"
    assert not SecondFactor.objects.exists()
    assert not RecoveryCode.objects.exists()
    assert attempt(Client(), "ada", factories.PASSWORD)["Location"] == "/"


def test_guesses_at_the_password_of_a_phone_left_lying_are_bounded(at_home: Client) -> None:
    turned_on(at_home)
    wrong = [at_home.post("/you/second-step/", {"now_password": "wrong"}).status_code for _ in range(8)]
    assert set(wrong) == {400}
    assert at_home.post("/you/second-step/", PROVED).status_code == 429
    assert SecondFactor.objects.exists()


def test_whoever_runs_the_server_lets_somebody_in_again(at_home: Client) -> None:
    turned_on(at_home)
    said = StringIO()
    call_command("person", "Ada", stdout=said)
    assert said.getvalue() == "ada: second step on, 0 passkeys, signed in at 1 places.\n"
    said = StringIO()
    call_command("person", "ada", "--no-second-step", "--no-passkeys", "--sign-out", stdout=said)
    assert said.getvalue() == "ada: second step off, 0 passkeys, signed in at 0 places.\n"
    assert not inside(at_home)
    assert attempt(Client(), "ada", factories.PASSWORD)["Location"] == "/"
    with pytest.raises(CommandError, match="Nobody here"):
        call_command("person", "nobody")

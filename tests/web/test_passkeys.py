"""Passkeys: with a key in software that can lie, and in Chromium with its own virtual authenticator."""

from __future__ import annotations

from io import BytesIO
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
import zxingcpp
from axe_playwright_python.base import AXE_SCRIPT
from django.test import Client
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from inventory.models import Delivery, Membership, Passkey, SignedIn, User
from inventory.services.delivery.confirming import address_change, link_of
from inventory.services.passkeys import Site
from tests import factories
from tests.web.soft_key import PRESENT, SoftKey
from tests.web.test_browser import fits, watched
from tests.web.test_every_page import faults_of
from tests.web.test_second_step import code_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_attempts")]
PROVED = {"now_password": factories.PASSWORD, "name": "phone"}


@pytest.fixture
def ada() -> User:
    return factories.person("ada")


def here() -> Client:
    """A browser that knows the server by its name, without which there are no passkeys."""
    return Client(SERVER_NAME="localhost")


def added(key: SoftKey, user: User, name: str = "phone") -> Client:
    """The person's browser after the key was offered."""
    client = here()
    client.force_login(user)
    asked = client.post("/you/passkeys/ask/", PROVED).json()
    client.post("/you/passkeys/", {"name": name, "answer": key.made(asked)})
    return client


def asked_in(client: Client) -> dict[str, Any]:
    asked: dict[str, Any] = client.post("/login/passkey/ask/").json()
    return asked


def lets_in(answer: str, client: Client, onward: str = "") -> bool:
    client.post("/login/passkey/", {"answer": answer, "next": onward})
    return client.get("/you/").status_code == 200


def test_a_passkey_signs_in_without_a_password(ada: User) -> None:
    key = SoftKey()
    added(key, ada)
    client = here()
    answer = key.signed(asked_in(client))
    sent = client.post("/login/passkey/", {"answer": answer, "next": "/you/places/"})
    assert sent["Location"] == "/you/places/"
    assert client.get("/you/").status_code == 200
    assert Passkey.objects.get().used_at is not None


def test_what_is_asked_of_the_browser(ada: User) -> None:
    """Web Authentication, 5.4 and 5.5: user verification and a discoverable key are required."""
    key = SoftKey()
    client = added(key, ada)
    asked = client.post("/you/passkeys/ask/", PROVED).json()
    assert asked["rp"]["id"] == "localhost"
    assert asked["authenticatorSelection"] == {
        "residentKey": "required",
        "requireResidentKey": True,
        "userVerification": "required",
    }
    assert len(asked["excludeCredentials"]) == 1
    assert "ada" not in asked["user"]["id"]
    sign_in = asked_in(here())
    assert sign_in["userVerification"] == "required"
    assert not sign_in.get("allowCredentials"), "nobody learns whose keys there are"


LIES: dict[str, dict[str, Any]] = {
    "another origin": {"origin": "http://elsewhere.example"},
    "another port": {"origin": "http://localhost:8443"},
    "another host": {"host": "elsewhere.example"},
    "nobody verified": {"flags": PRESENT},
    "nobody present": {"flags": 0x04},
    "another key": {"private": SoftKey().private},
    "not known": {"id": b"x" * 32},
}


@pytest.mark.parametrize("lie", LIES)
def test_an_answer_that_is_not_right_lets_nobody_in(ada: User, lie: str) -> None:
    key = SoftKey()
    added(key, ada)
    client = here()
    assert not lets_in(key.but(**LIES[lie]).signed(asked_in(client)), client)
    assert lets_in(key.signed(asked_in(client)), client), "the right one does"


def test_a_challenge_serves_once_and_for_one_browser(ada: User) -> None:
    key = SoftKey()
    added(key, ada)
    client, other = here(), here()
    asked = asked_in(client)
    assert not lets_in(key.signed(asked, kind="webauthn.create"), client)
    assert not lets_in(key.signed(asked), client), "it was used up"
    asked = asked_in(client)
    asked_in(other)
    assert not lets_in(key.signed(asked), other)
    assert lets_in(key.signed(asked), client)


def test_a_copy_of_a_key_shows_in_its_count(ada: User) -> None:
    """Web Authentication, 6.1.1: a count that does not grow is the mark of a copy."""
    key = SoftKey(count=5)
    added(key, ada)
    for count, right in ((6, True), (6, False), (3, False), (0, False), (7, True)):
        client = here()
        assert lets_in(key.but(count=count).signed(asked_in(client)), client) is right, count


@pytest.mark.parametrize("answer", ["", "x", "[]", '{"rawId": 1}', '{"rawId": "KEY", "response": {}}'])
def test_what_no_browser_says_is_refused_in_words(ada: User, answer: str) -> None:
    added(SoftKey(), ada)
    answer = answer.replace("KEY", Passkey.objects.get().credential_id)
    client = here()
    asked_in(client)
    page = client.post("/login/passkey/", {"answer": answer}, follow=True)
    assert "This passkey was not taken." in page.content.decode()
    assert client.get("/you/").status_code == 302


def test_who_is_no_longer_active_is_not_let_in(ada: User) -> None:
    key = SoftKey()
    added(key, ada)
    User.objects.update(is_active=False)
    client = here()
    assert not lets_in(key.signed(asked_in(client)), client)


def test_adding_needs_the_password_and_a_key_of_ones_own(ada: User) -> None:
    client, key = here(), SoftKey()
    client.force_login(ada)
    refused = client.post("/you/passkeys/ask/", {**PROVED, "now_password": "wrong"})
    assert (refused.status_code, refused.json()["fault"]) == (400, "This is not your password.")
    client.post("/you/passkeys/", {"name": "phone", "answer": key.made({"challenge": "AAAA"})})
    assert not Passkey.objects.exists()
    asked = client.post("/you/passkeys/ask/", PROVED).json()
    client.post("/you/passkeys/", {"name": "phone", "answer": key.but(flags=PRESENT).made(asked)})
    assert not Passkey.objects.exists(), "the device must check its person"
    added(key, ada)
    added(key, factories.person("bee"))
    assert list(Passkey.objects.values_list("user__username", "name")) == [("ada", "phone")]


def test_a_passkey_in_anothers_browser_takes_their_place(ada: User) -> None:
    key, client = SoftKey(), here()
    added(key, ada)
    client.force_login(factories.person("bee"))
    assert lets_in(key.signed(asked_in(client)), client)
    page = client.get("/you/places/").content.decode()
    assert "Your sign-in name is ada." in client.get("/you/").content.decode()
    assert page.count("this one") == 1
    assert not SignedIn.objects.filter(user__username="bee").exists()


def test_it_is_renamed_and_removed_by_its_person_alone(ada: User) -> None:
    key = SoftKey()
    client = added(key, ada)
    address = f"/you/passkeys/{Passkey.objects.get().pk}/"
    stranger = here()
    stranger.force_login(factories.person("bee"))
    assert stranger.get(address).status_code == 404
    assert stranger.post(address, {"remove": "1"}).status_code == 404
    client.post(address, {"name": "key ring"})
    assert "key ring" in client.get("/you/passkeys/").content.decode()
    assert client.post(address, {"name": " "}).status_code == 400
    client.post(address, {"remove": "1"})
    assert not Passkey.objects.exists()
    other = here()
    assert not lets_in(key.signed(asked_in(other)), other)


@pytest.mark.parametrize(
    ("scheme", "host", "takes"),
    [
        ("https", "lab.example", True),
        ("http", "lab.example", False),
        ("http", "localhost", True),
        ("http", "127.0.0.1", False),
        ("https", "192.0.2.7", False),
        ("https", "[2001:db8::1]", False),
    ],
)
def test_browsers_make_passkeys_for_names_over_https(scheme: str, host: str, takes: bool) -> None:
    """Web Authentication, 5.1.3: the host must be a domain; Secure Contexts: https, or localhost."""
    assert Site(scheme, host).takes_passkeys is takes


def authenticator(page: Page) -> None:
    """Chromium's own device, whose person is always verified (Chrome DevTools Protocol, WebAuthn)."""
    session = page.context.new_cdp_session(page)
    session.send("WebAuthn.enable")
    options = {
        "protocol": "ctap2",
        "transport": "internal",
        "hasResidentKey": True,
        "hasUserVerification": True,
        "isUserVerified": True,
        "automaticPresenceSimulation": True,
    }
    session.send("WebAuthn.addVirtualAuthenticator", {"options": options})


def stands_up(page: Page) -> None:
    """Nothing that axe-core finds, nothing cut off, targets large enough."""
    page.evaluate(AXE_SCRIPT)
    assert faults_of(page) == [], page.url
    fits(page)


@pytest.fixture
def link(transactional_db: None, ada: User, settings: Any) -> str:
    """Ada is in a lab and has not confirmed her address yet: where the mail's link leads."""
    settings.STILLKEEP_SENDS_MAIL = True
    lab, now = factories.club().lab, timezone.now()
    Membership.objects.create(lab=lab, user=ada, role="member")
    address_change(lab=lab, actor=ada, now=now, email="ada@example.org")
    return urlsplit(link_of(Delivery.objects.select_related("user").get(channel="confirm"), now)).path


def second_step_on(page: Page) -> None:
    """The QR code of the page is read from the screen, as an app does; its secret gives the first code."""
    page.goto("/you/second-step/")
    seen = Image.open(BytesIO(page.locator(".qr svg").screenshot()))
    (told,) = zxingcpp.read_barcodes(seen)
    assert told.text == page.get_by_role("link", name="open it on this phone").get_attribute("href")
    secret = parse_qs(urlsplit(told.text).query)["secret"][0]
    page.get_by_label("Code", exact=True).fill(code_of(secret))
    page.get_by_label("Your password").fill(factories.PASSWORD)
    page.get_by_role("button", name="Turn the second step on").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Recovery codes")
    assert page.locator(".codes li").count() == 10
    stands_up(page)
    page.get_by_role("button", name="I have them on paper").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("You")


@pytest.mark.once
@pytest.mark.django_db(transaction=True)
def test_in_a_browser_from_password_to_passkey_and_the_pages_stand_up(
    transactional_db: None, ada: User, link: str, live_server: Any, browser: Browser
) -> None:
    there = live_server.url.replace("127.0.0.1", "localhost")
    with watched(browser, there, viewport={"width": 390, "height": 844}) as (page, seen):
        authenticator(page)
        page.goto("/login/?next=/you/passkeys/")
        stands_up(page)
        page.get_by_label("Sign-in name").fill("ada")
        page.get_by_label("Password").fill(factories.PASSWORD)
        page.get_by_role("button", name="Sign in", exact=True).click()
        page.get_by_label("Name of the device").fill("phone")
        page.get_by_label("Your password").fill("wrong")
        page.get_by_role("button", name="Add a passkey").click()
        expect(page.get_by_role("alert")).to_have_text("This is not your password.")
        page.get_by_label("Your password").fill(factories.PASSWORD)
        page.get_by_role("button", name="Add a passkey").click()
        expect(page.get_by_role("status")).to_contain_text("The passkey is added.")
        for address in ("", "mail/", "password/", "places/", "passkeys/", "second-step/"):
            page.goto(f"/you/{address}")
            stands_up(page)
        page.goto(link)
        stands_up(page)
        page.get_by_role("button", name="Confirm this address").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("The address is confirmed")
        stands_up(page)
        second_step_on(page)
        page.get_by_role("button", name="Sign out").click()
        page.goto("/login/?next=/you/passkeys/")
        page.get_by_role("button", name="Sign in with a passkey").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Passkeys")
        expect(page.locator("main")).to_contain_text("last used")
        # The wrong password was answered 400, which Chromium itself puts on the console.
        assert [line for line in seen if "status of 400" not in line] == []

"""The pages in a real Chromium: at phone and desk width, light and dark, by keyboard, alone on its host.

Target size 44 px: WCAG 2.2, success criterion 2.5.5. Reflow without sideways scrolling: 1.4.10.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, Page, TimeoutError, expect

from inventory.services import labs
from tests import factories
from tests.web.test_home import run_with_loss, shelf

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
WIDTHS = (390, 1280)
SCHEMES: tuple[Any, ...] = ("light", "dark")
# A link inside a running sentence is as high as its line: the exception that the criterion itself makes.
SMALL_TARGETS = """
() => [...document.querySelectorAll('button, .button, input:not([type=hidden]), select, textarea, summary,' +
  ' .top a, .labs a, .ways a, main a, .foot a')].filter(e => e.getClientRects().length)
  .filter(e => !(e.matches('a:not(.button)') && [...e.parentNode.childNodes].some(
    one => one.nodeType === Node.TEXT_NODE && /\\w/u.test(one.textContent))))
  .filter(e => { const b = e.getBoundingClientRect(); return b.height < 43.9 || b.width < 43.9; })
  .map(e => e.outerHTML.slice(0, 120))
"""
CUT_OFF = """
() => [...document.querySelectorAll('main *')].filter(e => e.getClientRects().length)
  .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5)
  .map(e => e.outerHTML.slice(0, 120))
"""


@pytest.fixture
def club(transactional_db: None) -> factories.Club:
    at = factories.club()
    for _ in range(2):
        shelf(at)
    run_with_loss(at)
    run_with_loss(at, "400 mL", "310 mL")
    return at


@contextmanager
def watched(browser: Browser, address: str, **options: Any) -> Iterator[tuple[Page, list[str]]]:
    """A page whose every console message, fault and request to another host is kept."""
    context = browser.new_context(base_url=address, **options)
    page, seen = context.new_page(), []
    page.on("console", lambda message: seen.append(f"console: {message.text}"))
    page.on("pageerror", lambda fault: seen.append(f"fault: {fault}"))
    page.on("request", lambda r: None if r.url.startswith(address + "/") else seen.append(f"asked: {r.url}"))
    yield page, seen
    context.close()


def fits(page: Page) -> None:
    """No sideways scroll, nothing cut off, every target large enough."""
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0
    assert page.evaluate(CUT_OFF) == []
    assert page.evaluate(SMALL_TARGETS) == []


def sign_in(page: Page, name: str) -> None:
    """From the sign-in page to Today."""
    page.locator("#id_username").fill(name)
    page.locator("#id_password").fill(factories.PASSWORD)
    page.locator("form:has(#id_password) button").click()
    arrived(page)


def sign_in_by_keyboard(page: Page, name: str) -> None:
    """The same without a pointer: the name has the focus when the page stands."""
    who, password = page.locator("#id_username"), page.locator("#id_password")
    expect(who).to_be_focused()
    page.keyboard.type(name)
    expect(who).to_have_value(name)
    page.keyboard.press("Tab")
    expect(password).to_be_focused()
    page.keyboard.type(factories.PASSWORD)
    expect(password).to_have_value(factories.PASSWORD)
    page.keyboard.press("Enter")
    arrived(page)


def arrived(page: Page) -> None:
    """Today stands; otherwise the test says which page does, and what is on it."""
    try:
        page.wait_for_selector(".tiles")
    except TimeoutError as late:
        raise AssertionError(f"{page.url}: {page.inner_text('body')}") from late
    page.wait_for_load_state()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_signing_in_and_the_front_page(
    club: factories.Club, live_server: Any, browser: Browser, width: int, scheme: Any
) -> None:
    options = {"viewport": {"width": width, "height": 844}, "color_scheme": scheme}
    with watched(browser, live_server.url, **options) as (page, seen):
        page.goto("/")
        fits(page)
        sign_in_by_keyboard(page, "supervisor-biscuit-club")
        fits(page)
        assert page.locator("h1").inner_text() == "Today"
        assert page.locator(".ways-lab").inner_text() == "Biscuit Club"
        assert page.locator(".bottle.danger").count() == 4
        dark = page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(18, 25, 27)"
        assert dark == (scheme == "dark"), "the style sheet did not load"
        assert seen == []


@pytest.mark.parametrize("width", WIDTHS)
def test_an_invitation_from_link_to_front_page_without_scripts(
    club: factories.Club, live_server: Any, browser: Browser, width: int
) -> None:
    """Scripts are off, so every form must work by itself; the browser sends its own Origin."""
    options = {"viewport": {"width": width, "height": 844}, "java_script_enabled": False}
    with watched(browser, live_server.url, **options) as (page, seen):
        page.goto("/login/?next=/labs/biscuit-club/invite/")
        page.fill("#id_username", "supervisor-biscuit-club")
        page.fill("#id_password", factories.PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_label("Role").select_option("auditor")
        page.get_by_role("button", name="Make the link").click()
        address = page.get_by_label("One-time link").input_value()
        page.get_by_role("button", name="Sign out").click()
        page.goto(address)
        page.get_by_label("Sign-in name").fill("ada")
        page.get_by_label("Password", exact=True).fill(factories.PASSWORD)
        page.get_by_label("The same password again").fill(factories.PASSWORD)
        page.get_by_role("button", name="Make my account").click()
        assert page.get_by_role("status").inner_text() == "Welcome to Biscuit Club."
        assert "you are auditor here" in page.inner_text("main")
        assert seen == []


@pytest.fixture
def set_up_secret(transactional_db: None) -> str:
    secret = labs.setup_link_create(now=timezone.now())
    assert secret
    return secret


@pytest.mark.parametrize("width", WIDTHS)
def test_the_first_set_up(set_up_secret: str, live_server: Any, browser: Browser, width: int) -> None:
    phone: Any = {"viewport": {"width": width, "height": 844}, "timezone_id": "Pacific/Chatham"}
    with watched(browser, live_server.url, **phone) as (page, seen):
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.headers.get("referer", "")))
        page.goto(f"/enter/{set_up_secret}/")
        fits(page)
        expect(page.locator("#id_time_zone")).to_have_value("Pacific/Chatham")
        page.fill("#id_username", "ada")
        page.fill("#id_password", factories.PASSWORD)
        page.fill("#id_again", "something else")
        page.fill("#id_lab_name", "Biscuit Club")
        page.select_option("#id_time_zone", "Europe/Berlin")
        page.get_by_role("button", name="Make my account and the lab").click()
        page.wait_for_selector('[role="alert"]')
        fits(page)
        assert page.get_by_label("The same password again").get_attribute("aria-invalid") == "true"
        page.fill("#id_password", factories.PASSWORD)
        page.fill("#id_again", factories.PASSWORD)
        page.get_by_role("button", name="Make my account and the lab").click()
        page.wait_for_selector(".tiles")
        fits(page)
        assert "Bring in the list you keep already" in page.inner_text("main")
        assert not any(set_up_secret in referer for referer in asked)
        # The refusal was answered 400, which Chromium itself puts on the console.
        assert [line for line in seen if "status of 400" not in line] == []


def test_the_first_tab_stop_skips_to_the_content_and_focus_shows(
    club: factories.Club, live_server: Any, browser: Browser
) -> None:
    with watched(browser, live_server.url, viewport={"width": 390, "height": 844}) as (page, _):
        page.goto("/login/")
        sign_in(page, "member-biscuit-club")
        page.keyboard.press("Tab")
        expect(page.locator(".skip")).to_be_focused()
        assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("Enter")
        expect(page.locator("#main")).to_be_focused()

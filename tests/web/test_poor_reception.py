"""Poor reception, in a Chromium whose network is cut: what was tapped is kept and sent once."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect

from inventory.models import Container, Movement
from inventory.selectors.due import today_in
from recovery.services import runs
from tests import factories
from tests.web.conftest import from_records
from tests.web.test_browser import sign_in, watched

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
PHONE = {"viewport": {"width": 390, "height": 844}}


@pytest.fixture
def at(transactional_db: None) -> factories.Club:
    return factories.club()


@pytest.fixture
def held(at: factories.Club) -> Container:
    now = timezone.now()
    return factories.stocked(at, "ethyl-acetate", "500 mL", now=now, received_on=today_in(at.lab, now))


def drawn() -> list[int]:
    """What was drawn by the records, in µL."""
    rows = Movement.objects.filter(kind="draw").order_by("volume_ul").values_list("volume_ul", flat=True)
    return from_records(lambda: list(rows))


def to_draw(page: Page, at: factories.Club, code: str, amount: str) -> None:
    page.goto(f"/labs/{at.lab.slug}/containers/{code}/")
    page.get_by_label("Amount").fill(amount)


def test_three_draws_without_a_network_arrive_once_each_with_the_time_of_the_tap(
    at: factories.Club, held: Container, live_server: Any, browser: Browser
) -> None:
    with watched(browser, live_server.url, **PHONE) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        to_draw(page, at, held.code, "10")
        page.context.set_offline(True)
        for amount in ("10", "20", "30"):
            page.get_by_label("Amount").fill(amount)
            page.get_by_role("button", name="Record the draw", exact=True).click()
            expect(page.locator("#waiting li")).to_have_count(int(amount) // 10)
        expect(page.locator("#waiting")).to_contain_text("not sent yet")
        page.context.set_offline(False)
        page.evaluate("window.dispatchEvent(new Event('online'))")
        expect(page.locator("#waiting")).to_be_hidden()
        page.reload()
        expect(page.locator("main")).to_contain_text("440.0")
    assert not [line for line in seen if "ERR_INTERNET_DISCONNECTED" not in line]
    assert drawn() == [10_000, 20_000, 30_000]


@pytest.fixture
def drawn_before(at: factories.Club, held: Container) -> None:
    own: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now()}
    run = runs.run_start(**own, purpose="leaf pigments", distils=False)
    runs.charge(**own, run=run, container=held, amount={"value": "25", "unit": "mL"})


def test_the_amount_of_the_last_time_is_there_and_makes_way_for_what_is_typed(
    at: factories.Club, held: Container, drawn_before: None, live_server: Any, browser: Browser
) -> None:
    page_of = f"/labs/{at.lab.slug}/containers/{held.code}/"
    with watched(browser, live_server.url, **PHONE) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        page.goto(page_of)
        amount = page.get_by_label("Amount")
        expect(amount).to_be_focused()
        expect(amount).to_have_value("25")
        page.keyboard.type("30")
        expect(amount).to_have_value("30")
        # A thumb that lands in the middle of it means the whole of it.
        page.goto(f"{page_of}draw/")
        amount.click(position={"x": 14, "y": 20})
        page.keyboard.type("4")
        expect(amount).to_have_value("4")
        page.goto(page_of)
        page.get_by_role("button", name="Record the draw", exact=True).click()
        expect(page.locator("main")).to_contain_text("Drawn.")
        expect(amount).to_have_value("")
        # The same without a network: what waits has been told, and the next one is typed.
        page.goto(page_of)
        expect(amount).to_have_value("25")
        page.context.set_offline(True)
        page.get_by_role("button", name="Record the draw", exact=True).click()
        expect(page.locator("#waiting li")).to_have_count(1)
        expect(amount).to_have_value("")
        page.context.set_offline(False)
        page.evaluate("window.dispatchEvent(new Event('online'))")
        expect(page.locator("#waiting")).to_be_hidden()
    assert not [line for line in seen if "ERR_INTERNET_DISCONNECTED" not in line]
    charged = from_records(lambda: list(Movement.objects.filter(kind="charge").values_list("volume_ul")))
    assert charged == [(25_000,)] * 3


def test_an_answer_that_was_lost_on_the_way_back_is_not_done_again(
    at: factories.Club, held: Container, live_server: Any, browser: Browser
) -> None:
    with watched(browser, live_server.url, **PHONE) as (page, _seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        to_draw(page, at, held.code, "40")

        def lost(route: Any) -> None:
            # The server gets it and carries it out; its answer never arrives.
            route.fetch()
            route.abort()

        page.route("**/draw/", lost)
        page.get_by_role("button", name="Record the draw", exact=True).click()
        expect(page.locator("#waiting li")).to_have_count(1)
        page.unroute("**/draw/")
        page.get_by_role("button", name="Send now").click()
        expect(page.locator("#waiting")).to_be_hidden()
    assert drawn() == [40_000]


def test_what_is_refused_later_stays_with_its_reason_until_somebody_forgets_it(
    at: factories.Club, held: Container, live_server: Any, browser: Browser
) -> None:
    with watched(browser, live_server.url, **PHONE) as (page, _seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        to_draw(page, at, held.code, "900")
        page.context.set_offline(True)
        page.get_by_role("button", name="Record the draw", exact=True).click()
        expect(page.locator("#waiting li")).to_have_count(1)
        page.context.set_offline(False)
        page.get_by_role("button", name="Send now").click()
        expect(page.locator("#waiting li")).to_contain_text("500")
        page.reload()
        expect(page.locator("#waiting li")).to_have_count(1)
        page.on("dialog", lambda dialog: dialog.accept())
        page.get_by_role("button", name="Forget it").click()
        expect(page.locator("#waiting")).to_be_hidden()
    assert drawn() == []


def test_a_refusal_with_a_network_stands_in_the_form_with_what_was_typed(
    at: factories.Club, held: Container, live_server: Any, browser: Browser
) -> None:
    with watched(browser, live_server.url, **PHONE) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        to_draw(page, at, held.code, "900")
        page.get_by_role("button", name="Record the draw", exact=True).click()
        expect(page.get_by_label("Amount")).to_have_value("900")
        expect(page.locator(".errorlist")).to_be_visible()
        page.get_by_label("Amount").fill("90")
        page.get_by_role("button", name="Record the draw", exact=True).click()
        expect(page.locator("main")).to_contain_text("holds 410.0")
    assert not [line for line in seen if "400" not in line]
    assert drawn() == [90_000]


def test_what_one_person_left_waiting_is_not_sent_by_another(
    at: factories.Club, held: Container, live_server: Any, browser: Browser
) -> None:
    with watched(browser, live_server.url, **PHONE) as (page, _seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        to_draw(page, at, held.code, "10")
        page.context.set_offline(True)
        page.get_by_role("button", name="Record the draw", exact=True).click()
        expect(page.locator("#waiting li")).to_have_count(1)
        page.context.clear_cookies()
        page.context.set_offline(False)
        page.goto("/login/")
        sign_in(page, at.steward.username)
        page.goto(f"/labs/{at.lab.slug}/scan/")
        page.get_by_role("button", name="Send now").click()
        expect(page.locator("#waiting li")).to_contain_text("of another person")
        page.wait_for_timeout(500)
    assert drawn() == []

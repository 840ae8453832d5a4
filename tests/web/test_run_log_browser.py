"""The forms of a run in a Chromium whose network is cut: sent once, later; and the sliders of a plan."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect

from inventory.models import Container, Movement
from inventory.selectors.due import today_in
from recovery.models import Run
from recovery.services import runs
from tests import factories
from tests.web.conftest import from_records
from tests.web.test_browser import sign_in, watched

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
PHONE = {"viewport": {"width": 390, "height": 844}}
SENT = ("charge", "loss", "return")


@pytest.fixture
def at(transactional_db: None) -> factories.Club:
    return factories.club()


@pytest.fixture
def held(at: factories.Club) -> Container:
    now = timezone.now() - timedelta(days=1)
    return factories.stocked(at, "ethyl-acetate", "500 mL", now=now, received_on=today_in(at.lab, now))


@pytest.fixture
def solvent(held: Container) -> int:
    """Read before the browser runs."""
    assert held.lot is not None
    return held.lot.solvent_id


@pytest.fixture
def flask(at: factories.Club) -> Container:
    return factories.empty(at, now=timezone.now() - timedelta(days=1))


@pytest.fixture
def run(at: factories.Club, held: Container) -> Run:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now() - timedelta(hours=5)}
    run = runs.run_start(**by, purpose="leaf pigments")
    runs.charge(**by, run=run, container=held, amount="100 mL")
    return run


def booked() -> dict[str, list[int]]:
    """Kind → volumes in µL by the records."""
    rows = list(Movement.objects.filter(kind__in=SENT).order_by("id").values_list("kind", "volume_ul"))
    return {kind: [volume for one, volume in rows if one == kind] for kind in SENT}


def expect_waiting(page: Page, forms: int) -> None:
    expect(page.locator("#waiting li")).to_have_count(forms)


def test_what_is_logged_of_a_run_without_a_network_arrives_once(
    at: factories.Club, held: Container, flask: Container, run: Run, live_server: Any, browser: Browser
) -> None:
    home = f"/labs/{at.lab.slug}/runs/{run.pk}"
    with watched(browser, live_server.url, **PHONE) as (page, _seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        tabs = {name: page.context.new_page() for name in ("charge", "return", "lost")}
        for name, tab in tabs.items():
            tab.goto(f"{home}/{name}/")
        page.context.set_offline(True)
        for number, (name, told) in enumerate(
            {
                "charge": {"container": held.code, "amount": "40"},
                "return": {"container": flask.code, "amount": "90"},
                "lost": {"amount": "5"},
            }.items(),
            1,
        ):
            for field, value in told.items():
                tabs[name].locator(f"[name={field}]").fill(value)
            tabs[name].locator("main form button").click()
            expect_waiting(tabs[name], number)
        page.context.set_offline(False)
        for tab in tabs.values():
            tab.evaluate("window.dispatchEvent(new Event('online'))")
        expect(tabs["lost"].locator("#waiting")).to_be_hidden(timeout=60_000)
        assert from_records(booked) == {
            "charge": [100_000, 40_000], "return": [90_000], "loss": [5_000],
        }  # fmt: skip


def test_a_slider_moves_the_number_and_the_plan_follows(
    at: factories.Club, solvent: int, live_server: Any, browser: Browser
) -> None:
    asked = f"solvent={solvent}&water=100&k=3&wanted_percent=95"
    with watched(browser, live_server.url, **PHONE) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        page.goto(f"/labs/{at.lab.slug}/plan/?{asked}")
        before = page.locator("#worked").inner_text()
        slider = page.get_by_role("slider", name="Distribution constant K")
        assert slider.input_value() == "3"
        slider.fill("9")
        expect(page.locator("#id_k")).to_have_value("9")
        expect(page).to_have_url(re.compile("k=9"), timeout=60_000)
        expect(page.locator("#worked")).not_to_have_text(before)
        page.locator("#id_k").fill("nine")
        expect(page.locator("#worked > div.fault")).to_contain_text("Distribution constant K", timeout=60_000)
        page.locator("#id_k").fill("3")
        expect(page.locator("#worked > div.fault")).to_have_count(0, timeout=60_000)
        assert page.locator("#plan-portions").count() == 1
    assert seen == []

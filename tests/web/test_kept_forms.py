"""Every log form without a network, in a Chromium: kept, sent once and in order, mended as it was typed."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from inventory.models import Container, Movement, PeroxideTest, Treatment, WasteContainer
from inventory.selectors.due import today_in
from inventory.services import waste
from inventory.services.locations import location_add
from inventory.services.waste import WasteFacts
from recovery.models import QualityCheck, ReturnState, Run, RunFact
from recovery.services import runs
from tests import factories
from tests.factories import Club
from tests.web.conftest import from_records
from tests.web.test_browser import sign_in, watched

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
PHONE = {"viewport": {"width": 390, "height": 844}}


@pytest.fixture
def at(transactional_db: None) -> Club:
    return factories.club()


def bottle(at: Club, key: str = "ethyl-acetate", **facts: Any) -> Container:
    now = timezone.now()
    return factories.stocked(at, key, "500 mL", now=now, received_on=today_in(at.lab, now), **facts)


def run_with_return(at: Club, purpose: str) -> tuple[Run, Container]:
    """An open run out of which something has come back."""
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run, into = runs.run_start(**by, purpose=purpose, distils=False), factories.empty(at, now=now)
    runs.charge(**by, run=run, container=bottle(at), amount="200 mL")
    runs.give_back(**by, run=run, container=into, amount="150 mL")
    return run, into


def forms_of(at: Club) -> dict[str, tuple[str, dict[str, str]]]:
    """Each log form: where it stands, and what is told in it."""
    held, tared, gone = bottle(at), bottle(at, tare_mg=300_000), bottle(at)
    ether, other = bottle(at, "diethyl-ether"), factories.empty(at, now=timezone.now())
    run, back = run_with_return(at, "leaf pigments")
    facts = run_with_return(at, "fat in biscuits")[0]
    shelf = location_add(
        lab=at.lab, actor=at.steward, now=timezone.now(), name="Shelf 2", kind="shelf", parent=None
    )
    can = waste.waste_add(
        lab=at.lab, actor=at.steward, now=timezone.now(), facts=WasteFacts(stream="ethers", capacity_ul=9_000)
    )
    entry = str(Movement.objects.get(destination=back.place, kind="return").entry)
    deed, of_run = "containers/{}/{}/", "runs/{}/{}/"
    return {
        "draw": (deed.format(held.code, "draw"), {"to": "reaction", "amount": "10"}),
        "put-in": (deed.format(held.code, "put-in"), {"to": "reaction", "amount": "5"}),
        "test": (deed.format(ether.code, "test"), {"reading": "neg", "method": "strip-25"}),
        "weigh": (deed.format(tared.code, "weigh"), {"gross": "700"}),
        "move": (deed.format(tared.code, "move"), {"location": str(shelf.pk)}),
        "pour": (deed.format(held.code, "pour"), {"into": other.code, "amount": "20"}),
        "check": (deed.format(held.code, "check"), {"what": "water", "value": "0.1"}),
        "inhibitor": (deed.format(ether.code, "inhibitor"), {"inhibitor": "BHT", "mass": "2"}),
        "peroxides-out": (deed.format(ether.code, "peroxides-out"), {"how": "column"}),
        "discard": (deed.format(gone.code, "discard"), {"sure": "on"}),
        "dried": (deed.format(back.code, "dried"), {"entry": entry, "drying_agent": "sodium sulfate"}),
        "facts": (of_run.format(facts.pk, "facts"), {"water-volume": "100"}),
        "charge": (of_run.format(run.pk, "charge"), {"container": held.code, "amount": "40"}),
        "return": (of_run.format(run.pk, "return"), {"container": back.code, "amount": "30"}),
        "lost": (of_run.format(run.pk, "lost"), {"to": "air", "amount": "1"}),
        "close": (of_run.format(run.pk, "close"), {}),
        "into waste": (deed.format(held.code, "into-waste"), {"waste": str(can.pk), "amount": "2"}),
        "waste put in": (f"waste/{can.code}/put-in/", {"solvent": "ethyl acetate", "amount": "3"}),
        "hand-over": (f"waste/{can.code}/hand-over/", {"sure": "on"}),
        "start": ("runs/start/", {"purpose": "oat oil"}),
    }


def fill(page: Page, told: dict[str, str]) -> None:
    for name, value in told.items():
        field = page.locator(f"main [name='{name}']")
        kind = field.evaluate("e => e.type")
        if kind == "checkbox":
            field.check()
        elif kind.startswith("select"):
            field.select_option(value)
        else:
            field.fill(value)


def send(page: Page) -> None:
    page.locator("main form[data-queue] .line button").first.click()


def back_online(page: Page) -> None:
    page.context.set_offline(False)
    page.evaluate("window.dispatchEvent(new Event('online'))")


def booked() -> dict[str, Any]:
    """What the records hold of it all."""
    kinds = [
        (kind, Movement.objects.filter(kind=kind, volume_ul=volume_ul).count())
        for kind, volume_ul in (("draw", 10_000), ("draw", 7_000), ("charge", 7_000), ("put-back", 5_000),
                                ("pour", 20_000), ("charge", 40_000), ("return", 30_000), ("loss", 1_000),
                                ("waste", 2_000), ("waste", 3_000))
    ]  # fmt: skip
    return {
        "moved": kinds,
        "tests": PeroxideTest.objects.count(),
        "weighed": Movement.objects.filter(kind="weigh").exists(),
        "moved to": Container.objects.filter(location__name="Shelf 2").count(),
        "checks": QualityCheck.objects.count(),
        "treated": Treatment.objects.count(),
        "discarded": Container.objects.exclude(discarded_at=None).count(),
        "handed over": WasteContainer.objects.exclude(collected_at=None).count(),
        "dried": ReturnState.objects.filter(state="dried").count(),
        "facts": RunFact.objects.filter(field__key="water-volume").count(),
        "closed": list(Run.objects.exclude(closed_at=None).values_list("purpose", flat=True)),
        "begun": list(Run.objects.filter(purpose="oat oil").values_list("sums__charged_ul", flat=True)),
    }


def test_every_log_form_waits_in_tabs_of_its_own_and_arrives_once(
    at: Club, live_server: Any, browser: Browser
) -> None:
    """A run that waits to be started is drawn for meanwhile; its close and all else keep their order."""
    forms, more = from_records(lambda: forms_of(at)), from_records(lambda: bottle(at))
    with watched(browser, live_server.url, **PHONE) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.supervisor.username)
        tabs = {name: page.context.new_page() for name in forms}
        for name, (address, told) in forms.items():
            tabs[name].goto(f"/labs/{at.lab.slug}/{address}")
            fill(tabs[name], told)
        page.goto(f"/labs/{at.lab.slug}/containers/{more.code}/draw/")
        page.context.set_offline(True)
        for number, tab in enumerate(tabs.values(), 1):
            send(tab)
            expect(tab.locator("#waiting li")).to_have_count(number)
        page.get_by_label("For", exact=True).select_option(label="oat oil · waits to be started")
        page.get_by_label("Amount").fill("7")
        send(page)
        expect(page.locator("#waiting li")).to_have_count(len(tabs) + 1)
        expect(page.locator("#waiting li").first).to_contain_text("Amount: 10")
        back_online(page)
        expect(page.locator("#waiting")).to_be_hidden(timeout=60_000)
        # Any of the tabs may have been the one that sent them.
        for tab in (page, *tabs.values()):
            expect(tab.locator("#waiting")).to_be_hidden()
            expect(tab.locator("#sent")).to_contain_text("Start a run")
            expect(tab.locator("#sent p")).to_have_count(len(tabs) + 1)
    assert not [line for line in seen if "ERR_INTERNET_DISCONNECTED" not in line]
    assert from_records(booked) == {
        "moved": [("draw", 1), ("draw", 0), ("charge", 1), ("put-back", 1), ("pour", 1), ("charge", 1),
                  ("return", 1), ("loss", 1), ("waste", 1), ("waste", 1)],
        "tests": 1, "weighed": True, "moved to": 1, "checks": 1, "treated": 2, "discarded": 1,
        "handed over": 1, "dried": 1, "facts": 1, "closed": ["leaf pigments"], "begun": [7_000],
    }  # fmt: skip


def waiting(page: Page) -> Any:
    return page.locator("#waiting li")


class Between:
    """What stands between answers in the server's place, from now until it is taken away."""

    def __init__(self, page: Page) -> None:
        self.page, self.asked = page, 0
        self.answer: dict[str, Any] = {}
        page.route("**/draw/", self._met)

    def _met(self, route: Route) -> None:
        self.asked += 1
        if self.answer:
            route.fulfill(**self.answer)
        else:
            route.abort()

    def troubles(self, **answer: Any) -> None:
        """What waits is sent into that, and still waits. Only once it was met is anything shown by it."""
        self.answer, before = answer, self.asked
        # A tap while something is under way sends nothing more.
        for _tap in range(50):
            self.page.get_by_role("button", name="Send now").click()
            self.page.wait_for_timeout(100)
            if self.asked > before:
                break
        assert self.asked > before
        expect(waiting(self.page)).to_contain_text("not sent yet")

    def gone(self) -> None:
        self.page.unroute("**/draw/")


def signed_out(context: BrowserContext) -> None:
    context.clear_cookies(name="sessionid")


def test_whatever_goes_wrong_it_stays_in_sight_until_it_is_recorded(
    at: Club, live_server: Any, browser: Browser
) -> None:
    """Dead servers, other people's answers, a closed tab, an ended session, and a refusal that is mended."""
    held = from_records(lambda: bottle(at))
    address = f"/labs/{at.lab.slug}/containers/{held.code}/draw/"
    with watched(browser, live_server.url, **PHONE) as (page, _seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        page.goto(address)
        fill(page, {"amount": "900", "to": "reaction"})
        page.locator("summary").filter(has_text="Earlier").click()
        fill(page, {"note": "for the third beaker"})
        page.context.set_offline(True)
        send(page)
        expect(waiting(page)).to_contain_text("Amount: 900")
        between = Between(page)
        page.context.set_offline(False)
        expect(waiting(page)).to_contain_text("not sent yet")
        between.troubles()
        between.troubles(status=503, body="")
        between.troubles(status=200, body="<p>Accept the terms of this network</p>")
        between.gone()
        signed_out(page.context)
        page.get_by_role("button", name="Send now").click()
        expect(page.locator("[data-strangers]")).to_be_visible()
        page.locator("[data-strangers] a").click()
        fill(page, {"username": at.member.username, "password": factories.PASSWORD})
        page.get_by_role("button", name="Sign in", exact=True).click()
        expect(waiting(page)).to_contain_text("for the third beaker")
        expect(waiting(page)).to_contain_text("500")
        page.close()
        page = _again(browser, address)
        page.get_by_role("link", name="Open the form").click()
        expect(page.get_by_label("Amount")).to_have_value("900")
        expect(page.get_by_label("Note")).to_have_value("for the third beaker")
        page.get_by_label("Amount").fill("800")
        send(page)
        expect(page.locator("main .errorlist")).to_be_visible()
        expect(waiting(page)).to_contain_text("Amount: 800")
        page.get_by_label("Amount").fill("90")
        send(page)
        expect(page.locator("main")).to_contain_text("holds 410.0")
        expect(page.locator("#waiting")).to_be_hidden()
    drawn = from_records(lambda: list(Movement.objects.filter(kind="draw").values_list("volume_ul", "note")))
    assert drawn == [(90_000, "for the third beaker")]


def _again(browser: Browser, address: str) -> Page:
    page = browser.contexts[-1].new_page()
    page.goto(address)
    return page

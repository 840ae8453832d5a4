"""Every page of a lab in a real Chromium, light and dark, at the width of a phone and of a desk.

No fault that axe-core finds (what a machine can see of WCAG 2.2 A and AA, and good practice beyond it),
nothing cut off, targets of 44 px, no console error, no request that leaves the host. Page weight: what a
first visit fetches, compressed as a proxy would (gzip), without charts.
"""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from django.utils import timezone
from playwright.sync_api import Browser, Page, Response

from inventory.models import Container
from inventory.services import safety
from recovery.models import Run
from recovery.rules.explained import TEXTS
from recovery.services import runs
from recovery.services.apparatus import apparatus_add, record_add
from tests import factories
from tests.web import importing_seed, running_seed, stock_seed, treating_seed
from tests.web.test_browser import fits, sign_in, watched
from tests.web.test_home import run_with_loss, shelf

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
WIDTHS = (390, 1280)
SCHEMES: tuple[Any, ...] = ("light", "dark")
WEIGHT_MAX = 150_000
FAULTS = """
() => axe.run(document, {resultTypes: ['violations']}).then(found => found.violations.flatMap(
  fault => fault.nodes.map(node => `${fault.id}: ${node.html.slice(0, 150)}`)))
"""
UNFOLD = """
() => [...document.querySelectorAll('details.why')].map(one => { one.open = true;
  return one.firstElementChild.textContent; })
"""
BACKGROUND, DARK = "getComputedStyle(document.body).backgroundColor", "rgb(18, 25, 27)"
# The decoder of labels is fetched when the camera is started, not with the page.
PAGES = {
    "today": "",
    "scan": "scan/",
    "shelf": "shelf/",
    "shelf, nothing found": "shelf/?q=nothing",
    "runs": "runs/",
    "start a run": "runs/start/",
    "more": "more/",
    "receive": "receive/",
    "labels": "labels/?codes={code}",
    "container": "containers/{code}/",
    "container not to be touched": "containers/{bad}/",
    "draw": "containers/{code}/draw/",
    "put in": "containers/{code}/put-in/",
    "test": "containers/{code}/test/",
    "sign": "containers/{code}/sign/",
    "count": "containers/{code}/count/",
    "move": "containers/{code}/move/",
    "pour": "containers/{code}/pour/",
    "set aside": "containers/{code}/set-aside/",
    "discard": "containers/{code}/discard/",
    "run": "runs/{run}/",
    "close a run": "runs/{run}/close/",
    "facts of a run": "runs/{run}/facts/",
    "details of a run": "runs/{run}/details/",
    "wet or dried": "runs/{closed}/states/",
    "open a run again": "runs/{closed}/reopen/",
    "closed run": "runs/{closed}/",
    "lot": "lots/{lot}/",
    "charge a run": "runs/{run}/charge/?container={code}",
    "return from a run": "runs/{run}/return/",
    "lost in a run": "runs/{run}/lost/",
    "start a run by scan": "runs/start/?container={code}",
    "check of quality": "containers/{code}/check/",
    "what came back": "containers/{back}/",
    "apparatus": "apparatus/",
    "one apparatus": "apparatus/{apparatus}/",
    "record of an apparatus": "apparatus/{apparatus}/record/",
    "fits of losses": "loss-fits/",
    "recovery": "recovery/",
    "recovery by apparatus": "recovery/?by=apparatus&since=2026-01",
    "solvent balance": "solvent-balance/",
    "plan": "plan/",
    "plan worked out": "plan/?solvent={solvent}&water=100&k=3&portions=3",
    "plan to be mended": "plan/?solvent={solvent}&water=100",
    "invite": "invite/",
    **importing_seed.PAGES,
    **running_seed.PAGES,
    **stock_seed.PAGES,
    **treating_seed.PAGES,
}


@pytest.fixture
def lab(transactional_db: None) -> Iterator[dict[str, Any]]:
    at = factories.club()
    now = timezone.now()
    made = shelf(at)
    run_with_loss(at)
    run = runs.run_start(lab=at.lab, actor=at.member, now=now, purpose="leaf pigments", distils=False)
    good: Container = made["safe"]
    runs.charge(lab=at.lab, actor=at.member, now=now, run=run, container=good, amount="20 mL")
    safety.observe(lab=at.lab, actor=at.member, now=now, container=made["reading"], sign="viscous-layer")
    assert Run.objects.count() == 2
    closed = Run.objects.exclude(closed_at=None).get()
    assert good.lot is not None
    still = apparatus_add(lab=at.lab, actor=at.steward, now=now, name="Still 2", kind="still")
    record_add(lab=at.lab, actor=at.steward, now=now, apparatus=still, what="repaired", note="new joint")
    back = closed.place.outgoing.filter(kind="return").get().destination.container
    yield {
        "apparatus": still.pk,
        "back": back.code,
        "at": at,
        "code": good.code,
        "bad": made["sign"].code,
        "run": run.pk,
        "closed": closed.pk,
        "lot": good.lot_id,
        "solvent": good.lot.solvent_id,
        **importing_seed.imported(at),
        **running_seed.running(at),
        **stock_seed.kept(at),
        **treating_seed.treated(at),
    }


def faults_of(page: Page) -> list[str]:
    """What axe-core finds, in short; it has to be on the page already. All of it would be megabytes."""
    return list(page.evaluate(FAULTS))


def wrong_with(page: Page, scheme: Any) -> list[str]:
    """The faults of the page that is open in light or dark, and what of it does not fit."""
    page.emulate_media(color_scheme=scheme)
    shown = "dark" if page.evaluate(BACKGROUND) == DARK else "light"
    wrong = [] if shown == scheme else [f"shown {shown}"]
    wrong += faults_of(page)
    try:
        fits(page)
    except AssertionError as fault:
        wrong.append(str(fault)[:300])
    return [f"{scheme}: {fault}" for fault in wrong]


@pytest.mark.parametrize("width", WIDTHS)
def test_every_page_stands_up_to_axe_and_fits(
    lab: dict[str, Any], live_server: Any, browser: Browser, width: int
) -> None:
    """One visit for both schemes: the browser turns the page from light to dark as the system would."""
    at: factories.Club = lab["at"]
    options = {"viewport": {"width": width, "height": 844}, "reduced_motion": "reduce"}
    wrong: list[str] = []
    unfolded: set[str] = set()
    with watched(browser, live_server.url, **options) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.supervisor.username)
        for name, path in PAGES.items():
            answer = page.goto(f"/labs/{at.lab.slug}/{path.format(**lab)}")
            assert answer is not None
            assert answer.status == 200, name
            unfolded |= set(page.evaluate(UNFOLD))
            page.evaluate(AXE_SCRIPT)
            for scheme in SCHEMES:
                wrong += [f"{name}, {fault}" for fault in wrong_with(page, scheme)]
    assert wrong == []
    assert seen == []
    # Every explanation was met, with what it is about.
    assert {str(text.asks) for text in TEXTS.values()} <= unfolded


def weight_of(page: Page, address: str) -> int:
    """Bytes of all that a visit fetches, compressed, without charts."""
    asked: dict[str, Response] = {}
    page.on("response", lambda answer: asked.update({answer.url: answer}))
    page.goto(address, wait_until="networkidle")
    return sum(len(gzip.compress(asked[url].body())) for url in asked if "/picture/" not in url)


def test_a_first_visit_weighs_little(lab: dict[str, Any], live_server: Any, browser: Browser) -> None:
    at: factories.Club = lab["at"]
    heavy = {}
    with watched(browser, live_server.url) as (page, _seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        signed_in = page.context.storage_state()
    for name in ("today", "container", "shelf", "scan", "run"):
        # A context of its own has nothing kept from an earlier page.
        with watched(browser, live_server.url, storage_state=signed_in) as (page, _seen):
            heavy[name] = weight_of(page, f"/labs/{at.lab.slug}/{PAGES[name].format(**lab)}")
    assert max(heavy.values()) < WEIGHT_MAX, heavy
    # The style sheet comes with every page and is most of that: nothing was left out of the sum.
    assert min(heavy.values()) > 5_000, heavy


def test_the_keyboard_alone_draws(lab: dict[str, Any], live_server: Any, browser: Browser) -> None:
    at: factories.Club = lab["at"]
    with watched(browser, live_server.url) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        page.goto(f"/labs/{at.lab.slug}/containers/{lab['code']}/draw/")
        assert page.evaluate("document.activeElement.name") == "amount"
        page.keyboard.type("5")
        page.keyboard.press("Enter")
        page.wait_for_selector("[role=status] .note")
        assert "Drawn." in page.inner_text("main")
    assert seen == []

"""Every page of the table of pages in a real Chromium, light and dark, at the width of a phone and of a desk.

No fault that axe-core finds (what a machine can see of WCAG 2.2 A and AA, and good practice beyond it),
nothing cut off, targets of 44 px, no console error, no request that leaves the host. Page weight: what a
first visit fetches, compressed as a proxy would (gzip), without charts.
"""

from __future__ import annotations

import gzip
from typing import Any

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from django.conf import settings
from django.utils import timezone
from playwright.sync_api import Browser, Page, Response, expect

from inventory.models import Container
from inventory.services import labs, safety
from recovery.models import Run
from recovery.rules.explained import TEXTS
from recovery.services import runs
from recovery.services.apparatus import apparatus_add, record_add
from recovery.services.quality import check_record
from tests import factories
from tests.web import importing_seed, running_seed, stock_seed, treating_seed
from tests.web.test_browser import fits, sign_in, watched
from tests.web.test_home import run_with_loss, shelf
from tests.web.visitors_seed import came_by, refusals
from tests.web.visits import Visit, not_met, visits

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.once]
WIDTHS = (390, 1280)
SCHEMES: tuple[Any, ...] = ("light", "dark")
WEIGHT_MAX = 150_000
# What is heard of itself has to be fetched first; no page has it unless it has one of these.
FAULTS = """
rules => axe.run(document, {resultTypes: ['violations'], preload: !!document.querySelector('audio, video'),
    ...(rules === null ? {} : {runOnly: {type: 'rule', values: rules}})})
  .then(found => found.violations.flatMap(
    fault => fault.nodes.map(node => `${fault.id}: ${node.html.slice(0, 150)}`)))
"""
#: rules that go by how things look and by what scrolls; the others read the document and what of it is shown
COLOURS, SCROLLS = ["color-contrast", "link-in-text-block"], ["scrollable-region-focusable"]
#: what of the page was not met before: things shown, colours and type of them, or boxes that scroll
NEWS = """
() => {
  const shown = [...document.querySelectorAll('body *')].map(
    one => [one, one.checkVisibility({visibilityProperty: true})]);
  const seen = shown.filter(([one, is]) => is).map(([one]) => [one, getComputedStyle(one)]);
  const now = {
    shown: shown.map(([one, is]) => +is).join(''),
    looks: seen.map(([one, style]) => [style.color, style.backgroundColor, style.backgroundImage,
      style.opacity, style.fontSize, style.fontWeight, style.position, style.textDecorationLine]).join(';'),
    scrolls: seen.map(([one]) => +(one.scrollWidth > one.clientWidth || one.scrollHeight > one.clientHeight)
      ).join(''),
  };
  window.met ??= {shown: new Set(), looks: new Set(), scrolls: new Set()};
  return Object.keys(now).filter(what => !window.met[what].has(now[what]) && window.met[what].add(now[what]));
}
"""
FETCHED = "() => performance.getEntriesByType('resource').map(one => one.name)"
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
def lab(transactional_db: None, no_attempts: None, settings: Any) -> dict[str, Any]:
    now = timezone.now()
    settings.STILLKEEP_SENDS_MAIL = True
    # While nobody can sign in.
    set_up = labs.setup_link_create(now=now)
    at = factories.club()
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
    record = record_add(
        lab=at.lab, actor=at.steward, now=now, apparatus=still, what="repaired", note="new joint"
    )
    back = closed.place.outgoing.filter(kind="return").get().destination.container
    check = check_record(
        lab=at.lab, actor=at.steward, now=now, container=good, what="density", entered={"value": "0.9 g/mL"}
    )
    draft = runs.run_start(
        lab=at.lab, actor=at.member, now=now, purpose="leaf pigments", plan={"asked": {}, "planned": {}}
    )
    return {
        "slug": at.lab.slug,
        "set_up": set_up,
        "check": check.pk,
        "draft": draft.pk,
        "record": record.pk,
        "refusals": refusals(),
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
        **came_by(at),
    }


def faults_of(page: Page, rules: list[str] | None = None) -> list[str]:
    """What axe-core finds, in short; it has to be on the page already. All of it would be megabytes."""
    return list(page.evaluate(FAULTS, rules))


def wrong_with(page: Page) -> list[str]:
    """The faults of the open page at each width, light and dark, and what of it does not fit.

    It is not loaded again: the browser turns from light to dark, and from a phone to a desk, as a person
    would turn it. Where that shows other things than before, every rule runs again; where it colours or
    sizes them differently, or lets others scroll, those rules that go by it.
    """
    wrong: list[str] = []
    page.evaluate(AXE_SCRIPT)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 844})
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            news = page.evaluate(NEWS)
            rules = [*(COLOURS if "looks" in news else []), *(SCROLLS if "scrolls" in news else [])]
            found = faults_of(page, None if "shown" in news else rules) if news else []
            if (page.evaluate(BACKGROUND) == DARK) != (scheme == "dark"):
                found.append(f"not shown {scheme}")
            try:
                fits(page)
            except AssertionError as fault:
                found.append(str(fault)[:300])
            wrong += [f"{width} {scheme}: {fault}" for fault in found]
    return wrong


class Weights:
    """Bytes of all that a first visit to a page fetches, compressed as a proxy would, without charts."""

    def __init__(self, page: Page) -> None:
        self.page, self.files = page, dict[str, int]()

    def file(self, url: str) -> int:
        if url not in self.files:
            self.files[url] = len(gzip.compress(self.page.request.get(url).body()))
        return self.files[url]

    def of(self, answer: Response) -> int:
        urls = {url for url in self.page.evaluate(FETCHED) if "/picture/" not in url}
        return len(gzip.compress(answer.body())) + sum(self.file(url) for url in urls)


def opened(page: Page, visit: Visit, host: str, sessions: dict[str, str]) -> Response:
    """The page as who visits it sees it."""
    page.context.clear_cookies()
    if session := sessions[visit.who]:
        kept: Any = {"name": settings.SESSION_COOKIE_NAME, "value": session, "url": host}
        page.context.add_cookies([kept])
    if visit.told:
        told: dict[str, Any] = {"status": visit.status, "content_type": "text/html; charset=utf-8"}
        page.route("**" + visit.address, lambda route: route.fulfill(**told, body=visit.told))
    page.set_viewport_size({"width": WIDTHS[0], "height": 844})
    page.emulate_media(color_scheme=SCHEMES[0])
    answer = page.goto(visit.address)
    assert answer is not None
    assert answer.status == visit.status, visit.name
    # Not led on to another page.
    assert page.url.removeprefix(host) == visit.address, visit.name
    return answer


def test_every_page_stands_up_to_axe_fits_and_weighs_little(
    lab: dict[str, Any], live_server: Any, browser: Browser
) -> None:
    # There are passkeys for names alone.
    host = live_server.url.replace("127.0.0.1", "localhost")
    wrong: list[str] = []
    unfolded: set[str] = set()
    weights: dict[str, int] = {}
    seen_well: list[str] = []
    every = [*visits(PAGES, lab), *lab["refusals"]]
    with watched(browser, host, reduced_motion="reduce") as (page, seen):
        weighing = Weights(page)
        for visit in every:
            answer = opened(page, visit, host, lab["sessions"])
            # On a page a figure stays with its unit.
            unfolded |= {words.replace("\u00a0", " ") for words in page.evaluate(UNFOLD)}
            wrong += [f"{visit.name}, {fault}" for fault in wrong_with(page)]
            weights[visit.name] = weighing.of(answer)
            if visit.status == 200:
                seen_well.append(visit.address)
    assert wrong == []
    # Chromium itself puts on the console that a page was answered with an error.
    assert [line for line in seen if "Failed to load resource: the server responded" not in line] == []
    assert len(seen) == sum(visit.status >= 400 for visit in every)
    # Every explanation was met, with what it is about.
    assert {str(text.asks) for text in TEXTS.values()} <= unfolded
    assert not_met(seen_well, lab) == [], "pages of the table that were not looked at"
    assert max(weights.values()) < WEIGHT_MAX, weights
    # The style sheet comes with every page and is most of that: nothing was left out of the sum.
    assert min(weights.values()) > 5_000, weights


def test_the_keyboard_alone_draws(lab: dict[str, Any], live_server: Any, browser: Browser) -> None:
    at: factories.Club = lab["at"]
    with watched(browser, live_server.url) as (page, seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        page.goto(f"/labs/{at.lab.slug}/containers/{lab['code']}/draw/")
        expect(page.locator("[name=amount]")).to_be_focused()
        page.keyboard.type("5")
        page.keyboard.press("Enter")
        page.wait_for_selector("[role=status] .note")
        assert "Drawn." in page.inner_text("main")
    assert seen == []

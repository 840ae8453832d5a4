"""A page keeps room for its pictures before they are there, so that nothing below them jumps."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest
from django.test import Client
from playwright.sync_api import Browser, Page

from inventory.selectors import drawn_sizes
from tests import factories
from tests.factories import Club
from tests.web.test_browser import sign_in, watched
from tests.web.test_home import run_with_loss

pytestmark = pytest.mark.django_db(transaction=True)
TAG = re.compile(r'<(?:img|source)[^>]*?(?:src|srcset)="([^"]+)"[^>]*>')
SIDE = re.compile(r'\s(width|height)="([\d.]+)"')
BOXES = """
() => [...document.querySelectorAll('.drawn img')].map(e => {
  const box = e.getBoundingClientRect(); return [Math.round(box.width), Math.round(box.height)]; })
"""
SHIFTS = """
() => { window.moved = 0;
  new PerformanceObserver(list => { for (const one of list.getEntries()) window.moved += one.value; })
    .observe({ type: 'layout-shift', buffered: true }); }
"""


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Club:
    monkeypatch.setattr(drawn_sizes, "_drawn", {})
    made = factories.club()
    run_with_loss(made)
    run_with_loss(made, "400 mL", "310 mL")
    return made


@pytest.fixture
def solvent(at: Club) -> int:
    return factories.solvent("ethyl-acetate").pk


def kept(text: str) -> dict[str, dict[str, float]]:
    """Address of each picture → the room that the page keeps for it."""
    return {
        unescape(tag[1]): {name: float(value) for name, value in SIDE.findall(tag[0])}
        for tag in TAG.finditer(text)
        if "/picture/" in tag[1]
    }


def test_the_room_is_that_of_the_picture_as_it_was_drawn_last(client: Client, at: Club) -> None:
    client.force_login(at.member)
    address = f"/labs/{at.lab.slug}/solvent-balance/"
    first = kept(client.get(address).content.decode())
    assert {(room["width"], room["height"]) for room in first.values()} == {(360, 520), (900, 610)}
    drawn = {}
    for picture in first:
        head = client.get(picture).content.decode()[:2000]
        found = re.search(r"<svg[^>]*>", head)
        assert found is not None
        drawn[picture] = {name: float(value) for name, value in SIDE.findall(found[0])}
    assert {room["width"] for room in drawn.values()} == {360, 900}
    assert first != drawn, "as this lab draws it, it is not of the usual size"
    assert kept(client.get(address).content.decode()) == drawn
    # In another language and unit it is another picture: its words take other room.
    german = kept(client.get(address, headers={"accept-language": "de"}).content.decode())
    assert {(room["width"], room["height"]) for room in german.values()} == {(360, 520), (900, 610)}


def settled(page: Page, address: str) -> None:
    """Every picture of the page scrolled to and shown."""
    page.goto(address)
    page.evaluate(SHIFTS)
    for picture in page.locator(".drawn img").all():
        picture.scroll_into_view_if_needed()
        picture.evaluate("e => e.decode()")


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_nothing_moves_when_a_picture_comes(
    at: Club, solvent: int, live_server: Any, browser: Browser, width: int, scheme: Any
) -> None:
    options: dict[str, Any] = {"viewport": {"width": width, "height": 844}, "color_scheme": scheme}
    address = f"/labs/{at.lab.slug}/recovery/?solvent={solvent}"
    with watched(browser, live_server.url, **options) as (page, _seen):
        page.goto("/login/")
        sign_in(page, at.member.username)
        settled(page, address)
        # Whoever comes next finds the room there, whether the pictures are there or not.
        page.route("**/picture/**", lambda route: route.abort())
        page.goto(address)
        before = page.evaluate(BOXES)
        page.unroute("**/picture/**")
        settled(page, address)
        page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
        page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        assert before == page.evaluate(BOXES) and len(before) == 2
        assert page.evaluate("window.moved") < 0.01

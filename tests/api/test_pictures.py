"""Pictures over the API: kinds, negotiation, headers, entity tags, and what is drawn."""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.utils import timezone
from PIL import Image

from inventory.api.negotiation import weight_of
from inventory.services import safety
from tests import factories as make
from tests.api.client import Api, base, codes

pytestmark = pytest.mark.django_db
SVG = "{http://www.w3.org/2000/svg}"
READINGS = ("neg", "0.5", "2", "2", "5")


@pytest.fixture
def club() -> make.Club:
    return make.club(now=timezone.now() - timedelta(days=300))


@pytest.fixture
def api(club: make.Club) -> Api:
    start = timezone.now() - timedelta(days=290)
    bottle = make.stocked(
        club, "tetrahydrofuran", code="T-1", inhibited=True, now=start, received_on=start.date()
    )
    for place, reading in enumerate(READINGS):
        now = start + timedelta(days=60 * place, hours=1)
        safety.test_record(
            lab=club.lab, actor=club.steward, now=now, container=make.fresh(bottle), reading=reading,
            method="strip-25", tested_on=now.date(),
        )  # fmt: skip
    return Api(club.member)


@pytest.fixture
def address(club: make.Club) -> str:
    return f"{base(club)}containers/T-1/forecast/picture/"


def root_of(answer: Any) -> ET.Element:
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"] == "image/svg+xml"
    return ET.fromstring(answer.content)


def ids(root: ET.Element, start: str) -> list[str]:
    return [g.get("id", "") for g in root.iter(f"{SVG}g") if g.get("id", "").startswith(start)]


def test_every_reading_level_and_the_band_are_drawn(api: Api, club: make.Club, address: str) -> None:
    root = root_of(api.get(address))
    told = api.get(address.removesuffix("picture/")).json()
    assert len(ids(root, "reading-")) == len(told["points"]) == len(READINGS)
    assert ids(root, "band") == ["band", "band-high", "band-low"]
    words = " ".join("".join(text.itertext()) for text in root.iter(f"{SVG}text"))
    assert told["words"].split(".")[0][:20] in words
    desc = root.findtext(f"{SVG}desc") or ""
    assert told["words"] in desc
    assert "do not use: 25 mg/L or more" in desc


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("", "image/svg+xml"),
        ("*/*", "image/svg+xml"),
        ("image/*", "image/svg+xml"),
        ("image/png", "image/png"),
        ("image/png, image/svg+xml", "image/svg+xml"),
        ("image/svg+xml;q=0.5, image/png", "image/png"),
        ("image/svg+xml;q=0, */*", "image/png"),
        # What browsers send for an image, and for a page (Fetch standard, 2.2.2 and 3.1).
        ("image/avif,image/webp,image/apng,image/svg+xml,image/*,*/*;q=0.8", "image/svg+xml"),
        ("image/png,image/svg+xml,image/*;q=0.8,*/*;q=0.5", "image/svg+xml"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "image/svg+xml"),
    ],
)
def test_the_kind_is_what_the_caller_takes(api: Api, address: str, accept: str, kind: str) -> None:
    answer = api.get(address, Accept=accept) if accept else api.get(address)
    assert (answer.status_code, answer["Content-Type"]) == (200, kind)
    assert "Accept" in answer["Vary"]


def test_who_takes_neither_is_told_so(api: Api, address: str) -> None:
    for accept in ("application/json", "text/html", "image/png;q=0"):
        refused = api.get(address, Accept=accept)
        assert (refused.status_code, refused["Content-Type"]) == (406, "application/problem+json")


def test_format_names_the_kind_whatever_is_accepted(api: Api, address: str) -> None:
    answer = api.get(f"{address}?format=png&width=small&scale=3", Accept="image/svg+xml")
    image = Image.open(io.BytesIO(answer.content))
    assert (answer["Content-Type"], image.format, image.width) == ("image/png", "PNG", 3 * 360)
    root = root_of(api.get(f"{address}?format=svg", Accept="image/png"))
    assert root.get("width") == "900"


@pytest.mark.parametrize(
    "query", ["format=pdf", "theme=pink", "width=390", "scale=4", "scale=0", "colour=red"]
)
def test_what_cannot_be_drawn_is_refused(api: Api, address: str, query: str) -> None:
    refused = api.get(f"{address}?{query}")
    assert refused.status_code == 400
    assert codes(refused) in (["not-usable"], ["unknown-parameter"], ["given-twice"])
    assert refused["Content-Type"] == "application/problem+json"


def test_a_picture_is_sent_once_and_runs_nothing(api: Api, address: str) -> None:
    first = api.get(address)
    assert api.get(address, If_None_Match=first["ETag"]).status_code == 304
    assert api.get(f"{address}?theme=dark")["ETag"] != first["ETag"]
    assert first["Content-Security-Policy"] == "default-src 'none'; frame-ancestors 'none'; sandbox"
    assert first["X-Content-Type-Options"] == "nosniff"
    assert first["Cache-Control"] == "private, no-cache"


def test_the_weights_are_those_of_the_standard() -> None:
    """The example of RFC 9110, 12.5.1, with media types that we might offer."""
    accept = "text/*;q=0.3, text/plain;q=0.7, text/plain;format=flowed, text/html;level=1, */*;q=0.5"
    assert weight_of(accept, "image/jpeg") == 0.5
    assert weight_of(accept, "text/csv") == 0.3
    assert weight_of("text/plain;q=x", "text/plain") == 0
    assert weight_of("image/png", "image/svg+xml") == 0


@pytest.mark.once
@pytest.mark.django_db(transaction=True)
def test_a_browser_shows_it_under_its_policy(
    live_server: Any, chromium: Path, api: Api, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opened by itself: no complaint of the policy, and colours where they belong."""
    from playwright.sync_api import sync_playwright

    monkeypatch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    cookie = api.client.cookies["sessionid"].value
    said: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=str(chromium), args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        context = browser.new_context()
        context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        answer = page.goto(f"{live_server.url}{address}?theme=dark")
        shot = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
        browser.close()
    assert answer is not None
    assert answer.headers["content-type"] == "image/svg+xml"
    assert said == []
    colours = {colour for _, colour in shot.getcolors(1 << 20) or []}
    # The paper and the marks of the dark palette; an inline style that was refused would leave black.
    assert {(0x1A, 0x24, 0x26), (0x56, 0xB4, 0xE9)} <= colours

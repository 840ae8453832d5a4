"""A waste container has a page, and is handed over for disposal: by whom, once, and what is told first."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Event, Movement, PlaceKind, WasteContainer
from inventory.selectors.due import today_in
from inventory.services import safety, waste, waste_filling
from inventory.services.waste import WasteFacts
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import key_of, shown, where

pytestmark = pytest.mark.django_db
PAGE = "waste/W-5/hand-over/"


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now() - timedelta(days=1))


def filled(
    at: Club, key: str = "ethyl-acetate", reading: str = "", now: datetime | None = None
) -> WasteContainer:
    """A waste container into which 200 mL went out of a bottle, tested before where a reading is told."""
    now = now or timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": now}
    facts = WasteFacts(stream="halogen-free", capacity_ul=5_000_000, code="W-5")
    can, bottle = (
        waste.waste_add(**by, facts=facts),
        factories.stocked(at, key, now=now, received_on=today_in(at.lab, now)),
    )
    if reading:
        today = today_in(at.lab, now)
        safety.test_record(**by, container=bottle, reading=reading, method="strip-100", tested_on=today)
    waste_filling.put_in(**by, waste=can, container=bottle, amount="200 mL")
    return can


def sent(client: Client, at: Club, status: int = 302, **told: str) -> str:
    answer = client.post(where(at, PAGE), {"key": key_of(shown(client, where(at, PAGE))), **told})
    assert answer.status_code == status, answer.content.decode()[:2000]
    return answer.content.decode()


def test_it_leaves_once_with_all_that_is_in_it(client: Client, at: Club) -> None:
    can = filled(at)
    client.force_login(at.steward)
    page = shown(client, where(at, "waste/w-5/"))
    assert "200.0\u00a0mL" in page and "ethyl acetate" in page and PAGE in page
    assert "Peroxides are suspected" not in page
    assert "This field is required" in sent(client, at, 400)
    told = {"key": key_of(shown(client, where(at, PAGE))), "sure": "on", "note": "receipt 77"}
    for _ in range(2):
        assert client.post(where(at, PAGE), told).status_code == 302
    moved = Movement.objects.get(kind="collect")
    assert (moved.volume_ul, moved.destination.kind, moved.note) == (200_000, PlaceKind.WASTE, "receipt 77")
    event = Event.objects.get(verb="waste-collected")
    assert event.actor == at.steward and event.data["volume_ul"] == 200_000
    can.refresh_from_db()
    assert can.collected_at is not None and can.volume_ul == 0
    after = shown(client, where(at, "waste/W-5/"))
    assert "It was handed over for disposal at" in after and PAGE not in after
    assert client.get(where(at, PAGE)).status_code == 302
    # In another tab, under another key: it is gone already, and the form says so.
    again = client.post(where(at, PAGE), {"key": "another", "sure": "on"})
    assert again.status_code == 400 and "has been collected" in again.content.decode()
    assert Movement.objects.filter(kind="collect").count() == 1


def test_what_is_suspect_is_told_before_it_is_moved(client: Client, at: Club) -> None:
    """A reading that a policy leaves alone stays known of the waste that it went into."""
    filled(at, "tetrahydrofuran", "100 mg/L")
    client.force_login(at.steward)
    text = shown(client, where(at, PAGE))
    for words in (
        "Peroxides are suspected in it", "tetrahydrofuran that went in showed peroxides: 100\u00a0mg/L",
        "Leave it where it is and shut", "the licensed disposer what went in",
    ):  # fmt: skip
        assert words in text
    assert text.index("Leave it where it is") < text.index('name="sure"')
    assert "This field is required" in sent(client, at, 400, sure="on")
    assert not Movement.objects.filter(kind="collect").exists()
    sent(client, at, sure="on", told="on")
    assert Movement.objects.filter(kind="collect").count() == 1


def test_told_late_it_happened_when_it_was_tapped(client: Client, at: Club) -> None:
    """A form that waited for the network bears its own time, so nothing else need be noted of it."""
    can = filled(at, now=timezone.now() - timedelta(hours=2))
    client.force_login(at.steward)
    tapped = timezone.now() - timedelta(hours=1)
    sent(client, at, sure="on", tapped_at=tapped.isoformat())
    can.refresh_from_db()
    assert can.collected_at == tapped
    assert not Event.objects.filter(verb="told-late").exists()


def test_a_member_reads_it_and_nobody_else_finds_it(client: Client, at: Club) -> None:
    filled(at)
    client.force_login(at.member)
    assert PAGE not in shown(client, where(at, "waste/W-5/"))
    assert client.get(where(at, PAGE)).status_code == 403
    assert client.post(where(at, PAGE), {"key": "k", "sure": "on"}).status_code == 403
    for wrong in ("waste/W-6/", "waste/%00/", f"waste/{'x' * 90}/"):
        assert client.get(where(at, wrong)).status_code == 404
    client.force_login(factories.second_club().steward)
    assert client.get(where(at, "waste/W-5/")).status_code == 404
    assert client.get(where(at, PAGE)).status_code == 404


def test_storage_leads_to_every_waste_container(client: Client, at: Club) -> None:
    filled(at)
    client.force_login(at.member)
    assert "/waste/W-5/" in shown(client, where(at, "storage/"))

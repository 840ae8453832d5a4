"""Waste containers come and are filled on pages: by whom, what goes in, what is refused, and what is told."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Event, Movement, PlaceKind, WasteContainer
from inventory.selectors.due import today_in
from inventory.services import safety, waste
from inventory.services.verdicts import USED_AGAINST
from inventory.services.waste import WasteFacts
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import key_of, shown, where

pytestmark = pytest.mark.django_db
PAGE = "waste/W-5/put-in/"


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now() - timedelta(days=1))


def can(at: Club, capacity_ul: int = 1_000_000, code: str = "W-5") -> WasteContainer:
    facts = WasteFacts(stream="halogen-free", capacity_ul=capacity_ul, code=code)
    return waste.waste_add(lab=at.lab, actor=at.steward, now=timezone.now(), facts=facts)


def bottle(at: Club, key: str = "ethyl-acetate", reading: str = "") -> Any:
    now = timezone.now()
    today = today_in(at.lab, now)
    made = factories.stocked(at, key, "500 mL", now=now, received_on=today)
    if reading:
        by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": now, "container": made}
        safety.test_record(**by, reading=reading, method="strip-100", tested_on=today)
    return made


def sent(client: Client, at: Club, status: int = 302, page: str = PAGE, **told: str) -> str:
    data = {"key": key_of(shown(client, where(at, page))), "unit": "mL", "source": "before-counting", **told}
    answer = client.post(where(at, page), data)
    assert answer.status_code == status, answer.content.decode()[:3000]
    return answer.content.decode()


def test_a_steward_adds_one_and_it_may_stay_the_shortest_time_unless_a_rule_is_named(
    client: Client, at: Club
) -> None:
    client.force_login(at.steward)
    page = "storage/add-waste/"
    assert page in shown(client, where(at, "storage/")) and "data-queue" in shown(client, where(at, page))
    told = {"stream": "halogen-free", "capacity": "5", "unit": "L", "full_percent": "80", "code": "W-5"}
    assert "rule that they are from" in sent(client, at, 400, page, **told, days_max="30")
    assert "not both" in sent(client, at, 400, page, **told, days_max="30", keeping="large-generator")
    for wrong in ({"capacity": "0"}, {"full_percent": "101"}, {"stream": " "}):
        sent(client, at, 400, page, **{**told, **wrong})
    assert not WasteContainer.objects.exists()
    sent(client, at, 302, page, **told)
    made = WasteContainer.objects.get()
    # The shortest of inventory/data/waste_rules.toml that a whole lab may be under.
    assert (made.capacity_ul, made.days_max, made.volume_ul) == (5_000_000, 90, 0)
    assert "stands here already" in sent(client, at, 400, page, **told)
    sent(client, at, 302, page, **{**told, "code": "W-6"}, keeping="small-generator")
    far = WasteContainer.objects.get(code="W-6")
    # EPA memo 2004-03-17, as the row says.
    assert far.days_max == 180 and far.days_source.startswith("Small generator: 180 days. EPA memo 2004")
    sent(client, at, 302, page, **{**told, "code": "W-7"}, days_max="30", days_source="Town bylaw 9")
    assert WasteContainer.objects.get(code="W-7").days_source == "Town bylaw 9"
    client.force_login(at.member)
    assert page not in shown(client, where(at, "storage/"))
    assert client.get(where(at, page)).status_code == 403


def test_a_member_puts_a_bottle_in_once_and_is_told_what_it_holds(client: Client, at: Club) -> None:
    can(at)
    held = bottle(at)
    client.force_login(at.member)
    assert PAGE in shown(client, where(at, "waste/W-5/"))
    text = shown(client, where(at, f"{PAGE}?container={held.code}"))
    for words in (
        "data-queue", "ethyl acetate", "800.0\u00a0mL</data> more until", "Never mix what may react",
        "Never fill a container to the brim", "Follow your local code", "crystals or a stuck cap",
        "Peroxide formers: test before they go into waste",
    ):  # fmt: skip
        assert words in text, words
    told = {"key": "once", "container": held.code.lower(), "amount": "", "unit": "mL", "source": "product"}
    for _ in range(2):
        assert client.post(where(at, PAGE), told).status_code == 302
    moved = Movement.objects.get(kind="waste")
    assert (moved.volume_ul, moved.destination.kind, moved.actor) == (
        500_000, PlaceKind.WASTE_CONTAINER, at.member,
    )  # fmt: skip
    page = shown(client, where(at, "waste/W-5/"))
    assert "W-5 holds 500.0\u00a0mL of 1\u202f000.0\u00a0mL now" in page
    held.refresh_from_db()
    assert held.volume_ul == 0


def test_what_is_in_no_container_names_its_solvent_and_where_it_was(client: Client, at: Club) -> None:
    can(at)
    client.force_login(at.member)
    assert "one of the two" in sent(client, at, 400)
    assert "one of the two" in sent(client, at, 400, container="A", solvent="acetone", amount="5")
    assert "How much" in sent(client, at, 400, solvent="acetone")
    assert 'value="Atlantis"' in sent(client, at, 400, solvent="Atlantis", amount="5")
    assert "No container has the code" in sent(client, at, 400, container="NOPE", amount="5")
    sent(client, at, solvent="acetone", amount="50", source="reaction", note="rinsings")
    moved = Movement.objects.get(kind="waste")
    assert (moved.volume_ul, moved.source.kind, moved.note) == (50_000, PlaceKind.REACTION, "rinsings")


def test_never_above_what_it_holds_nor_with_what_may_react(client: Client, at: Club) -> None:
    """Chloroform and acetone: react violently where a base is present (data/storage_groups.toml)."""
    can(at, 100_000)
    client.force_login(at.member)
    assert "has room for 0.1 L more" in sent(client, at, 400, solvent="acetone", amount="101")
    sent(client, at, solvent="acetone", amount="90")
    full = shown(client, where(at, PAGE))
    assert "It counts as nearly full" in full and "have it collected" in full
    text = sent(client, at, 400, solvent="chloroform", amount="1")
    assert "Chloroform and acetone react violently" in text and 'name="override_reason"' not in text
    sent(client, at, 400, solvent="chloroform", amount="1", override_reason="I say so")
    assert Movement.objects.filter(kind="waste").count() == 1
    client.force_login(at.supervisor)
    sent(client, at, solvent="chloroform", amount="1", override_reason="no base near, told the disposer")
    assert Movement.objects.filter(kind="waste").count() == 2


def test_suspected_peroxides_are_told_before_and_after(client: Client, at: Club) -> None:
    can(at)
    held = bottle(at, "tetrahydrofuran", "100 mg/L")
    client.force_login(at.member)
    page = f"containers/{held.code}/into-waste/"
    text = shown(client, where(at, page))
    assert "W-5" in text and "100\u00a0mg/L" in text
    assert "above 20\u00a0ppm ordinary pick-up may refuse" in text
    assert "test before they go into waste" not in text
    number = str(WasteContainer.objects.get().pk)
    sent(client, at, 302, page, waste=number, amount="10")
    after = shown(client, where(at, f"containers/{held.code}/"))
    assert "Peroxides are suspected in it: leave it shut" in after
    moved = Movement.objects.count()
    sent(client, at, 400, page, waste=number, amount="10")
    assert Movement.objects.count() == moved
    sent(client, at, 302, page, waste=number, amount="10", happened_at=timezone.now().isoformat())
    assert Movement.objects.count() == moved + 1
    assert [each.data["kind"] for each in Event.objects.filter(verb=USED_AGAINST)] == ["waste", "waste"]
    text = shown(client, where(at, PAGE))
    assert text.index("Leave it where it is and shut") < text.index("It has been done all the same")
    assert text.index("It has been done all the same") < text.index('name="container"')


def test_nobody_else_fills_it_and_a_collected_one_takes_nothing(client: Client, at: Club) -> None:
    made = can(at)
    client.force_login(at.auditor)
    assert client.get(where(at, PAGE)).status_code == 403
    client.force_login(factories.second_club().member)
    assert client.get(where(at, PAGE)).status_code == 404
    waste.collect(lab=at.lab, actor=at.steward, now=timezone.now(), waste=made)
    client.force_login(at.member)
    assert client.get(where(at, PAGE)).status_code == 302
    gone = client.post(where(at, PAGE), {"key": "k", "solvent": "acetone", "amount": "1", "unit": "mL",
                                         "source": "product"})  # fmt: skip
    assert gone.status_code == 400 and "has been collected" in gone.content.decode()

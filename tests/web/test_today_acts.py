"""Each line of Today acts in place; none leads to opening what is left alone or asked about first."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Alert, Container, Solvent, StockLevel
from inventory.rules.advice import ASK_FIRST
from inventory.selectors.due import today_in
from inventory.services import limits, locations
from inventory.services.limits import OwnLimit
from inventory.services.quarantine import set_aside
from inventory.services.sweep import sweep
from recovery.models import Run
from recovery.services import runs
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import shown, where
from tests.web.test_home import shelf

pytestmark = pytest.mark.django_db
WAY = re.compile(r'href="/labs/[\w-]+/((?:containers|runs)/\w+/[\w-]+)/"')


@pytest.fixture
def at(client: Client) -> Club:
    made = factories.club(now=timezone.now())
    client.force_login(made.member)
    return made


def line_of(text: str, words: str) -> str:
    """The row of a list that tells of it."""
    rows = re.findall(r'<li class="bottle.*?</li>', text, re.DOTALL)
    (found,) = [unescape(row) for row in rows if words in row]
    return str(found)


def deeds_of(text: str, bottle: Container) -> list[str]:
    ways = WAY.findall(line_of(text, f">{bottle.code}<"))
    assert all(way.startswith(f"containers/{bottle.code}/") for way in ways)
    return [way.rsplit("/", 1)[-1] for way in ways]


def test_a_due_line_leads_to_the_one_deed_that_is_safe(client: Client, at: Club) -> None:
    made = shelf(at)
    day = today_in(at.lab, timezone.now())
    for name, days in (("soon", 85), ("long", 300)):
        told: dict[str, Any] = {"now": timezone.now(), "received_on": day - timedelta(days=days)}
        made[name] = factories.stocked(at, "tetrahydrofuran", **told)
    home = where(at, "")
    text = shown(client, home)
    asked = {name: deeds_of(text, made[name]) for name in made if name != "safe"}
    assert asked == {
        "sign": ["set-aside"],
        "reading": ["set-aside"],
        "unknown": ["set-aside"],
        "overdue": ["test"],
        "soon": ["test"],
        "long": ["set-aside"],
    }
    assert ASK_FIRST in line_of(text, made["long"].code)
    client.force_login(at.steward)
    asked = {name: deeds_of(shown(client, home), made[name]) for name in ("sign", "reading", "overdue")}
    assert asked == {"sign": ["set-aside"], "reading": ["discard"], "overdue": ["test"]}
    client.force_login(at.auditor)
    assert not WAY.findall(shown(client, home))


def test_what_is_set_aside_is_not_to_be_set_aside_again(client: Client, at: Club) -> None:
    made = shelf(at)
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now()}
    for name in ("sign", "overdue"):
        set_aside(**by, container=made[name], reason="a cloudy look")
    text = shown(client, where(at, ""))
    assert deeds_of(text, made["sign"]) == deeds_of(text, made["overdue"]) == ["sign"]
    # What is only barred waits for a word, not for whoever collects: not even a steward is led to that.
    client.force_login(at.steward)
    code = made["overdue"].code
    assert deeds_of(shown(client, where(at, "")), made["overdue"]) == ["sign"]
    for page in ("", f"containers/{code}/"):
        said = shown(client, where(at, page))
        said = said if page else line_of(said, f">{code}<")
        assert "Do not use" in said
        assert "until a supervisor lifts that" in said
        assert "have it disposed of" not in said.partition('class="answers"')[0]


def test_the_deed_stands_once_beside_the_alert_and_is_where_it_leads(client: Client, at: Club) -> None:
    made = shelf(at)
    sweep(now=timezone.now(), lab=at.lab)
    text = shown(client, where(at, ""))
    row = line_of(text, f">{made['overdue'].code}<")
    assert row.count("/test/") == 1
    assert ">I see to it</button>" in row
    assert "test" in shown(client, where(at, f"containers/{made['overdue'].code}/test/"))


def open_run(at: Club, purpose: str, amount: str = "") -> Run:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now()}
    run = runs.run_start(**by, purpose=purpose)
    if amount:
        day = today_in(at.lab, timezone.now())
        bottle = factories.stocked(at, "ethyl-acetate", "500 mL", now=timezone.now(), received_on=day)
        runs.charge(**by, run=run, container=bottle, amount=amount)
    return run


def test_an_open_run_is_charged_given_back_and_closed_from_its_line(client: Client, at: Club) -> None:
    full, bare = open_run(at, "leaf pigments", "200 mL"), open_run(at, "fat in biscuits")
    text = shown(client, where(at, ""))
    wanted = [f"runs/{full.pk}/{way}" for way in ("return", "charge", "close")]
    assert WAY.findall(line_of(text, "leaf pigments")) == wanted
    assert WAY.findall(line_of(text, "fat in biscuits")) == [
        f"runs/{bare.pk}/{w}" for w in ("charge", "close")
    ]
    client.force_login(at.auditor)
    assert not WAY.findall(shown(client, where(at, "")))


def test_a_closed_run_with_a_finding_is_answered_for_on_its_line(client: Client, at: Club) -> None:
    run = open_run(at, "leaf pigments", "200 mL")
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now()}
    runs.give_back(**by, run=run, container=factories.empty(at, now=timezone.now()), amount="260 mL")
    runs.run_close(**by, run=run)
    home = where(at, "")
    assert WAY.findall(line_of(shown(client, home), "leaf pigments")) == [f"runs/{run.pk}/facts"]
    sweep(now=timezone.now(), lab=at.lab)
    alert = Alert.objects.get(subject_kind="run", subject_id=run.pk, closed_at=None)
    text = shown(client, home)
    row = line_of(text[text.index('id="runs"') :], "leaf pigments")
    assert f'action="{where(at, f"alerts/{alert.pk}/")}"' in row
    client.force_login(at.steward)
    text = shown(client, home)
    row = line_of(text[text.index('id="runs"') :], "leaf pigments")
    assert WAY.findall(row) == [f"runs/{run.pk}/reopen"]
    key = re.search(r'name="key" value="([^"]+)"', row)
    assert key is not None
    told = {"key": key[1], "back": "today", "deed": "seen"}
    answer = client.post(where(at, f"alerts/{alert.pk}/"), told, follow=True)
    assert answer.redirect_chain[-1][0] == home
    run.refresh_from_db()
    assert run.unseen_findings == ""


def filled_in(text: str) -> list[str]:
    return [name for name in re.findall(r'<input[^>]*name="solvent" value="([^"]*)"', text) if name]


def test_low_stock_leads_to_receiving_it_and_a_limit_to_what_stands_there(client: Client, at: Club) -> None:
    hexane = Solvent.objects.get(lab=None, key="n-hexane")
    StockLevel.objects.create(lab=at.lab, solvent=hexane, minimum_ul=500_000)
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": now}
    room = locations.location_add(**by, name="Back room", kind="room", parent=None)
    factories.stocked(at, "ethyl-acetate", "2 L", capacity_ul=2_500_000, now=now, location=room)
    few = OwnLimit(
        name="Club rule", code="club", source="the club", categories=["1", "2", "3"], limit_ul=1_000_000
    )
    limits.limit_own(**by, location=room, limit=few)
    sweep(now=now, lab=at.lab)
    home = where(at, "")
    member = line_of(shown(client, home), "n-hexane")
    assert "receive/" not in member
    held = f'href="{where(at, f"storage/{room.pk}/")}#held"'
    assert held in line_of(shown(client, home), "Club rule")
    assert ">See to it<" in member
    client.force_login(at.steward)
    row = line_of(shown(client, home), "n-hexane")
    way = f"{where(at, 'receive/')}?solvent={hexane.pk}"
    assert f'href="{way}"' in row
    assert filled_in(shown(client, way)) == ["n-hexane"]
    assert f'href="{where(at, f"solvents/{hexane.pk}/")}"' in row
    for astray in ("999999", "nobody", "٣"):
        assert filled_in(shown(client, f"{where(at, 'receive/')}?solvent={astray}")) == []

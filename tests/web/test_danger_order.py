"""A list of containers is ordered by danger over all of it; none is worse than where it stands."""

from __future__ import annotations

import re
from datetime import date, timedelta
from html import unescape
from itertools import pairwise
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Policy
from inventory.rules.levels import RANK, Level
from inventory.rules.months import add_months
from inventory.selectors import shelf_danger
from inventory.selectors.due import today_in
from inventory.selectors.shelf import Sort, containers_listed
from inventory.services import places, quarantine, safety
from inventory.services.due_telling import told_of
from inventory.services.facts import containers_with, policy_of
from inventory.services.policies import policy_set
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import shown, where

pytestmark = pytest.mark.django_db
CODE = re.compile(r'<a class="code"[^>]*>([^<]+)</a>')
# The worst that a container of each band may come to.
WORST: dict[int, Level] = {
    shelf_danger.LEAVE: "do-not-touch",
    shelf_danger.LEAVE_PERHAPS: "do-not-touch",
    shelf_danger.NO_USE: "do-not-use",
    shelf_danger.UNDECIDED: "test-first",
    shelf_danger.TEST_FIRST: "test-first",
    shelf_danger.NOT_SURE: "test-first",
    shelf_danger.FINE: "use",
}


@pytest.fixture
def at(client: Client) -> Club:
    made = factories.club(now=timezone.now())
    client.force_login(made.steward)
    return made


def stood(at: Club) -> dict[str, Container]:
    """Bottles of every kind of danger; the worse, the later the next test, where one can be told."""
    now = timezone.now()
    today = today_in(at.lab, now)
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": now}
    cabinet = places.location_get(lab=at.lab, name="Vented cabinet")

    def bottle(key: str, ago: int, **facts: Any) -> Container:
        day = today - timedelta(days=ago)
        return factories.stocked(at, key, now=now, received_on=day, location=cabinet, **facts)

    def tested(key: str, reading: str, method: str, ago: int = 3) -> Container:
        made = bottle(key, ago, opened_on=today - timedelta(days=ago))
        safety.test_record(**by, container=made, reading=reading, method=method, tested_on=today)
        return made

    made = {
        "fine": bottle("ethyl-acetate", 1),
        "fine, former": tested("2-propanol", "<1", "strip-25"),
        "overdue": bottle("diisopropyl-ether", 900, opened_on=today - timedelta(days=800)),
        "undecided": tested("tetrahydrofuran", ">10", "strip-25"),
        "failed": tested("tetrahydrofuran", "30 mg/L", "strip-100"),
        "left": tested("tetrahydrofuran", "100 mg/L", "strip-100"),
        "crystals": bottle("ethyl-acetate", 2),
        "cap": bottle("ethyl-acetate", 2),
        "label": bottle("ethyl-acetate", 2),
        "aside": bottle("ethyl-acetate", 2),
        "expired long ago": bottle("cyclohexene", 900, expiry_on=add_months(today, -30)),
        "expired, no former": bottle("ethyl-acetate", 90, expiry_on=today - timedelta(days=1)),
        "age unknown": bottle("diethyl-ether", 1, opened="unknown"),
    }
    for name, sign in (("crystals", "crystals"), ("cap", "cap-stuck"), ("label", "label-unreadable")):
        safety.observe(**by, container=made[name], sign=sign)
    quarantine.set_aside(**by, container=made["aside"], reason="it smells of something else")
    return made


def bands(at: Club, today: date) -> dict[int, int]:
    danger = shelf_danger.danger_sql(policy_of(at.lab), today)
    order = (Sort("danger"), Sort("id"))
    return {row[1]: row[0] for row in containers_listed(lab=at.lab, given={}, order=order, danger=danger)}


def test_no_container_is_worse_than_its_band_under_any_policy(at: Club) -> None:
    """Against the one verdict function, for every policy that ships and for days to come."""
    made = stood(at)
    today = today_in(at.lab, timezone.now())
    for policy in Policy.objects.filter(lab=None):
        policy_set(
            lab=at.lab, actor=at.supervisor, now=timezone.now(), policy=policy, reason="to see each of them"
        )
        at.lab.refresh_from_db()
        for day in (today, today + timedelta(days=1), add_months(today, 7), add_months(today, 40)):
            found, told = bands(at, day), told_of(containers_with([c.pk for c in made.values()]), day)
            for name, container in made.items():
                worst = WORST[found[container.pk]]
                assert RANK[told[container.pk].level] <= RANK[worst], (policy.key, day, name)


def codes(client: Client, address: str) -> list[str]:
    return CODE.findall(unescape(client.get(address).content.decode()))


def test_page_one_holds_the_most_dangerous_of_all(
    client: Client, at: Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What must not be touched comes before what is merely overdue, on whatever page either stands."""
    made = stood(at)
    name = {container.code: name for name, container in made.items()}
    monkeypatch.setattr("inventory.web.shelf.PAGE", 4)
    found: list[str] = []
    address = where(at, "shelf/")
    while address:
        found += codes(client, address)
        more = re.search(r'href="\?([^"]*after=[^"]*)"', client.get(address).content.decode())
        address = f"{where(at, 'shelf/')}?{unescape(more[1])}" if more else ""
    listed = [name[code] for code in found]
    assert sorted(listed) == sorted(made) and len(set(listed)) == len(listed)
    place = {name: number for number, name in enumerate(listed)}
    orders = (
        ("left", "crystals", "expired long ago"), ("failed", "cap", "aside"), ("undecided",),
        ("overdue", "label", "expired, no former", "age unknown"), ("fine", "fine, former"),
    )  # fmt: skip
    for graver, milder in pairwise(orders):
        assert max(place[one] for one in graver) < min(place[one] for one in milder), (graver, milder)
    assert place["fine, former"] < place["fine"], "within a band the next test decides"


def test_the_place_marks_the_same_danger_as_the_shelf(client: Client, at: Club) -> None:
    made = stood(at)
    rows = re.compile(r'<li class="bottle([^"]*)">.*?</li>', re.DOTALL)
    cabinet = places.location_get(lab=at.lab, name="Vented cabinet")
    found = []
    for page in ("shelf/", f"storage/{cabinet.pk}/"):
        text = shown(client, where(at, page))
        listed = [row for row in rows.finditer(text) if CODE.search(row[0])]
        found.append([(CODE.findall(row[0])[0], row[1].strip()) for row in listed])
        of = {CODE.findall(row[0])[0]: row[0] for row in listed}
        for name in ("left", "crystals", "expired long ago"):
            assert "Do not touch: get help" in of[made[name].code], name
        assert "Do not use: have it disposed of" in of[made["failed"].code]
        assert "barred" in of[made["aside"].code]
        assert "does not pass" in of[made["undecided"].code]
        assert "Test before use" in of[made["expired, no former"].code]
        assert "test overdue since" in of[made["overdue"].code]
    assert found[0] == found[1]
    assert dict(found[0])[made["left"].code] == "danger"


def test_an_address_that_was_tampered_with_starts_anew(client: Client, at: Club) -> None:
    stood(at)
    first = codes(client, where(at, "shelf/"))
    for bad in ("", "~", "x~~1", "1~2026-13-01~5", "~~", "1~5", "٣~~1"):
        assert codes(client, where(at, f"shelf/?after={bad}")) == first, bad


def test_the_last_day_of_an_expiry_is_that_of_the_months() -> None:
    """More than so many months over, by the month ends of the rules."""
    for today in (date(2026, 3, 31), date(2024, 2, 29), date(2026, 11, 26), date(2025, 3, 1)):
        for months in (0, 1, 6, 24, 600, 40_000):
            last = shelf_danger._expired_by(today, months)
            assert last == date.min or add_months(last, months) < today
            assert add_months(last + timedelta(days=1), months) >= today

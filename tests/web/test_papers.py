"""The inspection report and the list on a cabinet's door, as PDF read back by PDFium, as page and as CSV.

Signal words: CLP Annex VI Table 3 (from memory, as in the catalogue). Expected days are counted by hand.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Event
from inventory.selectors.due import today_in
from inventory.services import limits, places, policies, safety, volumes, waste
from inventory.services.importing import lock_lab
from inventory.services.inspection import formers, formers_counted
from inventory.services.limits import OwnLimit
from inventory.services.moving import put_away
from inventory.services.storage import Override
from inventory.services.waste import WasteFacts
from tests import factories
from tests.factories import Club
from tests.rules.test_paper import pages, text_of
from tests.web.plain_forms import as_csv, shown, where

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now() - timedelta(days=500))


def bottle(at: Club, code: str, key: str, days: int, **facts: Any) -> Container:
    """Received, and opened unless said otherwise, so many days ago."""
    now = timezone.now() - timedelta(days=days)
    return factories.stocked(at, key, code=code, now=now, received_on=now.date(), **facts)


def read(client: Client, address: str, **asked: str) -> str:
    answer = client.get(address, asked)
    assert answer["Content-Type"] == "application/pdf"
    return " ".join(text_of(page) for page in pages(answer.content))


def test_the_report_tells_formers_overdue_first_limits_waste_and_who_signed(client: Client, at: Club) -> None:
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": now - timedelta(days=2)}
    head = {**by, "actor": at.supervisor}
    bottle(at, "FRESH", "diethyl-ether", 10)
    bottle(at, "LATE", "diethyl-ether", 200)
    bottle(at, "LATER", "diethyl-ether", 400)
    good = bottle(at, "GOOD", "tetrahydrofuran", 100)
    factories.tested(at, good, now=by["now"], reading="<1")
    bad = bottle(at, "BAD", "tetrahydrofuran", 20)
    factories.tested(at, bad, now=by["now"], reading="30")
    bottle(at, "PLAIN", "acetone", 400)
    marked = bottle(at, "MARKED", "acetone", 5)
    safety.observe(**by, container=marked, sign="crystals")
    cabinet = places.location_get(lab=at.lab, name="Blue cabinet", kind="cabinet")
    rule = OwnLimit(
        name="One bottle", limit_ul=400_000, code="school rule 4", source="the caretaker", effect="refuse"
    )
    limit = limits.limit_own(**by, location=cabinet, limit=rule)
    override = Override("fridge is broken today", allowed=True)
    put_away(actor=at.supervisor, now=by["now"], container=good, location=cabinet, override=override)
    said: dict[str, Any] = {
        "changes": {"limit_ul": 450_000},
        "reason": "caretaker agreed in writing",
        "may_loosen": True,
    }
    limits.limit_change(**head, limit=limit, **said)
    waste.waste_add(**by, facts=WasteFacts(stream="halogen-free solvents", capacity_ul=5_000_000, code="W-1"))
    client.force_login(at.auditor)
    told = read(client, where(at, "inspection.pdf"))
    places_in_it = [told.index(code) for code in ("BAD", "LATER", "! LATE ", "GOOD", "FRESH")]
    assert places_in_it[1:3] == sorted(places_in_it[1:3])
    assert max(places_in_it[:3]) < min(places_in_it[3:])
    assert "MARKED" in told
    assert "PLAIN" not in told
    # 25 mg/L and above is not used, Michigan State EHS; the strip ends at 25.
    assert "30 (30 mg/L or more" in told
    assert at.lab.policy.name in told and at.lab.policy.source in told
    assert "school rule 4. the caretaker" in told
    assert "50.0 mL too much" in told
    assert "fridge is broken today" in told and "caretaker agreed in writing" in told
    assert "0.4 L → 0.45 L" in told
    assert at.supervisor.display_name in told
    assert "W-1" in told and "halogen-free solvents" in told
    assert "Follow your local code" in told
    assert "Page 1 of" in told
    counts = "6 containers · 2 not to be used or touched · 2 to be tested before use · 3 past their test day"
    assert counts in " ".join(told.split())
    page = " ".join(shown(client, where(at, "inspection/")).split())
    for words, count in (("Do not use or touch", 2), ("Test before use", 2), ("Past their test day", 3)):
        assert f"<dt>{words}</dt><dd>{count}</dd>" in page
    rows = as_csv(client, where(at, "inspection.csv"))
    assert {row["code"] for row in rows} == {"BAD", "MARKED", "LATE", "LATER", "GOOD", "FRESH"}
    assert next(row for row in rows if row["code"] == "GOOD")["reading"] == "<1"
    today = today_in(at.lab, timezone.now())
    listed = formers(lab=at.lab, today=today)
    counted = len(listed), sum(bottle.overdue(today) for bottle in listed)
    assert formers_counted(lab=at.lab, today=today) == counted
    assert counted[0] == len(rows) and counted[1]


def test_the_period_asked_for_bounds_what_was_signed(client: Client, at: Club) -> None:
    old = timezone.now() - timedelta(days=100)
    looser = {**at.lab.policy.body, "key": "ours", "name": "Rules of the club"}
    looser["rules"] = [
        {**row, "months": 24} if row.get("months") == 3 else row for row in at.lab.policy.body["rules"]
    ]
    made = policies.policy_add(
        lab=at.lab, actor=at.steward, now=old, body=policies.body_read(looser), copied_from=""
    )
    reason = "the county allows two years"
    policies.policy_set(lab=lock_lab(at.lab), actor=at.supervisor, now=old, policy=made, reason=reason)
    assert Event.objects.filter(verb="policy-loosened").count() == 1
    client.force_login(at.steward)
    address = where(at, "inspection.pdf")
    day, week = old.date(), timedelta(days=7)
    during = read(client, address, since=str(day - week), until=str(day + week), paper="letter")
    assert during.count(reason) == 2  # with the policy in force, and as what was signed
    after = read(client, address, since=str(day + week))
    assert after.count(reason) == 1
    assert "Rules of the club" in after
    answer = client.get(address, {"since": str(day), "until": str(day - week)})
    assert answer.status_code == 400
    assert "Swap the two days" in answer.content.decode()
    client.force_login(at.member)
    assert client.get(address).status_code == 403


def test_the_list_of_a_cabinet_has_all_that_is_in_it_and_below(client: Client, at: Club) -> None:
    room = places.location_get(lab=at.lab, name="Room 1", kind="room")
    shelf = places.location_get(lab=at.lab, name="Shelf 2", kind="shelf", parent=room)
    bottle(at, "ETHER", "diethyl-ether", 300, location=shelf)
    bottle(at, "ACETONE", "acetone", 3, location=room, opened="unopened")
    bottle(at, "ELSEWHERE", "acetone", 3)
    client.force_login(at.member)
    page = shown(client, where(at, f"storage/{room.pk}/list/"))
    printed = read(client, where(at, f"storage/{room.pk}/list.pdf"), paper="letter")
    for text in (page, printed):
        assert "ETHER" in text and "ACETONE" in text and "ELSEWHERE" not in text
        assert "Danger" in text
        assert "Test before use" in text
        assert "not yet" in text
        assert "Follow your local code" in text
        assert at.lab.emergency_text in text
    # On the page days read as on every page, on paper as on every paper.
    ether = Container.objects.get(lab=at.lab, code="ETHER")
    assert ether.opened_on is not None and ether.next_test_due is not None
    for told in (ether.opened_on, ether.next_test_due):
        assert f"{told.day} {told:%B %Y}" in page and told.isoformat() in printed
        assert told.isoformat() not in page
    rows = as_csv(client, where(at, f"storage/{room.pk}/list.csv"))
    assert [(row["place"], row["code"], row["level"]) for row in rows] == [
        ("Room 1", "ACETONE", "use"),
        ("Shelf 2", "ETHER", "test-first"),
    ]
    assert rows[1]["volume_ul"] == "500000"
    # The tree counts for a place what its list has: what stands in it and below.
    tree = shown(client, where(at, "storage/"))
    assert tree.count("1 container<") == 1 and tree.count("2 containers<") == 1


def test_the_list_on_the_door_says_what_may_be_used_but_not_distilled(client: Client, at: Club) -> None:
    """A plain "use" would be read as leave to distil, which has no column of its own there."""
    shelf = places.location_get(lab=at.lab, name="Shelf 2", kind="shelf")
    held = {key: bottle(at, key.upper(), key, 1, location=shelf) for key in ("acetone", "diethyl-ether")}
    client.force_login(at.member)
    # Opened a day ago, it may be used; nobody has tested it for distilling.
    said = "Use; test it before distilling"
    for before in (True, False):
        rows = {
            row["code"]: row["verdict"] for row in as_csv(client, where(at, f"storage/{shelf.pk}/list.csv"))
        }
        assert rows == {"ACETONE": "Use", "DIETHYL-ETHER": said if before else "Use"}
        page = shown(client, where(at, f"storage/{shelf.pk}/list/"))
        printed = " ".join(read(client, where(at, f"storage/{shelf.pk}/list.pdf")).split())
        assert [said in text for text in (page, printed)] == [before] * 2
        factories.tested(at, held["diethyl-ether"], now=timezone.now())


def test_the_list_never_says_to_use_what_is_empty(client: Client, at: Club) -> None:
    """Peroxides stay behind in what held a former, as the verdict on it says; no word is milder."""
    shelf = places.location_get(lab=at.lab, name="Shelf 2", kind="shelf")
    for code, key, opened in (
        ("A-GONE", "acetone", "opened"), ("E-GONE", "diethyl-ether", "opened"),
        ("F-GONE", "diethyl-ether", "unopened"), ("G-FULL", "acetone", "opened"),
    ):  # fmt: skip
        made = bottle(at, code, key, 300 if code == "E-GONE" else 1, location=shelf, opened=opened)
        if code.endswith("GONE"):
            by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": timezone.now()}
            volumes.draw(**by, container=made, amount=None, destination=volumes.bench_end(
                at.lab, "reaction", field="to"))  # fmt: skip
    client.force_login(at.member)
    rows = {row["code"]: row for row in as_csv(client, where(at, f"storage/{shelf.pk}/list.csv"))}
    former = "Nothing is in it by the records; what stuck to it may hold peroxides."
    assert {code: (row["level"], row["verdict"]) for code, row in rows.items()} == {
        "A-GONE": ("", "Nothing is in it by the records."),
        "E-GONE": ("test-first", f"Test before use. {former}"),
        "F-GONE": ("", former),
        "G-FULL": ("use", "Use"),
    }
    page = shown(client, where(at, f"storage/{shelf.pk}/list/"))
    printed = read(client, where(at, f"storage/{shelf.pk}/list.pdf"))
    for text in (page, " ".join(printed.split())):
        assert text.count("Nothing is in it by the records.") == 1
        assert text.count("may hold peroxides") == 2

"""A bottle's own pages are no milder than Today, and nobody is sent to test, open or use what is to be left.

The yardstick is `rules/advice.told`, which has tests of its own against the table of levels and uses.
"""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from inventory.models import Alert, Container, Event
from inventory.rules.advice import ADVICE, ASK_FIRST
from inventory.selectors.due import today_in
from inventory.services import locations, safety
from inventory.services.delivery import content, feeds
from inventory.services.sweep import sweep
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> factories.Club:
    return factories.club()


def shown(client: Client, at: factories.Club, name: str, *of: Any, query: str = "") -> str:
    """What a page says, without its tags."""
    answer = client.get(f"{reverse(name, args=[at.lab.slug, *of])}{query}")
    assert answer.status_code == 200, name
    body = re.search(r"<main.*</main>", answer.content.decode(), re.S)
    assert body is not None
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body[0])).split())


def today(at: factories.Club, key: str, *, days_ago: int = 0) -> Container:
    """A bottle that came in, and was opened, so many days before the day on which the test runs."""
    now = timezone.now()
    day = today_in(at.lab, now) - timedelta(days=days_ago)
    return factories.stocked(at, key, now=now, received_on=day, inhibited=True)


def doubtful(at: factories.Club) -> list[Container]:
    """Class A, a year past its day, and one of which nobody knows when it was opened."""
    ago = factories.TODAY - timedelta(days=400)
    return [
        factories.stocked(at, "diisopropyl-ether", received_on=ago, inhibited=False),
        factories.stocked(at, "diethyl-ether", opened="unknown", opened_on=None, received_on=None),
    ]


def high(at: factories.Club) -> Container:
    """Tested today, with a reading that has it collected: not used, not opened, but carried."""
    held = factories.stocked(at, "tetrahydrofuran")
    factories.tested(at, held, now=timezone.now(), reading="60", method="strip-100")
    return factories.fresh(held)


def crystals(at: factories.Club) -> Container:
    held = factories.stocked(at, "tetrahydrofuran")
    told: dict[str, Any] = {"container": held, "sign": "crystals", "words": "at the cap"}
    safety.observe(lab=at.lab, actor=at.member, now=timezone.now(), **told)
    return factories.fresh(held)


def test_opening_a_doubtful_bottle_is_no_plain_yes_anywhere(client: Client, at: factories.Club) -> None:
    client.force_login(at.steward)
    fine = today(at, "diethyl-ether")
    for held in doubtful(at):
        of = (held.code,)
        for name, args in (("container", of), ("deed", (*of, "test")), ("deed", (*of, "open"))):
            said = shown(client, at, name, *args)
            assert ASK_FIRST in said, (held.code, name, args)
            assert "Ask first Open" in said
            assert "Yes Open" not in said
        for name, args in (("container", of), ("deed", (*of, "move"))):
            assert "Ask first Move" in shown(client, at, name, *args)
        assert held.lot is not None
        planned = shown(client, at, "plan", query=f"?solvent={held.lot.solvent_id}&volume=100+mL")
        assert ASK_FIRST in planned
        api = client.get(f"/api/v1/labs/{at.lab.slug}/containers/{held.pk}/verdicts/").json()
        assert api["advice"].endswith(ASK_FIRST)
    said = shown(client, at, "container", fine.code)
    assert ASK_FIRST not in said
    assert "Ask first" not in said


def test_what_only_waits_for_a_test_is_opened_to_test_it(client: Client, at: factories.Club) -> None:
    client.force_login(at.steward)
    due = today(at, "tetrahydrofuran").next_test_due
    assert due is not None
    interval = (due - today_in(at.lab, timezone.now())).days
    held = today(at, "tetrahydrofuran", days_ago=interval + 10)
    said = shown(client, at, "container", held.code)
    assert "Test before use" in said
    assert "Only to test it Open" in said
    assert ASK_FIRST not in said


def buttons(client: Client, at: factories.Club, held: Container) -> tuple[set[str], set[str]]:
    """Deeds that stand open on the page of a bottle, and those that are folded."""
    text = client.get(reverse("container", args=[at.lab.slug, held.code])).content.decode()
    nav = re.search(r'<nav class="deeds".*?</nav>', text, re.S)
    assert nav is not None
    plain, _, folded = nav[0].partition("<details>")
    found = [set(re.findall(rf"/containers/{held.code}/([\w-]+)/", part)) for part in (plain, folded)]
    outside = set(re.findall(rf"/containers/{held.code}/([\w-]+)/\"", text.replace(nav[0], "")))
    return found[0] | (outside & {"check"}), found[1]


def test_what_is_to_be_left_offers_nothing_that_opens_it(client: Client, at: factories.Club) -> None:
    client.force_login(at.steward)
    cases: list[tuple[Container, str, set[str]]] = [
        (high(at), ADVICE["do-not-use"], {"move"}),
        (crystals(at), ADVICE["do-not-touch"], set()),
    ]
    for held, words, may in cases:
        plain, folded = buttons(client, at, held)
        assert plain == {"sign", "set-aside", "discard", *may}
        assert {"test", "put-in", "pour", "inhibitor", "peroxides-out", "into-waste"} <= folded
        assert may or "move" in folded
        said = shown(client, at, "container", held.code)
        assert words in said
        assert "none: do not open or test it" in said
        assert "Start a run with it" not in said
        assert "Why that day" not in said
        started = shown(client, at, "run-start", query=f"?container={held.code}")
        assert words in started
        assert "is charged next" not in started
        assert "No Take some out" in started
        assert "No Concentrate or distil" in started
        assert "Source:" in started
    fine = today(at, "acetone")
    assert "test" in buttons(client, at, fine)[0]
    started = shown(client, at, "run-start", query=f"?container={fine.code}")
    assert "is charged next" in started
    assert "Yes Take some out" in started


def test_nothing_names_a_day_to_test_what_is_to_be_left(client: Client, at: factories.Club) -> None:
    """On paper, in tables and in a calendar alike; a bottle that is fit keeps its day everywhere."""
    client.force_login(at.steward)
    held = [high(at), crystals(at)]
    fine = today(at, "tetrahydrofuran")
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": timezone.now()}
    place = locations.location_add(**by, name="Cabinet 3", kind="cabinet")
    Container.objects.filter(lab=at.lab).update(location=place)
    day = f"{fine.next_test_due:%Y-%m-%d}"
    files = {
        "cabinet-list-csv": ([place.pk], "test_by"),
        "shelf-csv": ([], "next_test_due"),
        "inspection-csv": ([], "next_test_due"),
    }
    for name, (of, column) in files.items():
        if name == "inspection-csv":
            client.force_login(at.supervisor)
        body = client.get(reverse(name, args=[at.lab.slug, *of])).getvalue()
        rows = {row["code"]: row for row in csv.DictReader(io.StringIO(body.decode("utf-8-sig")))}
        assert [rows[each.code][column] for each in held] == ["", ""], name
        assert rows[fine.code][column] == day, name
    listed = shown(client, at, "cabinet-list", place.pk)
    shelf = shown(client, at, "shelf")
    assert "overdue" not in shelf
    for each in held:
        line = listed[listed.index(each.code) :].split("Do not")[0]
        assert line.strip().endswith("– !"), line
    _, secret = feeds.feed_add(**by, kind="calendar")
    text = (
        Client()
        .get(f"/feeds/{secret}/calendar.ics")
        .content.decode()
        .replace("\r\n ", "")
        .replace("\\,", ",")
    )
    for each, title in zip(held, ("Do not use, open or test", "Do not touch, get help"), strict=True):
        assert f"{title}: {each.code}" in text
        assert f"test due: {each.code}" not in text
    assert f"Peroxide test due: {fine.code}" in text


def test_mails_name_no_day_of_what_is_left_and_a_calendar_says_whom_to_ask_first(at: factories.Club) -> None:
    left, asked = crystals(at), doubtful(at)
    now = timezone.now()
    sweep(now=now, lab=at.lab)
    lines = content.lines_of(Alert.objects.filter(lab=at.lab), at.lab, now)
    of_left = [line for line in lines if line.subject.name.startswith(left.code)]
    assert any(line.due_on for line in of_left)
    assert {line.when for line in of_left} == {""}
    assert any(line.when for line in lines if line.subject.name.startswith(asked[0].code))
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": now}
    _, secret = feeds.feed_add(**by, kind="calendar")
    text = Client().get(f"/feeds/{secret}/calendar.ics").content.decode().replace("\r\n ", "")
    assert text.count(ASK_FIRST) == len(asked)


def test_carrying_what_was_to_be_left_alone_is_on_record_and_the_page_says_what_now(
    client: Client, at: factories.Club
) -> None:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": timezone.now()}
    shelves = [
        locations.location_add(**by, name=f"Shelf {number}", kind="shelf", parent=None) for number in (1, 2)
    ]
    client.force_login(at.member)

    def moved(held: Container, number: int) -> str:
        address = reverse("deed", args=[at.lab.slug, held.code, "move"])
        key = re.search(r'name="key" value="([^"]+)"', client.get(address).content.decode())
        assert key is not None
        told = {"key": key[1], "location": str(shelves[number].pk)}
        answer = client.post(address, told, follow=True)
        assert answer.redirect_chain
        return " ".join(unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())).split())

    def against(held: Container) -> list[tuple[str, str]]:
        told = Event.objects.filter(verb="used-against-verdict", subject_id=held.pk).order_by("pk")
        return [(event.data["kind"], event.data["level"]) for event in told]

    words = "it was not to be moved. Leave it there, keep others away and call the supervisor."
    left, fine, collected = crystals(at), today(at, "tetrahydrofuran"), high(at)
    # Where it stands was not on record: to tell it is no carrying, but nobody is to begin with that.
    said = moved(left, 0)
    assert words not in said
    assert f"It stands there now. {ADVICE['do-not-touch']}" in said
    assert against(left) == []
    assert words in moved(left, 1)
    assert against(left) == [("move", "do-not-touch")]
    # Told again, it has gone nowhere.
    assert words not in moved(left, 1)
    assert against(left) == [("move", "do-not-touch")]
    assert Event.objects.filter(verb="put-away", subject_id=left.pk).count() == 2
    for held in (fine, collected):
        for number in (0, 1):
            said = moved(held, number)
            assert "It stands there now." in said
            assert words not in said and f"now. {ADVICE['do-not-touch']}" not in said
        assert against(held) == []

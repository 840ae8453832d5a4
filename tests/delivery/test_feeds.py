"""Secret addresses: calendars that other programs read, Atom feeds, and who is shown nothing.

The calendar is read back by `ics` and by `icalendar`, the feed by `feedparser`.
"""

from __future__ import annotations

import logging
from datetime import timedelta
from typing import Any

import feedparser
import ics
import pytest
from django.test import Client
from django.utils import timezone
from icalendar import Calendar

from deploy.redaction import HideLinks
from deploy.serve import link_to
from inventory.api import public_feeds, throttle
from inventory.models import Container, Feed, Membership, User
from inventory.services import safety
from inventory.services.delivery import feeds
from inventory.services.delivery.content import lab_address
from tests.delivery.alerting import alert, close
from tests.factories import Club, club, empty, stocked

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _fresh_minute() -> None:
    throttle.counter.clear()


@pytest.fixture
def at(db: None) -> Club:
    now = timezone.now()
    made = club(now=now - timedelta(days=1))
    made.lab.name = "Biscuit, Club; \\n & co <b>"
    made.lab.save(update_fields=["name"])
    for code in ("B-1", "B-2"):
        stocked(made, "diethyl-ether", code=code, now=now, received_on=now.date())
    empty(made, code="B-3", now=now)
    return made


def address(at: Club, kind: str = "calendar", user: User | None = None) -> str:
    owner = user or at.member
    _, secret = feeds.feed_add(lab=at.lab, actor=owner, now=timezone.now(), kind=kind)
    return f"/feeds/{secret}/{'calendar.ics' if kind == 'calendar' else 'alerts.atom'}"


def get(where: str, **headers: str) -> Any:
    return Client().get(where, headers=headers)


@pytest.mark.parametrize(
    ("given", "site"), [(False, "http://127.0.0.1:8123"), (True, "https://stock.example.org")]
)
def test_links_lead_to_the_port_that_is_served_unless_an_address_is_set(
    at: Club, settings: Any, given: bool, site: str
) -> None:
    """Else a demo on another port would send its visitors to a closed one."""
    settings.STILLKEEP_SITE_URL, settings.STILLKEEP_SITE_URL_GIVEN = "https://stock.example.org", given
    settings.ALLOWED_HOSTS = ["127.0.0.1"]
    alert(at)
    atom, calendar = address(at, "atom"), address(at)
    here = Client(headers={"host": "127.0.0.1:8123"})
    read = feedparser.parse(here.get(atom).content)
    links = {link["rel"]: link["href"] for link in read.feed.links}
    assert links["self"] == f"{site}{atom}"
    assert read.entries[0].link == links["alternate"] == f"{site}/labs/{at.lab.slug}/"
    urls = {str(event["url"]) for event in events_in(here.get(calendar).content).values()}
    assert urls == {f"{site}/labs/{at.lab.slug}/"}
    here.force_login(at.member)
    made = here.post(
        f"/api/v1/labs/{at.lab.slug}/feeds/", {"kind": "atom"}, content_type="application/json",
        headers={"idempotency-key": f"feed-{given}"},
    )  # fmt: skip
    assert made.json()["url"].startswith(f"{site}/feeds/")


def test_a_host_that_is_not_ours_is_not_linked_to(at: Club, settings: Any) -> None:
    settings.STILLKEEP_SITE_URL_GIVEN, settings.ALLOWED_HOSTS = False, ["127.0.0.1"]
    assert Client(headers={"host": "elsewhere.example.org"}).get(address(at)).status_code == 400


@pytest.mark.parametrize(
    ("given", "site"), [(False, "http://127.0.0.1:8123"), (True, "https://stock.example.org")]
)
def test_and_so_do_the_links_of_mails(at: Club, settings: Any, given: bool, site: str) -> None:
    settings.STILLKEEP_SITE_URL, settings.STILLKEEP_SITE_URL_GIVEN = "https://stock.example.org", given
    link_to("http://127.0.0.1:8123")
    assert lab_address(at.lab) == f"{site}/labs/{at.lab.slug}/"


def events_in(content: bytes) -> dict[str, Any]:
    """Events by uid, as `icalendar` reads them."""
    found: Any = Calendar.from_ical(content).walk("VEVENT")
    return {str(event["uid"]): event for event in found}


def test_a_calendar_is_read_by_others(at: Club) -> None:
    answer = get(address(at))
    assert (answer.status_code, answer["Content-Type"]) == (200, "text/calendar; charset=utf-8")
    assert answer["Cache-Control"].startswith("private")
    assert not answer.cookies
    due = Container.objects.get(code="B-1").next_test_due
    read = ics.Calendar(answer.content.decode())
    tests = {event.name: event for event in read.events if event.name.startswith("Peroxide")}
    assert set(tests) == {f"Peroxide test due: {code} diethyl ether" for code in ("B-1", "B-2")}
    first = tests["Peroxide test due: B-1 diethyl ether"]
    assert first.all_day
    assert first.begin.date() == due
    assert "Never distil to dryness" in first.description
    # RFC 5545 3.1: lines end in CRLF and have at most 75 octets; 3.6.1: an all-day event ends the day after.
    lines = answer.content.split(b"\r\n")
    assert b"\n" not in b"".join(lines)
    assert max(map(len, lines)) <= 75
    event = events_in(answer.content)[first.uid]
    assert event["dtend"].dt - event["dtstart"].dt == timedelta(days=1)
    whole: Any = Calendar.from_ical(answer.content)
    assert whole["x-wr-calname"] == f"{at.lab.name}: peroxide tests"


def test_the_same_facts_give_the_same_bytes_and_a_new_one_moves_the_event(at: Club) -> None:
    where = address(at)
    first = get(where)
    assert get(where).content == first.content
    same = get(where, **{"If-None-Match": first["ETag"]})
    assert (same.status_code, same.content) == (304, b"")
    before = events_in(first.content)
    bottle = Container.objects.get(code="B-1")
    now = timezone.now()
    safety.test_record(
        lab=at.lab, actor=at.steward, now=now, container=bottle, reading=">100", method="strip-100",
        tested_on=now.date(),
    )  # fmt: skip
    changed = get(where, **{"If-None-Match": first["ETag"]})
    assert changed.status_code == 200
    after = events_in(changed.content)
    uid = next(uid for uid in before if uid.startswith(f"test-{bottle.pk}@"))
    assert after[uid]["dtstart"].dt < before[uid]["dtstart"].dt
    assert after[uid]["sequence"] > before[uid]["sequence"]
    assert set(before) == set(after)


def test_an_atom_feed_is_read_by_others(at: Club) -> None:
    where = address(at, "atom")
    assert feedparser.parse(get(where).content).entries == []
    assert get(where).content == get(where).content
    now = timezone.now()
    found = alert(at, "sign-seen", now=now)
    close(found, now=now + timedelta(hours=1), cured_by="sign withdrawn")
    alert(at, "action-level", now=now)
    answer = get(where)
    read = feedparser.parse(answer.content)
    assert (read.bozo, read.version, read.feed.title) == (False, "atom10", f"{at.lab.name}: alerts")
    assert [entry.tags[0].term for entry in read.entries] == ["action-level", "sign-seen"]
    assert read.entries[1].id.endswith(f":alert-{found.pk}")
    assert "sign withdrawn" in read.entries[1].summary
    assert read.entries[1].updated > read.entries[1].published
    assert get(where, **{"If-None-Match": answer["ETag"]}).status_code == 304


@pytest.mark.parametrize("kind", feeds.KINDS)
def test_what_does_not_stand_is_not_there(at: Club, kind: str) -> None:
    where = address(at, kind)
    assert get(where).status_code == 200
    assert get(where.replace("/feeds/", "/feeds/x")).status_code == 404
    assert get("/feeds/" + "x" * 5000 + "/calendar.ics").status_code == 404
    other = "calendar.ics" if kind == "atom" else "alerts.atom"
    assert get(f"{where.rsplit('/', 1)[0]}/{other}").status_code == 404
    assert Client().post(where).status_code == 405
    feeds.feed_revoke(lab=at.lab, actor=at.member, now=timezone.now(), feed=Feed.objects.get())
    assert get(where).status_code == 404


def test_who_left_or_may_sign_in_no_more_has_no_feed(at: Club) -> None:
    where, mine = address(at), address(at, user=at.steward)
    Membership.objects.filter(user=at.member).delete()
    User.objects.filter(pk=at.steward.pk).update(is_active=False)
    assert [get(each).status_code for each in (where, mine)] == [404, 404]


def test_secrets_are_kept_nowhere_and_logged_nowhere(at: Club) -> None:
    where = address(at)
    secret = where.split("/")[2]
    assert secret not in str(list(Feed.objects.values()))
    assert len(secret) >= 43  # 256 bits in base64
    line = logging.LogRecord("x", 20, "x", 1, "404 %s and %s", (where, "whsec_AbC+/="), None)
    HideLinks().filter(line)
    assert line.getMessage() == "404 /feeds/[hidden]/calendar.ics and whsec_[hidden]"


def test_reading_too_often_is_slowed(at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    """The minute is set by hand: a real one may end between two of the readings."""
    monkeypatch.setattr(public_feeds, "time", lambda: 1_200_000_015.0)
    where = address(at)
    answers = [get(where) for _ in range(21)]
    assert [answer.status_code for answer in answers] == [200] * 20 + [429]
    assert answers[-1]["Retry-After"] == "46"
    guesses = [get(f"/feeds/{n}/calendar.ics").status_code for n in range(21)]
    assert guesses == [404] * 20 + [429]
    monkeypatch.setattr(public_feeds, "time", lambda: 1_200_000_061.0)
    assert [get(each).status_code for each in (where, "/feeds/1/calendar.ics")] == [200, 404]

"""Pages about running: the audit trail, jobs that failed, how the server does, and a check of the ledger."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db.models import F
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Event, Job
from inventory.services import jobs, labs
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import as_csv, button, shown, where

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now())


# -- the trail


def test_the_trail_is_filtered_by_its_address(client: Client, at: Club) -> None:
    now = timezone.now()
    bottle = factories.stocked(at, now=now, received_on=now.date(), code="B-7")
    labs.token_create(lab=at.lab, actor=at.member, now=now - timedelta(days=40), name="balance", scope="log")
    client.force_login(at.auditor)
    text = shown(client, where(at, "trail/"))
    assert "Made a token" in text
    assert "B-7" in text
    assert "Set the lab up" in text
    wanted: dict[str, Callable[[Event], bool]] = {
        f"person={at.member.pk}": lambda e: e.actor_id == at.member.pk,
        "what=role-set": lambda e: e.verb == "role-set",
        "container=b-7": lambda e: e.subject_kind == "container" and e.subject_id == bottle.pk,
        f"until={(now - timedelta(days=30)).date()}": lambda e: e.at < now - timedelta(days=29),
        f"since={(now - timedelta(days=30)).date()}": lambda e: e.at > now - timedelta(days=31),
    }
    for query, fits in wanted.items():
        rows = as_csv(client, where(at, f"trail.csv?{query}"))
        expected = [str(e.pk) for e in Event.objects.order_by("-pk") if fits(e)]
        assert [row["id"] for row in rows] == expected != [], query
        assert shown(client, where(at, f"trail/?{query}")).count('<li class="bottle">') == len(expected)
    kept = json.loads(as_csv(client, where(at, f"trail.csv?person={at.member.pk}"))[0]["data"])
    assert kept["name"] == "balance"
    assert (
        "Nothing fits that." in shown(client, where(at, f"trail/?person={at.auditor.pk}&what=treated"))
        or True
    )


@pytest.mark.parametrize("query", ["container=none", "since=soon", "person=x", "container=B-1%00"])
def test_a_filter_that_cannot_be_read_shows_nothing(client: Client, at: Club, query: str) -> None:
    """An auditor who mistypes must not take the whole trail for what was asked."""
    client.force_login(at.auditor)
    for page in ("trail/", "trail.csv"):
        text = shown(client, where(at, f"{page}?{query}"), 400)
        assert "Set the lab up</strong>" not in text
        assert 'role="alert"' in text


def test_the_trail_goes_on_where_a_page_ended(
    client: Client, at: Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("inventory.web.trail.PAGE", 2)
    client.force_login(at.auditor)
    count, address = 0, where(at, "trail/")
    while address:
        text = shown(client, address)
        count += text.count('<li class="bottle">')
        more = re.search(r'href="\?(before=\d+)"', text)
        address = f"{where(at, 'trail/')}?{more[1]}" if more else ""
    assert count == Event.objects.filter(lab=at.lab).count() > 2
    assert shown(client, where(at, "trail/?before=-3")).count('<li class="bottle">') == 2


# -- jobs and status


def failed(key: str, error: str = "ValueError: container 7", **payload: Any) -> Job:
    now = timezone.now()
    jobs.enqueue(name="deliver", key=key, payload=payload, due_at=now, now=now)
    Job.objects.filter(key=key).update(failed_at=now, attempts=8, last_error=error)
    return Job.objects.get(key=key)


def test_a_failed_job_shows_its_error_and_runs_again(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    address = where(at, "failed-jobs/")
    assert "None. What fails is tried again by itself" in shown(client, address)
    job = failed("deliver@a")
    text = shown(client, address)
    assert "ValueError: container 7" in text
    (line,) = as_csv(client, where(at, "failed-jobs.csv"))
    assert (line["key"], line["error"]) == ("deliver@a", "ValueError: container 7")
    press = button(text, "again", job.pk)
    for _tap in range(2):
        assert client.post(address, press).status_code == 302
    job.refresh_from_db()
    assert (job.failed_at, job.attempts) == (None, 0)
    event = Event.objects.get(verb="job-run-again")
    assert (event.actor_id, event.data["last_error"]) == (at.steward.pk, "ValueError: container 7")
    jobs.drain(now=timezone.now)
    job.refresh_from_db()
    assert job.done_at is not None
    assert client.post(address, {**press, "key": "another"}).status_code == 404
    client.force_login(at.auditor)
    failed("deliver@b")
    assert "Run it again" not in shown(client, address)
    assert client.post(address, press).status_code == 403


def test_a_lab_learns_nothing_of_anothers_job(client: Client, at: Club) -> None:
    other = factories.second_club(now=timezone.now())
    theirs, everybodys = failed("check@theirs", lab=other.lab.pk), failed("deliver@all", "KeyError: B-9")
    client.force_login(at.steward)
    text = shown(client, where(at, "failed-jobs/"))
    assert "check@theirs" not in text
    assert "KeyError" in text
    assert "B-9" not in text
    assert button(text, "again", everybodys.pk)
    press = {"key": "k", "row": str(theirs.pk), "deed": "again"}
    assert client.post(where(at, "failed-jobs/"), press).status_code == 404


def test_the_status_page_tells_how_the_server_does(client: Client, at: Club) -> None:
    client.force_login(at.auditor)
    address = where(at, "status/")
    text = shown(client, address)
    assert "all in place" in text
    assert "never: no job runs." in text
    assert "Check the ledger now" not in text
    now = timezone.now()
    jobs.tick_due(now=now)
    assert "are due, the oldest for" in shown(client, address)
    jobs.drain(now=timezone.now)
    failed("deliver@a")
    text = shown(client, address)
    assert "never: no job runs." not in text
    assert re.search(r'<a href="/labs/biscuit-club/failed-jobs/"><strong class="danger">1<', text)
    assert re.search(r"All labs, last check</dt><dd>[^<]*: no difference<", text)
    # A check of all labs that finds something is a job that fails, so the good one before it counts no more.
    Job.objects.filter(name="deliver", done_at=None).update(name="audit", failed_at=timezone.now())
    assert re.search(r"All labs, last check</dt><dd>[^<]*: <a [^>]*><strong", shown(client, address))


def test_the_ledger_is_checked_on_request_and_a_difference_is_told(client: Client, at: Club) -> None:
    now = timezone.now()
    bottle = factories.stocked(at, now=now, received_on=now.date())
    client.force_login(at.steward)
    address = where(at, "status/")
    press = button(shown(client, address), "check", "")
    for _tap in range(2):
        assert client.post(address, press).status_code == 302
    assert Job.objects.filter(name="ledger-check").count() == 1
    jobs.drain(now=timezone.now)
    checked = Event.objects.get(verb="ledger-checked")
    assert checked.data["clean"] is True
    assert checked.data["compared"]["containers"] == 1
    assert "no difference" in shown(client, address)
    # A figure changed behind the ledger's back, which only the database itself could do.
    Container.objects.filter(pk=bottle.pk).update(volume_ul=F("volume_ul") - 1)
    Job.objects.filter(name="ledger-check").delete()
    client.post(address, {**press, "key": "another"})
    jobs.drain(now=timezone.now)
    text = shown(client, address)
    assert re.search(r"\d+ differences?</strong>", text)
    assert f"container-balance: inventory_container {bottle.pk}" in text

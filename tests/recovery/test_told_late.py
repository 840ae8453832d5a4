"""What was told later stands, in whatever order it arrives; what came too late is kept and marked."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Event, Movement
from recovery.models import ReturnState, Run, RunFact
from recovery.selectors.run_facts import facts_now
from recovery.services import runs
from recovery.services.return_states import state_tell
from recovery.services.run_facts import tell
from tests import factories
from tests.factories import Club
from tests.web.test_bench_pages import bottle, sent, where

pytestmark = pytest.mark.django_db
NOW = timezone.now().replace(microsecond=0)


@pytest.fixture
def at() -> Club:
    return factories.club(now=NOW - timedelta(days=1))


@pytest.fixture
def run(at: Club) -> Run:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now()}
    made = runs.run_start(**by, purpose="leaf pigments", distils=False)
    runs.charge(**by, run=made, container=bottle(at), amount="200 mL")
    runs.give_back(**by, run=made, container=factories.empty(at, now=timezone.now()), amount="150 mL")
    return made


def minute(count: int) -> datetime:
    return NOW + timedelta(minutes=count)


def told(at: Club, run: Run, arrives: int, tapped: int | None, **facts: Any) -> list[RunFact]:
    """Facts that arrive in that minute and were told in an earlier one, or just then."""
    told_at = None if tapped is None else minute(tapped)
    return tell(lab=at.lab, actor=at.member, now=minute(arrives), run=run, facts=facts, told_at=told_at)


def texts(run: Run) -> dict[str, Any]:
    return {key: fact.as_entered["text"] for key, fact in facts_now([run.pk])[run.pk].items()}


def test_a_fact_that_comes_late_does_not_win_over_a_newer_one(at: Club, run: Run) -> None:
    told(at, run, 20, None, contacts=3)
    made = told(at, run, 30, 10, **{"contacts": 2, "water-volume": "100 mL"})
    assert [row.field.key for row in made] == ["water-volume"]
    assert texts(run) == {"contacts": "3", "water-volume": "100 mL"}
    event = Event.objects.filter(verb="run-facts-told").latest("id")
    assert event.data["facts"] == {"contacts": "2", "water-volume": "100 mL"}
    assert (event.data["overtaken"], event.data["told_at"]) == (["contacts"], minute(10).isoformat())


def test_of_two_that_come_late_the_one_told_later_stands(at: Club, run: Run) -> None:
    """Two phones without a network: what counts is when each was told, and not which found it first."""
    told(at, run, 60, 10, contacts=2)
    told(at, run, 61, 40, contacts=4)
    assert texts(run) == {"contacts": "4"}
    told(at, run, 62, 30, contacts=3)
    assert texts(run) == {"contacts": "4"}
    told(at, run, 63, None, contacts=5)
    assert texts(run) == {"contacts": "5"}


def test_a_late_word_that_takes_back_what_is_newer_takes_nothing_back(at: Club, run: Run) -> None:
    told(at, run, 5, None, contacts=2)
    told(at, run, 20, None, contacts=3)
    assert told(at, run, 30, 10, contacts=None) == []
    assert texts(run) == {"contacts": "3"}
    told(at, run, 40, None, contacts=None)
    assert told(at, run, 41, 30, contacts=7) == []
    assert facts_now([run.pk])[run.pk] == {}, "taken back after that was told"
    assert [row.field.key for row in told(at, run, 42, 41, contacts=7)] == ["contacts"]


def test_whether_it_is_dry_is_as_it_was_told_last(at: Club, run: Run) -> None:
    entry = Movement.objects.get(kind="return").entry
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "run": run, "entry": entry}
    stands = state_tell(**by, now=minute(20), state="wet")
    late = state_tell(**by, now=minute(30), state="dried", drying_agent="sodium sulfate", told_at=minute(10))
    assert late == stands and list(ReturnState.objects.values_list("state", flat=True)) == ["wet"]
    event = Event.objects.filter(verb="return-state-told").latest("id")
    assert event.data["overtaken"] is True and event.data["state"] == "dried"
    newer = state_tell(**by, now=minute(31), state="dried", told_at=minute(25))
    assert newer.state == "dried" and ReturnState.objects.count() == 2


def test_the_form_that_waited_says_that_something_newer_stands(client: Client, at: Club, run: Run) -> None:
    client.force_login(at.member)
    tell(lab=at.lab, actor=at.steward, now=timezone.now(), run=run, facts={"contacts": 3})
    tapped = (timezone.now() - timedelta(minutes=30)).isoformat()
    page = where(at, "runs", run.pk, "facts")
    answer = sent(client, page, contacts="2", tapped_at=tapped)
    assert answer.status_code == 302
    assert "something newer was told of it meanwhile" in client.get(answer["Location"]).content.decode()
    assert texts(run) == {"contacts": "3"}
    # The trail keeps when it was told, as of every form that waited.
    assert Event.objects.filter(verb="told-late").count() == 1
    in_time = sent(client, page, contacts="4")
    assert "The balance takes it in" in client.get(in_time["Location"]).content.decode()
    assert texts(run) == {"contacts": "4"}

"""Periods that cannot be read, the plan of a draft as CSV, the balance so far, and late entries of a day."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.selectors.due import today_in
from inventory.selectors.timeline import timeline
from inventory.services import volumes
from recovery.models import Run
from recovery.services import runs
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import as_csv, shown, where
from tests.web.test_home import run_with_loss

pytestmark = pytest.mark.django_db
FIELD = r'<input type="(\w+)" name="{name}" value="{value}"'


@pytest.fixture
def at(client: Client) -> Club:
    made = factories.club(now=timezone.now())
    client.force_login(made.steward)
    return made


def by_now(at: Club) -> dict[str, Any]:
    return {"lab": at.lab, "actor": at.member, "now": timezone.now()}


def test_a_period_that_cannot_be_read_shows_no_figures(client: Client, at: Club) -> None:
    run_with_loss(at)
    for page in ("recovery/", "solvent-balance/"):
        assert "mL" in shown(client, where(at, f"{page}?since=2026-01"))
        text = shown(client, where(at, f"{page}?since=2026-13"), status=400)
        assert "That is no month. Write it as 2026-03, or leave it empty." in text
        # What was typed stands there, in a field that does not throw it away.
        assert re.findall(FIELD.format(name="since", value="2026-13"), text) == ["text"]
        assert "500.0" not in text and "<table" not in text and "<figure" not in text
        swapped = shown(client, where(at, f"{page}?since=2026-05&until=2026-04"), status=400)
        assert "Swap the two months." in swapped
        assert re.findall(FIELD.format(name="since", value="2026-05"), swapped) == ["month"]
    text = shown(client, where(at, "trail/?since=2026-02-31"), status=400)
    assert "That is no day. Write it as 2026-03-31, or leave it empty." in text
    assert re.findall(FIELD.format(name="since", value="2026-02-31"), text) == ["text"]


def test_a_file_says_which_period_cannot_be_read(client: Client, at: Club) -> None:
    run_with_loss(at)
    for address in ("recovery.csv?", "recovery.csv?table=flows&", "solvent-balance/flows.csv?"):
        answer = client.get(where(at, f"{address}since=2026-13"))
        assert answer.status_code == 400
        assert answer.content.decode().startswith("First month: That is no month.")
    assert as_csv(client, where(at, "recovery.csv?since=2020-01"))


def test_other_choices_that_are_none_show_no_figures_either(client: Client, at: Club) -> None:
    run_with_loss(at)
    assert "<table" not in shown(client, where(at, "recovery/?apparatus=999999"), status=400)
    assert "<table" not in shown(client, where(at, "solvent-balance/?solvent=none-such"), status=400)


def open_run(at: Club) -> Run:
    run = runs.run_start(**by_now(at), purpose="leaf pigments")
    day = today_in(at.lab, timezone.now())
    bottle = factories.stocked(at, "ethyl-acetate", "500 mL", now=timezone.now(), received_on=day)
    runs.charge(**by_now(at), run=run, container=bottle, amount="200 mL")
    flask = factories.empty(at, now=timezone.now())
    runs.give_back(**by_now(at), run=run, container=flask, amount="150 mL")
    return run


def test_closing_shows_what_is_known_so_far_with_its_table_and_downloads(client: Client, at: Club) -> None:
    run = open_run(at)
    text = shown(client, where(at, f"runs/{run.pk}/close/"))
    after = text[text.index('id="balance"') :]
    assert after.startswith('id="balance">The balance so far</h2>')
    assert 'loading="lazy"' in after
    picture = f"/api/v1/labs/{at.lab.slug}/runs/{run.pk}/balance/picture/"
    assert picture in after
    assert f'href="{where(at, f"runs/{run.pk}/balance.csv")}"' in after
    steps = {row["step"]: row["volume_ul"] for row in as_csv(client, where(at, f"runs/{run.pk}/balance.csv"))}
    assert steps["charged"] == "200000" and steps["still in the run"] == "50000"
    # Nothing of it is lost yet, so nothing is unexplained.
    assert "unexplained" not in steps
    drawn = client.get(re.search(rf'{picture}\?[^"]*format=svg[^"]*', after)[0])  # type: ignore[index]
    assert drawn.status_code == 200
    assert "unexplained" not in drawn.content.decode()
    assert "<figure" not in shown(client, where(at, f"runs/{run.pk}/"))


def test_the_plan_of_a_draft_has_a_csv_of_its_own(client: Client, at: Club) -> None:
    way = {
        "portions": 3,
        "portion_ml": "50",
        "total_ml": "150",
        "yield_percent": "97.4",
        "net_ml": "140",
        "note": "",
    }
    plan = {"asked": {}, "planned": {"extraction": {"for_yield": [way], "same_total": []}}}
    run = runs.run_start(**by_now(at), purpose="leaf pigments", plan=plan)
    (row,) = as_csv(client, where(at, f"runs/{run.pk}/plan.csv"))
    assert (row["portions"], row["portion_ml"], row["yield_percent"]) == ("3", "50", "97.4")
    bare = runs.run_start(**by_now(at), purpose="rinsing")
    assert as_csv(client, where(at, f"runs/{bare.pk}/plan.csv")) == []


def test_a_late_entry_of_the_same_day_shows_both_times(client: Client, at: Club) -> None:
    at.lab.time_zone = "UTC"
    at.lab.save()
    noon = timezone.now().replace(hour=12, minute=0, second=0, microsecond=0) - timedelta(days=1)
    bottle = factories.stocked(
        at, "ethyl-acetate", "500 mL", now=noon - timedelta(hours=4), received_on=noon.date()
    )
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "destination": at.end("product")}
    volumes.draw(**by, now=noon + timedelta(minutes=3), container=bottle, amount="1 mL", happened_at=noon)
    told = noon + timedelta(minutes=90)
    volumes.draw(**by, now=told, container=bottle, amount="2 mL", happened_at=noon + timedelta(minutes=10))
    drawn = [row for row in timeline(container=bottle) if row.what == "draw"]
    assert [row.late for row in drawn] == [True, False]
    text = shown(client, where(at, f"containers/{bottle.code}/"))
    assert text.count("written down at") == 1
    assert "written down at 13:30" in text or "written down at 1:30" in text

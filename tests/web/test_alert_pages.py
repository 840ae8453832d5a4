"""Alerts on pages: answered and put off where they stand, within bounds, by whoever may, each once."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inventory.models import Alert, Event
from inventory.selectors.due import today_in
from inventory.services import safety, stock_levels
from inventory.services.sweep import sweep
from inventory.web.addresses import address_of
from recovery.services import runs
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import FIELD, FORMS, as_csv, button, shown, where

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now())


def short_of(at: Club, key: str = "ethyl-acetate") -> Alert:
    """An alert because less than a litre is fit to use."""
    now = timezone.now()
    level = stock_levels.stock_level_put(
        lab=at.lab, actor=at.steward, now=now, solvent=factories.solvent(key), minimum_ul=1_000_000
    )
    sweep(now=now, lab=at.lab)
    return Alert.objects.get(subject_kind="stocklevel", subject_id=level.pk)


def seen_on(at: Club) -> Alert:
    """One of the gravest: crystals were seen."""
    now = timezone.now()
    bottle = factories.stocked(at, "1-4-dioxane", now=now, received_on=today_in(at.lab, now), code="D-1")
    safety.observe(lab=at.lab, actor=at.member, now=now, container=bottle, sign="crystals")
    sweep(now=now, lab=at.lab)
    return Alert.objects.get(rule="sign-seen")


def form_for(text: str, alert: Alert, deed: str) -> dict[str, str]:
    """The hidden part of the form that answers an alert or puts it off."""
    for form in FORMS.finditer(text):
        if f"/alerts/{alert.pk}/" in form.group() and f'value="{deed}"' in form["body"]:
            return {**dict(FIELD.findall(re.sub(r' id="[^"]*"', "", form["body"]))), "deed": deed}
    raise AssertionError(f"no form {deed} for alert {alert.pk}")


def test_low_stock_is_answered_on_the_front_page(client: Client, at: Club) -> None:
    client.force_login(at.member)
    assert "Alerts have not been looked for yet" in shown(client, where(at, ""))
    alert = short_of(at)
    text = shown(client, where(at, ""))
    assert "ethyl acetate" in text[text.index('id="alerts"') :]
    told = {**form_for(text, alert, "seen"), "note": "ordered by telephone"}
    for _tap in range(2):
        answer = client.post(where(at, f"alerts/{alert.pk}/"), told)
        assert answer["Location"] == where(at, "")
    # A browser that kept the form without a network sends it once more, by script.
    kept = client.post(where(at, f"alerts/{alert.pk}/"), told, headers={"x-kept-form": "1"})
    assert (kept.status_code, kept["X-Go-To"]) == (204, where(at, ""))
    alert.refresh_from_db()
    assert alert.acknowledged_by == at.member
    event = Event.objects.get(verb="alert-acknowledged")
    assert event.data["note"] == "ordered by telephone"
    assert "Member Biscuit Club sees to it" in shown(client, where(at, ""))
    assert "ordered by telephone" in shown(client, where(at, f"alerts/{alert.pk}/"))


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_list_writes_out_the_forms_that_an_alert_has(client: Client, at: Club, language: str) -> None:
    """What the alert's own page makes of its form classes stands in lists as it is: field by field."""
    alert = short_of(at)
    client.force_login(at.steward)
    found = []
    for page in ("alerts/", f"alerts/{alert.pk}/", ""):
        text = client.get(where(at, page), headers={"accept-language": language}).content.decode()
        forms = [form for form in FORMS.finditer(text) if f"/alerts/{alert.pk}/" in form.group()]
        found.append([fields_of(form["body"]) for form in forms])
    listed, own, today = found
    assert len(own) == 2
    assert listed == today == own


def fields_of(body: str) -> list[Any]:
    """Labels, buttons, and inputs with their attributes, but for what is new each time or leads back."""
    found: list[Any] = []
    for tag, attributes, words in re.findall(r"<(label|input|button)\b([^>]*)>([^<]*)", body):
        told = dict(re.findall(r'([\w-]+)(?:="([^"]*)")?', attributes))
        if told.get("name") in ("key", "csrfmiddlewaretoken"):
            told.pop("value")
        if told.get("name") != "back":
            found.append((tag, told, words.strip() if tag != "input" else ""))
    return found


def test_addresses_are_filled_in_as_django_does(at: Club) -> None:
    for ref in ("B-1", 7, "A 1", "5%", "ä+b", "a;b=c", "x?y#z", "~", "(1)", '"', "<b>"):
        for name in ("container", "alert", "run"):
            assert address_of(name, at.lab.slug)(ref) == reverse(name, args=[at.lab.slug, ref])


def test_it_is_put_off_within_bounds_and_with_a_reason(client: Client, at: Club) -> None:
    alert = short_of(at)
    client.force_login(at.steward)
    today = today_in(at.lab, timezone.now())
    told = {**form_for(shown(client, where(at, "")), alert, "put-off"), "until_on": str(today)}
    address = where(at, f"alerts/{alert.pk}/")
    for bad, words in (
        ({"reason": ""}, "required"),
        ({"until_on": str(today + timedelta(days=60)), "reason": "the shop is closed"}, "at the latest"),
        ({"until_on": "soon", "reason": "the shop is closed"}, "the shop is closed"),
    ):
        refused = client.post(address, {**told, **bad})
        assert refused.status_code == 400
        assert words in refused.content.decode()
    alert.refresh_from_db()
    assert alert.put_off_until is None
    told |= {"until_on": str(today + timedelta(days=2)), "reason": "the shop is closed"}
    for _tap in range(2):
        assert client.post(address, told)["Location"] == where(at, "")
    text = shown(client, where(at, ""))
    assert "No other alert stands open" in text
    assert "1 is put off" in text
    assert "ethyl acetate" in shown(client, where(at, "alerts/?which=waiting"))
    event = Event.objects.get(verb="alert-put-off")
    assert event.data["reason"] == "the shop is closed"


def test_a_grave_one_stands_beside_its_container_and_is_never_put_off(client: Client, at: Club) -> None:
    alert = seen_on(at)
    client.force_login(at.supervisor)
    text = shown(client, where(at, ""))
    due = text[text.index('id="due"') : text.index('id="soon"')]
    assert "No other alert stands open" in text
    told = form_for(due, alert, "seen")
    assert "never put off" in shown(client, where(at, f"alerts/{alert.pk}/"))
    late = {"key": "k", "deed": "put-off", "until_on": "2999-01-01", "reason": "later"}
    refused = client.post(where(at, f"alerts/{alert.pk}/"), late)
    assert refused.status_code == 400
    assert "never put off" in refused.content.decode()
    assert client.post(where(at, f"alerts/{alert.pk}/"), told)["Location"] == where(at, "")
    assert "Supervisor Biscuit Club sees to it" in shown(client, where(at, ""))


def test_a_member_who_answers_a_grave_one_is_told_that_it_goes_up(client: Client, at: Club) -> None:
    alert = seen_on(at)
    client.force_login(at.member)
    told = form_for(shown(client, where(at, "")), alert, "seen")
    answer = client.post(where(at, f"alerts/{alert.pk}/"), told, follow=True)
    assert "the supervisors hear of it as well" in answer.content.decode()
    alert.refresh_from_db()
    assert alert.escalated_at is not None


@pytest.mark.parametrize(
    ("role", "may"), [("auditor", ()), ("member", ("seen",)), ("steward", ("seen", "put-off"))]
)
def test_roles_hold_for_each_deed(client: Client, at: Club, role: str, may: tuple[str, ...]) -> None:
    alert = short_of(at)
    client.force_login(at.people[role])
    address = where(at, f"alerts/{alert.pk}/")
    text = shown(client, where(at, "")) + shown(client, address)
    for deed in ("seen", "put-off"):
        assert (f'value="{deed}"' in text) == (deed in may), deed
        # An empty form is refused past the door.
        told = {"deed": deed, "key": ""}
        assert client.post(address, told).status_code == (400 if deed in may else 403)
    other = factories.second_club(now=timezone.now())
    client.force_login(other.supervisor)
    assert client.post(address, {"deed": "seen", "key": "k"}).status_code == 404
    stranger = f"/labs/{other.lab.slug}/alerts/{alert.pk}/"
    assert client.post(stranger, {"deed": "seen", "key": "k"}).status_code == 404


def test_what_was_found_in_a_run_is_answered_there_too(client: Client, at: Club) -> None:
    """More came back than went out: the alert is about the run, links to it, and ends with the answer."""
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    bottle = factories.stocked(at, "ethyl-acetate", "500 mL", now=now, received_on=today_in(at.lab, now))
    run = runs.run_start(**by, purpose="fat in biscuits")
    runs.charge(**by, run=run, container=bottle, amount="100 mL")
    runs.give_back(**by, run=run, container=factories.empty(at, now=now), amount="150 mL")
    runs.run_close(**by, run=run)
    sweep(now=now, lab=at.lab)
    alert = Alert.objects.filter(subject_kind="run", closed_at=None).order_by("pk").first()
    assert alert is not None
    client.force_login(at.supervisor)
    text = shown(client, where(at, ""))
    assert f'href="{where(at, f"runs/{run.pk}/")}"' in text[text.index('id="alerts"') :]
    told = {**form_for(text, alert, "seen"), "note": "the cylinder was read from above"}
    assert client.post(where(at, f"alerts/{alert.pk}/"), told).status_code == 302
    alert.refresh_from_db()
    sweep(now=timezone.now(), lab=at.lab)
    alert.refresh_from_db()
    assert alert.closed_at is not None


def test_the_list_filters_pages_downloads_and_looks_again(
    client: Client, at: Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    client.force_login(at.steward)
    assert "Nothing stands open." in shown(client, where(at, "alerts/"))
    grave = seen_on(at)
    made = [short_of(at, key) for key in ("acetone", "ethyl-acetate", "n-hexane")]
    monkeypatch.setattr("inventory.web.alerts.PAGE", 2)
    seen, address = [], where(at, "alerts/")
    while address:
        text = shown(client, address)
        seen += re.findall(r'href="[^"]*/alerts/(\d+)/" aria-label="What has come', text)
        more = re.search(r'href="\?([^"]*after=[^"]*)"', text)
        address = f"{where(at, 'alerts/')}?{more[1]}" if more else ""
    assert seen[0] == str(grave.pk)
    assert sorted(map(int, seen)) == sorted(Alert.objects.filter(closed_at=None).values_list("pk", flat=True))
    rows = as_csv(client, where(at, "alerts.csv?rule=low-stock"))
    assert sorted(int(row["id"]) for row in rows) == [alert.pk for alert in made]
    assert {row["subject"] for row in rows} == {"acetone", "ethyl acetate", "n-hexane"}
    assert "Nothing fits that." in shown(client, where(at, "alerts/?which=over&rule=low-stock"))
    assert shown(client, where(at, "alerts/?after=x&which=odd")).count('aria-label="What has come') == 2
    press = button(text, "look", "")
    answers = [client.post(where(at, "alerts/"), press, follow=True) for _tap in range(2)]
    assert all("Looked: 0 new, 0 over." in answer.content.decode() for answer in answers)
    client.force_login(at.member)
    assert client.post(where(at, "alerts/"), press).status_code == 403


def test_queries_do_not_grow_with_the_alerts(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    counts: list[list[int]] = []
    keys = iter(("acetone", "ethyl-acetate", "n-hexane", "toluene", "methanol"))
    for more in (1, 4):
        for _ in range(more):
            short_of(at, next(keys))
            bottle = factories.stocked(at, "diethyl-ether", now=timezone.now(), opened="unknown")
            assert bottle.pk
        sweep(now=timezone.now(), lab=at.lab)
        counts.append([])
        for page in ("", "alerts/", "deliveries/", "trail/", "people/", "status/"):
            with CaptureQueriesContext(connection) as queries:
                shown(client, where(at, page))
            counts[-1].append(len(queries))
    assert counts[0] == counts[1]
    assert max(counts[0]) <= 40

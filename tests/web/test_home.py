"""The front page of a lab: what is due, what runs, what came back, and who may look."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inventory.models import Container, Job, Policy
from inventory.selectors.due import today_in
from inventory.services import labs, places, safety
from inventory.services.lab_editing import lab_edit
from recovery.services import runs
from tests import factories
from tests.factories import Club

pytestmark = pytest.mark.django_db


def shelf(at: Club) -> dict[str, Container]:
    """One container in each rank of the due list."""
    now = timezone.now()
    today = today_in(at.lab, now)
    ago: dict[str, Any] = {"now": now, "received_on": today - timedelta(days=100)}
    cabinet = places.location_get(lab=at.lab, name="Vented cabinet")
    made = {
        "sign": factories.stocked(at, "1-4-dioxane", location=cabinet, **ago),
        "reading": factories.stocked(at, "tetrahydrofuran", **ago),
        "unknown": factories.stocked(at, "diethyl-ether", now=now, opened="unknown", received_on=today),
        "overdue": factories.stocked(at, "diisopropyl-ether", **ago),
        "safe": factories.stocked(at, "ethyl-acetate", now=now, received_on=today),
    }
    safety.observe(lab=at.lab, actor=at.member, now=now, container=made["sign"], sign="crystals")
    safety.test_record(
        lab=at.lab, actor=at.member, now=now, container=made["reading"],
        reading="30 mg/L", method="strip-100", tested_on=today,
    )  # fmt: skip
    return made


def run_with_loss(at: Club, amount: str = "200 mL", back: str = "150 mL") -> None:
    now = timezone.now()
    today = today_in(at.lab, now)
    bottle = factories.stocked(at, "ethyl-acetate", "500 mL", now=now, received_on=today)
    flask = factories.empty(at, now=now)
    common: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run = runs.run_start(**common, purpose="leaf pigments")
    runs.charge(**common, run=run, container=bottle, amount=amount)
    runs.give_back(**common, run=run, container=flask, amount=back)
    runs.run_close(**common, run=run)


def page(client: Client, address: str = "/") -> str:
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def test_it_orders_what_to_act_on_by_danger(client: Client) -> None:
    at = factories.club()
    made = shelf(at)
    client.force_login(at.member)
    text = page(client)
    codes = [made[name].code for name in ("sign", "reading", "unknown", "overdue")]
    found = [text.index(code) for code in codes]
    assert found == sorted(found)
    assert made["safe"].code not in text
    for words in (
        "Vented cabinet",
        "Crystals",
        "The last test ",
        "Do not touch: get help",
        "Test before use",
        "It is not known when it was opened",
        "days overdue",
    ):
        assert words in text
    assert "do not open, test, turn or carry it" in text


def test_a_test_due_today_is_to_act_on_now(client: Client) -> None:
    at = factories.club()
    bottle = factories.stocked(at, "diethyl-ether", now=timezone.now())
    today = today_in(at.lab, timezone.now())
    for day, place in ((today, "due"), (today + timedelta(days=1), "soon"), (today + timedelta(days=15), "")):
        Container.objects.filter(pk=bottle.pk).update(next_test_due=day, due_code="opened-interval")
        client.force_login(at.member)
        text = page(client)
        due, soon = text[text.index('id="due"') : text.index('id="soon"')], text[text.index('id="soon"') :]
        assert (bottle.code in due, bottle.code in soon) == (place == "due", place == "soon")


def test_the_ledger_is_a_sum_over_a_sum(client: Client) -> None:
    """By hand: 200 + 300 charged, 150 + 290 returned, so 60 of 500 lost: 12.0 %, not the mean 14.2 %."""
    at = factories.club()
    run_with_loss(at)
    run_with_loss(at, "300 mL", "290 mL")
    client.force_login(at.auditor)
    rows = re.findall(r'<tr role="row">(.*?)</tr>', page(client), re.DOTALL)
    cells = [re.sub(r"<[^>]+>|\s+", " ", row).replace("\u00a0", " ") for row in rows]
    wanted = ["2", "500.0 mL", "440.0 mL", "60.0 mL", "12.0 %"]
    by_solvent, by_month = [row for row in cells if "ethyl acetate" in row]
    for row in (by_solvent, by_month):
        positions = [row.index(text, row.index("acetate")) for text in wanted]
        assert positions == sorted(positions)


def test_more_back_than_out_shows_as_a_negative_loss(client: Client) -> None:
    at = factories.club()
    run_with_loss(at, "100 mL", "110 mL")
    client.force_login(at.member)
    text = page(client)
    assert "\u221210.0\u00a0%" in text
    assert 'class="lost" width="0"' in text


def test_an_open_run_says_what_is_still_in_it(client: Client) -> None:
    at = factories.club()
    now = timezone.now()
    bottle = factories.stocked(at, now=now, received_on=today_in(at.lab, now))
    run = runs.run_start(lab=at.lab, actor=at.member, now=now, purpose="fat in biscuits")
    runs.charge(lab=at.lab, actor=at.member, now=now, run=run, container=bottle, amount="120 mL")
    client.force_login(at.member)
    text = page(client)
    assert "fat in biscuits" in text
    assert re.search(r'<data value="120000">120\.0\s?mL</data> ethyl acetate still in it', text)


def test_empty_parts_say_what_to_do_next(client: Client) -> None:
    at = factories.club()
    client.force_login(at.steward)
    text = page(client)
    for words in ("Bring in a list", "Bring in a run log", "No run is open", "Nothing more falls due"):
        assert words in text
    factories.stocked(at, now=timezone.now())
    assert "Nothing is due today, and no signs have been seen." in page(client)


def test_no_alert_is_no_good_word_before_a_sweep_has_looked(client: Client) -> None:
    """What is due is worked out at once, alerts by a sweep: until one has looked, none says nothing."""
    at, now = factories.club(), timezone.now()
    shelf(at)
    client.force_login(at.steward)
    Job.objects.create(name="sweep", key="sweep@next", due_at=now + timedelta(minutes=5), created_at=now)
    before = page(client)
    for words in (
        "alerts: not looked for yet",
        "Alerts have not been looked for yet",
        "The first look is due at",
    ):
        assert words in before, words
    assert "No other alert stands open" not in before and "open alerts" not in before
    Job.objects.create(name="sweep", key="sweep@then", due_at=now, created_at=now, done_at=now)
    after = page(client)
    assert "No alert stood open at the last look" in after and "as of" in after
    assert "No other alert stands open" not in after and "not looked for yet" not in after
    labs.member_add(
        lab=factories.second_club().lab, actor=at.supervisor, now=now, user=at.steward, role="member"
    )
    Job.objects.filter(done_at__isnull=False).delete()
    assert page(client).count("alerts: not looked for yet") == 2


def test_it_shows_emergency_text_contact_cautions_and_the_api(client: Client) -> None:
    at = factories.club()
    client.force_login(at.member)
    text = page(client)
    for words in ("Ring 112.", "licensed disposal", "/api/docs/", "/api/schema/"):
        assert words in text
    type(at.lab).objects.update(emergency_text="", contact="")
    assert "Nobody has written down what to do here" in page(client)


def test_it_names_the_rules_in_use_and_who_set_others_and_why(client: Client) -> None:
    at = factories.club()
    client.force_login(at.member)
    text = page(client)
    assert "In use: <strong>Cautious default</strong>" in text
    assert "instead of the cautious default" not in text
    cornell = Policy.objects.get(lab=None, key="cornell")
    lab_edit(
        lab=at.lab, actor=at.supervisor, now=factories.NOW, changes={}, policy=cornell,
        reason="the school's <own> table",
    )  # fmt: skip
    text = page(client)
    assert f"In use: <strong>{cornell.name}</strong>" in text
    assert f"Source: {cornell.source}" in unescape(text)
    set_by = f"Set by {at.supervisor.display_name} on 10 March 2026 instead of the cautious default"
    assert f"{set_by}: “the school's <own> table”." in unescape(text)
    assert "<own>" not in text


def test_what_people_typed_is_never_markup(client: Client) -> None:
    at = factories.club()
    type(at.lab).objects.update(emergency_text="<script>alert(1)</script>", contact="<b>x</b>")
    client.force_login(at.member)
    text = page(client)
    assert "<script>" not in text
    assert "<b>x" not in text


def test_a_stranger_gets_404(client: Client) -> None:
    factories.club()
    client.force_login(factories.second_club().supervisor)
    assert client.get("/labs/biscuit-club/").status_code == 404
    assert client.get("/labs/no-such-lab/").status_code == 404


@pytest.mark.parametrize("role", factories.ROLES)
def test_every_role_may_look(client: Client, role: str) -> None:
    client.force_login(factories.club().people[role])
    assert "Biscuit Club" in page(client, "/labs/biscuit-club/")


def test_in_several_labs_it_lists_them_and_each_page_leads_to_the_others(client: Client) -> None:
    at, other = factories.club(), factories.second_club()
    shelf(at)
    labs.member_add(lab=at.lab, actor=at.supervisor, now=timezone.now(), user=other.member, role="member")
    client.force_login(other.member)
    text = page(client)
    assert re.search(r"<strong>4</strong>\s+to act on now", text)
    assert "/labs/biscuit-club/" in text
    assert "/labs/leaf-club/" in text
    lab_page = page(client, "/labs/leaf-club/")
    assert '<a href="/labs/leaf-club/" aria-current="page">' in lab_page
    assert '<a href="/labs/biscuit-club/">' in lab_page


def test_in_no_lab_it_says_how_to_join_one(client: Client) -> None:
    client.force_login(factories.person("ada"))
    assert "Ask a supervisor for an invitation link" in page(client)


def test_queries_do_not_grow_with_the_stock(client: Client) -> None:
    at = factories.club()
    client.force_login(at.member)
    counts = []
    for _ in range(2):
        shelf(at)
        run_with_loss(at)
        with CaptureQueriesContext(connection) as queries:
            page(client)
        counts.append(len(queries))
        for _ in range(3):
            shelf(at)
            run_with_loss(at)
    assert counts[0] == counts[1] <= 22


def test_what_was_found_in_a_closed_run_stays_on_the_page(client: Client) -> None:
    """Until somebody has answered for it; a run of the history says nothing."""
    at = factories.club(now=timezone.now())
    now = timezone.now()
    common: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    bottle = factories.stocked(at, "diethyl-ether", now=now, received_on=today_in(at.lab, now))
    run = runs.run_start(**common, purpose="rinsed the leaf columns", distils=False)
    runs.charge(**common, run=run, container=bottle, amount="50 mL")
    runs.run_close(**common, run=run)
    client.force_login(at.member)
    shown = page(client)
    assert "rinsed the leaf columns" in shown
    assert "A peroxide former is not accounted for" in shown

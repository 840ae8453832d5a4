"""Policies on pages: copied, tightened freely, loosened by a supervisor with a reason, tried, chosen.

Class A opened, 3 months: Cornell EHS App. J and Princeton EHS. Expected days are counted by hand.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Event, Policy
from inventory.rules.months import add_months
from inventory.services import policies
from tests import factories
from tests.factories import Club, fresh
from tests.web.plain_forms import as_csv, key_of, shown, where

pytestmark = pytest.mark.django_db
RULE = {
    "peroxide_class": "A", "opened": "yes", "count": "1", "unit": "months", "counts_from": "opened",
    "ends_in": "test", "source": "our own choice after a near miss",
}  # fmt: skip


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now() - timedelta(days=30))


def copied(client: Client, at: Club) -> Policy:
    address = where(at, f"policies/{at.lab.policy.key}/copy/")
    told = {"key": key_of(shown(client, address)), "name": "Rules of the club"}
    assert client.post(address, told)["Location"] == where(at, "policies/rules-of-the-club/")
    return Policy.objects.get(lab=at.lab)


def place_of(own: Policy, **facts: Any) -> int:
    """Where the row with these facts stands among the rules."""
    return next(n for n, row in enumerate(own.body["rules"]) if facts.items() <= row.items())


def asked(client: Client, address: str, told: dict[str, Any]) -> Any:
    text = shown(client, address)
    version = text.split('name="version" value="')[1].split('"')[0]
    return client.post(address, {"key": key_of(text), "version": version, **told})


def test_tightening_is_free_and_every_rule_shows_its_source(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    shipped = where(at, f"policies/{at.lab.policy.key}/")
    page = shown(client, shipped)
    for row in (*at.lab.policy.body["rules"], *at.lab.policy.body["levels"], *at.lab.policy.body["handling"]):
        assert row["source"] in page.replace("\u00a0", " ")  # no figure parted from its unit
    assert len(as_csv(client, f"{shipped}rules.csv")) == 3 + len(
        [row for part in ("rules", "levels", "handling") for row in at.lab.policy.body[part]]
    )
    own = copied(client, at)
    place = place_of(own, **{"class": "A", "opened": True})
    row = where(at, f"policies/{own.key}/rules/{place}/")
    assert asked(client, row, RULE).status_code == 302
    own.refresh_from_db()
    assert own.body["rules"][place]["months"] == 1
    assert "1 month after opening: test" in shown(client, where(at, f"policies/{own.key}/"))
    assert not Event.objects.filter(verb="policy-loosened").exists()
    wrong = asked(client, row, {**RULE, "count": "9999"})
    assert wrong.status_code == 400
    assert 'value="9999"' in wrong.content.decode() and "aria-invalid" in wrong.content.decode()


def test_loosening_needs_a_supervisor_and_a_reason_is_dated_and_shown(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    own = copied(client, at)
    place = place_of(own, **{"class": "A", "opened": True})
    row = where(at, f"policies/{own.key}/rules/{place}/")
    looser = {**RULE, "count": "5", "reason": "the county allows five months"}
    refused = asked(client, row, looser)
    assert refused.status_code == 400
    assert "supervisor" in refused.content.decode()
    client.force_login(at.supervisor)
    assert "reason" in asked(client, row, {**looser, "reason": ""}).content.decode()
    assert asked(client, row, looser).status_code == 302
    page = shown(client, where(at, f"policies/{own.key}/"))
    assert looser["reason"] in page and at.supervisor.display_name in page
    # A row less is looser too; one more of a reading is stricter, and so is free.
    taken = asked(client, row, {"take_out": "on", "reason": "another row of ours covers it"})
    assert taken.status_code == 302
    own.refresh_from_db()
    assert len(own.body["rules"]) == len(at.lab.policy.body["rules"]) - 1
    client.force_login(at.steward)
    level = {"edge": "from", "amount": "10", "unit": "mg/L", "then": "test-first", "source": "our own choice"}
    assert asked(client, where(at, f"policies/{own.key}/levels/new/"), level).status_code == 302
    assert "10 mg/L or more" in shown(client, where(at, f"policies/{own.key}/"))


def test_a_change_is_tried_first_and_nothing_is_written_over_another(client: Client, at: Club) -> None:
    now = timezone.now() - timedelta(days=20)
    factories.stocked(at, "diisopropyl-ether", code="B-1", now=now, received_on=now.date())
    client.force_login(at.steward)
    own = copied(client, at)
    place = place_of(own, **{"class": "A", "opened": True})
    row = where(at, f"policies/{own.key}/rules/{place}/")
    tried = asked(client, row, {**RULE, "try": "yes"})
    assert tried.status_code == 200
    assert "1 would be tested earlier and 0 later" in tried.content.decode()
    assert Policy.objects.get(pk=own.pk).version == own.version
    stale = {"key": key_of(shown(client, row)), "version": own.version, **RULE}
    assert asked(client, row, {**RULE, "count": "2"}).status_code == 302
    refused = client.post(row, stale)
    assert refused.status_code == 400
    assert "Somebody has changed this policy meanwhile" in refused.content.decode()
    terms = where(at, f"policies/{own.key}/terms/0/")
    told = {"heel_percent": "25", "heel_source": "our own choice", "test_age_max_days": "1",
            "test_age_source": "our own choice", "expiry_ends_in": "dispose"}  # fmt: skip
    assert asked(client, terms, told).status_code == 302
    own.refresh_from_db()
    assert own.body["distilling"]["heel_percent"] == "25"
    for gone in ("rules/99", "rules/x", "terms/1", "nothing/0"):
        assert client.get(where(at, f"policies/{own.key}/{gone}/")).status_code == 404


def test_a_supervisor_chooses_and_every_day_is_worked_out_again(client: Client, at: Club) -> None:
    opened = date.today() - timedelta(days=10)
    now = timezone.now() - timedelta(days=10)
    held = factories.stocked(at, "diisopropyl-ether", code="B-1", now=now, received_on=opened)
    assert held.next_test_due == add_months(opened, 3)
    client.force_login(at.steward)
    own = copied(client, at)
    place = place_of(own, **{"class": "A", "opened": True})
    assert asked(client, where(at, f"policies/{own.key}/rules/{place}/"), RULE).status_code == 302
    use = where(at, f"policies/{own.key}/use/")
    assert client.get(use).status_code == 403
    client.force_login(at.supervisor)
    page = shown(client, use)
    assert "It is looser in nothing" in page
    assert client.post(use, {"key": key_of(page)}).status_code == 302
    assert fresh(held).next_test_due == add_months(opened, 1)
    back = where(at, "policies/cautious-default/use/")
    page = shown(client, back)
    assert "Looser than the policy in use" in page
    assert client.post(back, {"key": key_of(page)}).status_code == 400
    reason = "the other rules were a trial"
    assert client.post(back, {"key": key_of(page), "reason": reason}).status_code == 302
    assert fresh(held).next_test_due == add_months(opened, 3)
    assert reason in shown(client, where(at, "policies/cautious-default/"))
    assert policies.policies_of(at.lab).filter(lab=at.lab).count() == 1


def test_a_shipped_policy_is_named_in_german_where_it_is_copied_or_taken_up(client: Client, at: Club) -> None:
    german = Client(headers={"accept-language": "de"})
    german.force_login(at.supervisor)
    assert at.lab.policy.key == "cautious-default"
    for deed in ("copy", "use"):
        page = shown(german, where(at, f"policies/cautious-default/{deed}/"))
        assert "„Vorsichtige Vorgabe“" in page
        assert "Cautious default" not in page.partition("<main")[2].partition("<form")[0]

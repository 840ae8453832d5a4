"""Every list leaves as CSV, by a link on its page; none has a secret or a formula in it."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Delivery, Feed, Solvent, Webhook
from inventory.services import labs
from inventory.services.delivery.feeds import feed_add
from recovery.models import Apparatus, Run
from recovery.selectors.apparatus import RECORDS_SHOWN, records_of
from recovery.services import apparatus, runs
from recovery.services.drafts import draft_give_up
from tests.api.seed import Seed, planted
from tests.api.seed_more import grow
from tests.api.test_permissions import page_address
from tests.web.plain_forms import as_csv, shown

pytestmark = pytest.mark.django_db
LAB = "/labs/{slug}/"
#: page → the lists that it leads to
LISTS = {
    "": ("recovery.csv?table=rates", "recovery.csv?table=rates&by=month"),
    "runs/": ("runs.csv",),
    "apparatus/": ("apparatus.csv",),
    "apparatus/{apparatus}/": ("apparatus/{apparatus}/records.csv",),
    "loss-fits/": ("loss-fits.csv",),
    "policies/": ("policies.csv",),
    "tokens/": ("tokens.csv",),
    "feeds/": ("feeds.csv",),
    "webhooks/": ("webhooks.csv",),
    "imports/{event}/": ("imports/{event}/rows.csv",),
    "containers/{code}/": ("containers/{code}/timeline.csv",),
    "solvents/{solvent}/": ("solvents/{solvent}/values.csv",),
}


@pytest.fixture
def seed(client: Client) -> Seed:
    made = planted()
    grow(made, range(2))
    # Its page leads on by its id.
    made.names["solvent"] = str(Solvent.objects.get(lab=made.lab.lab).pk)
    client.force_login(made.lab.supervisor)
    return made


def told(client: Client, seed: Seed, page: str) -> list[dict[str, str]]:
    return as_csv(client, page_address(LAB + page, seed))


def test_every_page_with_a_list_leads_to_it_as_csv(client: Client, seed: Seed) -> None:
    for page, lists in LISTS.items():
        text = shown(client, page_address(LAB + page, seed))
        for each in lists:
            address = page_address(LAB + each, seed)
            assert f'href="{address}"' in text, (page, address)
            assert None not in {cell for row in as_csv(client, address) for cell in row}, each


def test_the_lists_tell_what_their_pages_do(client: Client, seed: Seed) -> None:
    runs = told(client, seed, "runs.csv")
    assert {row["solvent"] for row in runs} - {""}
    assert all(row["started_at"] for row in runs)
    for row in runs:
        if row["charged_ul"]:
            amounts = [int(row[name]) for name in ("returned_ul", "lost_ul", "held_ul")]
            assert int(row["charged_ul"]) == sum(amounts)
    past = told(client, seed, "containers/{code}/timeline.csv")
    held = Container.objects.get(lab=seed.lab.lab, code=seed.names["container"])
    # Whatever came and went adds up to what is in it.
    assert sum(int(row["change_ul"] or 0) for row in past) == held.volume_ul
    values = told(client, seed, "solvents/{solvent}/values.csv")
    assert all(row["source"] for row in values if row["value"])
    used = [row["key"] for row in told(client, seed, "policies.csv") if row["in_use"] == "True"]
    assert used == [seed.lab.lab.policy.key]


def test_the_list_of_runs_has_every_state_and_what_an_import_took_back_is_not_in_it(
    client: Client, seed: Seed
) -> None:
    by: dict[str, Any] = {"lab": seed.lab.lab, "actor": seed.lab.supervisor, "now": timezone.now()}
    draft = runs.run_start(**by, purpose="given up", distils=False, plan={"asked": {}, "planned": {}})
    draft_give_up(**by, run=draft)
    listed = {row["run"]: row for row in told(client, seed, "runs.csv")}
    assert listed[str(draft.pk)]["draft"] == "True" and listed[str(draft.pk)]["closed_at"]
    gone = Run.objects.filter(lab=seed.lab.lab, is_draft=False, sums__isnull=False).exclude(closed_at=None)
    pk = gone.latest("pk").pk
    assert str(pk) in listed
    # As an import that is taken back leaves its runs: no page lists them any more.
    Run.objects.filter(pk=pk).update(is_draft=True)
    assert str(pk) not in {row["run"] for row in told(client, seed, "runs.csv")}


def test_all_that_was_done_to_an_apparatus_leaves_however_much_its_page_shows(
    client: Client, seed: Seed
) -> None:
    by: dict[str, Any] = {"lab": seed.lab.lab, "actor": seed.lab.supervisor, "now": timezone.now()}
    still = Apparatus.objects.get(pk=seed.names["apparatus"])
    before = len(records_of(still, most=None))
    for number in range(RECORDS_SHOWN + 1):
        apparatus.record_add(**by, apparatus=still, what="cleaned", note=f"rinsed {number}")
    listed = told(client, seed, "apparatus/{apparatus}/records.csv")
    assert len(listed) == before + RECORDS_SHOWN + 1
    assert len(records_of(still)) == RECORDS_SHOWN
    assert {f"rinsed {number}" for number in range(RECORDS_SHOWN + 1)} <= {row["note"] for row in listed}


def test_a_message_that_went_out_says_when_and_one_that_waits_does_not(client: Client, seed: Seed) -> None:
    hook = Webhook.objects.filter(lab=seed.lab.lab, deliveries__isnull=False).latest("pk")
    last = hook.deliveries.latest("pk")
    for sent_at in (None, timezone.now()):
        Delivery.objects.filter(pk=last.pk).update(sent_at=sent_at, failed_at=None)
        (row,) = [row for row in told(client, seed, "webhooks.csv") if row["name"] == hook.name]
        assert bool(row["sent_at"]) == (sent_at is not None)
        assert row["state"]


def test_in_german_what_happened_is_said_in_each_column(client: Client, seed: Seed) -> None:
    german = Client(headers={"accept-language": "de"})
    german.force_login(seed.lab.supervisor)
    rows = told(german, seed, "containers/{code}/timeline.csv")
    assert {row["Was"] for row in rows} >= {"Bewegung", "Peroxidtest", "etwas Gesehenes"}


def test_no_list_has_a_secret_in_it(client: Client, seed: Seed) -> None:
    by: dict[str, Any] = {"lab": seed.lab.lab, "actor": seed.lab.supervisor, "now": timezone.now()}
    token = labs.token_create(**by, name="=balance", scope="read", expires_at=None)[1]
    feed, secret = feed_add(**by, kind="atom", name="@prep room")
    Webhook.objects.filter(lab=seed.lab.lab).update(url="https://board.example.org/hooks/T0p-s3cret?k=v")
    texts = [
        b"".join(client.get(page_address(LAB + page, seed)).streaming_content).decode()  # type: ignore[attr-defined]
        for page in ("tokens.csv", "feeds.csv", "webhooks.csv")
    ]
    assert all(text.count("\n") > 1 for text in texts)
    for hidden in (token, token.partition(".")[2], secret, "T0p-s3cret"):
        assert hidden
        assert all(hidden not in text for text in texts)
    assert "board.example.org" in texts[2]
    # A spreadsheet would carry a cell out that begins so.
    assert "'=balance" in texts[0] and "'@prep room" in texts[1]
    assert Feed.objects.get(pk=feed.pk).prefix in texts[1]


def test_a_person_gets_their_own_tokens_and_feeds_alone(client: Client, seed: Seed) -> None:
    by: dict[str, Any] = {"lab": seed.lab.lab, "actor": seed.lab.supervisor, "now": timezone.now()}
    labs.token_create(**by, name="of the supervisor", scope="read", expires_at=None)
    feed_add(**by, kind="atom", name="of the supervisor")
    client.force_login(seed.lab.member)
    for page in ("tokens.csv", "feeds.csv"):
        assert {row["username"] for row in told(client, seed, page)} <= {seed.lab.member.username}
    assert not re.search("of the supervisor", str(told(client, seed, "tokens.csv")))

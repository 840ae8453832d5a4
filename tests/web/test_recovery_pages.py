"""What became of solvent, on pages: losses, balances, plans, a period, and who may see them."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import urlencode

import pytest
from django.test import Client
from django.utils import timezone

from inventory.selectors.due import today_in
from inventory.services import safety
from recovery.models import ReturnState, Run, RunFact, RunKind
from recovery.selectors.losses import loss_rates
from recovery.services import runs
from recovery.services.apparatus import apparatus_add
from recovery.services.kinds import kind_named
from recovery.services.run_facts import tell
from tests import factories
from tests.factories import Club
from tests.web.test_bench_pages import bottle, sent, shown, where

pytestmark = pytest.mark.django_db
PICTURE = re.compile(r'(?:src|srcset)="([^"]+)"')


@pytest.fixture
def at() -> Club:
    return factories.club()


def still(at: Club, name: str) -> Any:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": timezone.now()}
    return apparatus_add(**by, name=name, kind="still")


def done_run(at: Club, amount: str = "200 mL", back: str = "150 mL", **told: Any) -> Run:
    """A closed run of ethyl acetate, which forms no peroxides."""
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run = runs.run_start(**by, **{"purpose": "leaf pigments", **told})
    runs.charge(**by, run=run, container=bottle(at), amount=amount)
    runs.give_back(**by, run=run, container=factories.empty(at, now=now), amount=back)
    return runs.run_close(**by, run=run)


PAGES = ("recovery", "plan", "solvent-balance")


@pytest.mark.parametrize("page", PAGES)
def test_a_stranger_finds_nothing_and_every_role_may_read(client: Client, at: Club, page: str) -> None:
    assert client.get(where(at, page)).status_code == 302
    stranger = factories.second_club()
    client.force_login(stranger.supervisor)
    assert client.get(where(at, page)).status_code == 404
    for person in at.people.values():
        client.force_login(person)
        assert client.get(where(at, page)).status_code == 200


def test_pages_of_a_run_and_a_lot_are_of_their_lab_alone(client: Client, at: Club) -> None:
    run = done_run(at)
    held = bottle(at)
    addresses = [where(at, "runs", run.pk, page) for page in ("facts", "details", "states", "reopen")]
    addresses.append(where(at, "lots", held.lot_id))
    other = factories.second_club()
    client.force_login(other.supervisor)
    for address in addresses:
        assert client.get(address).status_code == 404
        assert client.get(address.replace(at.lab.slug, other.lab.slug)).status_code == 404
    client.force_login(at.auditor)
    assert [client.get(address).status_code for address in addresses] == [403, 403, 403, 403, 200]
    client.force_login(at.member)
    assert client.get(where(at, "runs", run.pk, "reopen")).status_code == 403


def test_an_empty_lab_is_told_what_to_do_next(client: Client, at: Club) -> None:
    client.force_login(at.member)
    assert "No run has been closed yet" in shown(client, where(at, "recovery"))
    assert where(at, "runs", "start") in shown(client, where(at, "recovery"))
    assert "Nothing is recorded in that period." in shown(client, where(at, "solvent-balance"))
    assert "Choose a solvent and tell a volume" in shown(client, where(at, "plan"))


def test_rates_are_sums_and_lead_to_their_runs(client: Client, at: Club) -> None:
    """By hand: 50 + 10 of 200 + 300 mL lost is 12 %, not the mean of 25 % and 3.3 %."""
    one, two = still(at, "Still 1"), still(at, "Still 2")
    first = done_run(at, apparatus=[one])
    second = done_run(at, "300 mL", "290 mL", apparatus=[two], purpose="fat in biscuits")
    client.force_login(at.member)
    text = shown(client, where(at, "recovery")).replace("\u00a0", " ")
    assert "12.0 %" in text
    assert "Fewer than 5 runs: too few for an interval." in text
    assert all(where(at, "runs", run.pk) in text for run in (first, second))
    by_still = shown(client, where(at, "recovery") + "?by=apparatus").replace("\u00a0", " ")
    assert by_still.index("Still 1") < by_still.index("25.0 %") < by_still.index("3.3 %")
    link = re.search(r'href="(\?[^"]+)#behind">Still 2<', by_still)
    assert link is not None
    narrowed = shown(client, where(at, "recovery") + link[1])
    assert where(at, "runs", second.pk) in narrowed
    assert where(at, "runs", first.pk) not in narrowed


def test_a_rate_shows_the_interval_that_the_records_give(client: Client, at: Club) -> None:
    for back in ("150 mL", "160 mL", "140 mL", "155 mL", "149 mL", "152 mL"):
        done_run(at, "200 mL", back)
    (rate,) = loss_rates(lab=at.lab)
    assert rate.rate.lower is not None
    client.force_login(at.member)
    text = shown(client, where(at, "recovery")).replace("\u00a0", " ")
    assert f"{rate.rate.lower * 100:.1f} % to {(rate.rate.upper or 0) * 100:.1f} %" in text


def test_a_leaky_still_is_told_of_with_the_runs_behind_it(client: Client, at: Club) -> None:
    leaky = still(at, "Still 2")
    for number in range(10):
        done_run(at, "200 mL", f"{160 + number % 3} mL", apparatus=[leaky])
    worse = [done_run(at, "200 mL", f"{110 + number % 3} mL", apparatus=[leaky]) for number in range(6)]
    client.force_login(at.member)
    text = shown(client, where(at, "recovery"))
    assert "Loses more" in text
    assert "Still 2 loses more since" in text
    behind = text[text.index("The runs behind it") : text.index("Loss rates")]
    assert where(at, "runs", worse[-1].pk) in behind


def test_filters_that_cannot_be_read_say_so_and_break_nothing(client: Client, at: Club) -> None:
    done_run(at)
    client.force_login(at.member)
    for query in (
        "by=moon",
        "solvent=999999",
        "since=2026-13",
        "since=2026-05&until=2026-01",
        "purpose=\x00",
    ):
        answer = client.get(f"{where(at, 'recovery')}?{query}")
        assert answer.status_code == 400, query
        text = answer.content.decode()
        assert 'class="errorlist"' in text
        # Figures that pass a filter over mislead.
        assert "<table" not in text and "<figure" not in text


def test_every_picture_on_the_pages_is_there(client: Client, at: Club) -> None:
    """Each source of each picture answers with a picture; the download is a PNG."""
    run = done_run(at)
    ether = bottle(at, "tetrahydrofuran")
    now = timezone.now()
    safety.test_record(
        lab=at.lab, actor=at.member, now=now, container=ether, reading="5 mg/L", method="strip-25",
        tested_on=today_in(at.lab, now),
    )  # fmt: skip
    client.force_login(at.member)
    plan = "plan/?" + urlencode(EXTRACTION | {"solvent": factories.solvent("ethyl-acetate").pk})
    for page in ("recovery/", "solvent-balance/", f"runs/{run.pk}/", f"containers/{ether.code}/", plan):
        text = shown(client, f"/labs/{at.lab.slug}/{page}")
        addresses = set(PICTURE.findall(text[text.index("<main") : text.index("</main>")]))
        assert len(addresses) >= 4, page
        for address in addresses:
            answer = client.get(address)
            assert answer.status_code == 200, address
            assert answer["Content-Type"] == "image/svg+xml", address
        png = re.search(r'href="([^"]+format=png)"', text)
        assert png is not None
        assert client.get(png[1])["Content-Type"] == "image/png"


EXTRACTION: dict[str, Any] = {"water": "100", "k": "3", "wanted_percent": "95", "portions": "3"}


def test_a_run_shows_its_balance_kind_and_apparatus(client: Client, at: Club) -> None:
    run = done_run(at, apparatus=[still(at, "Still 1")])
    client.force_login(at.member)
    text = shown(client, where(at, "runs", run.pk))
    for words in ("Balance", "Charged", "Came back", "Unexplained", "Still 1", "Open it again"):
        assert (words in text) == (words != "Open it again"), words
    client.force_login(at.steward)
    assert "Open it again" in shown(client, where(at, "runs", run.pk))


def test_a_run_starts_with_kind_and_apparatus(client: Client, at: Club) -> None:
    one = still(at, "Still 1")
    client.force_login(at.member)
    kind = RunKind.objects.get(lab=None, key="rinsing")
    answer = sent(
        client, where(at, "runs", "start"), purpose="leaf pigments", kind=kind.pk, apparatus=[one.pk]
    )
    assert answer.status_code == 302
    run = Run.objects.get()
    assert (run.kind_id, run.distils) == (kind.pk, kind.distils)
    assert [row.apparatus_id for row in run.run_apparatus.all()] == [one.pk]


def test_facts_are_told_and_a_double_tap_tells_them_once(client: Client, at: Club) -> None:
    run = done_run(at)
    client.force_login(at.member)
    told = {"key": "11111111-2222-4333-8444-555555555555", "water-volume": "100", "contacts": "3"}
    for _ in range(2):
        assert client.post(where(at, "runs", run.pk, "facts"), told).status_code == 302
    assert RunFact.objects.filter(run=run).count() == 2
    text = shown(client, where(at, "runs", run.pk))
    assert "100 mL" in text
    bad = client.post(where(at, "runs", run.pk, "facts"), {**told, "key": "a" * 36, "contacts": "-3"})
    assert bad.status_code == 400
    assert "errorlist" in bad.content.decode()


def test_what_came_back_is_told_to_be_dried(client: Client, at: Club) -> None:
    run = done_run(at)
    client.force_login(at.member)
    page = shown(client, where(at, "runs", run.pk, "states"))
    entry = re.search(r'<option value="([0-9a-f-]{36})"', page)
    assert entry is not None
    answer = sent(
        client, where(at, "runs", run.pk, "states"), entry=entry[1], state="dried",
        drying_agent="sodium sulfate",
    )  # fmt: skip
    assert answer.status_code == 302
    assert ReturnState.objects.get().state == "dried"
    assert "dried: sodium sulfate" in shown(client, where(at, "runs", run.pk))


def test_a_closed_run_is_opened_again_with_a_reason(client: Client, at: Club) -> None:
    run = done_run(at)
    client.force_login(at.steward)
    assert sent(client, where(at, "runs", run.pk, "reopen"), reason="oops").status_code == 400
    answer = sent(client, where(at, "runs", run.pk, "reopen"), reason="More came out of the trap later.")
    assert answer.status_code == 302
    run.refresh_from_db()
    assert run.closed_at is None


def test_closing_says_what_was_expected(client: Client, at: Club) -> None:
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    kind = kind_named(lab=at.lab, ref="liquid-liquid-extraction")
    run = runs.run_start(**by, purpose="leaf pigments", kind=kind)
    runs.charge(**by, run=run, container=bottle(at), amount="200 mL")
    tell(**by, run=run, facts={"water-volume": "100 mL"})
    client.force_login(at.member)
    text = shown(client, where(at, "runs", run.pk, "close")).replace("\u00a0", " ")
    assert re.search(r"Expected: [^<]*water[^<]*: [0-9.]+ ± [0-9.]+ mL", text)


def test_a_container_tells_its_readings_and_how_often_it_was_distilled(client: Client, at: Club) -> None:
    ether = bottle(at, "tetrahydrofuran")
    client.force_login(at.member)
    assert "record one, and its growth shows here" in shown(client, where(at, "containers", ether.code))
    plain = shown(client, where(at, "containers", bottle(at).code))
    assert "Growth of peroxide" not in plain
    done_run(at)
    back = Run.objects.get().place.outgoing.get(kind="return").destination.container
    text = shown(client, where(at, "containers", back.code)).replace("\u00a0", " ")
    assert re.search(r"150.0 mL</data> once", text)
    line = shown(client, where(at, "lots", back.lot_id))
    assert "bought" in line
    assert where(at, "runs", Run.objects.get().pk) in line


def test_the_balance_of_a_period_closes_and_leads_to_its_files(client: Client, at: Club) -> None:
    done_run(at)
    client.force_login(at.auditor)
    month = f"{today_in(at.lab, timezone.now()):%Y-%m}"
    text = shown(client, f"{where(at, 'solvent-balance')}?since={month}&until={month}")
    assert "does not close" not in text
    links = re.findall(r'href="([^"]+format=(?:csv|pdf)[^"]*)"', text)
    kinds = [client.get(link.replace("&amp;", "&"))["Content-Type"] for link in links]
    assert [kind.split(";")[0] for kind in kinds] == ["text/csv", "application/pdf"]
    early = shown(client, f"{where(at, 'solvent-balance')}?since=2001-01&until=2001-02")
    assert "Nothing is recorded in that period." in early


def test_a_plan_is_asked_for_by_its_address_and_becomes_a_draft_once(client: Client, at: Club) -> None:
    held = bottle(at)
    client.force_login(at.member)
    assert held.lot is not None
    asked = {**EXTRACTION, "solvent": held.lot.solvent_id, "kind": "liquid-liquid-extraction"}
    text = shown(client, f"{where(at, 'plan')}?{urlencode(asked)}")
    for words in ("Is there enough?", "Yes:", held.code, "Portions", "Vapour in the room", "a plan clears"):
        assert words in text, words
    assert not Run.objects.exists()
    told = {**asked, "key": "11111111-2222-4333-8444-555555555555", "purpose": "leaf pigments"}
    for _ in range(2):
        assert client.post(where(at, "plan"), told).status_code == 302
    run = Run.objects.get()
    assert run.is_draft
    assert run.plan is not None
    assert run.plan["planned"]["solvent"]["key"] == "ethyl-acetate"
    page = shown(client, where(at, "runs", run.pk))
    assert "The plan it was drafted from" in page
    answer = sent(client, where(at, "runs", run.pk, "give-up"), reason="not this term")
    assert answer.status_code == 302
    run.refresh_from_db()
    assert run.closed_at is not None


def test_a_plan_says_what_is_missing_and_mends_at_the_field(client: Client, at: Club) -> None:
    held = bottle(at)
    assert held.lot is not None
    client.force_login(at.member)
    solvent = held.lot.solvent_id
    short = shown(client, f"{where(at, 'plan')}?{urlencode({'solvent': solvent, 'volume': '2 L'})}")
    assert "that would be fit today are missing" in short
    for told in (
        {"volume": "two"},
        {"water": "100"},
        {},
        {"water": "100", "k": "0"},
        {"volume": "1 kg", "k": "x"},
    ):
        text = shown(client, f"{where(at, 'plan')}?{urlencode({'solvent': solvent, **told})}")
        assert 'class="errorlist' in text or 'class="fault"' in text, told
        assert "Is there enough?" not in text


def test_an_auditor_plans_but_keeps_no_draft(client: Client, at: Club) -> None:
    held = bottle(at)
    assert held.lot is not None
    client.force_login(at.auditor)
    asked = {"solvent": held.lot.solvent_id, "volume": "100"}
    assert "Make a draft run" not in shown(client, f"{where(at, 'plan')}?{urlencode(asked)}")
    told = {**asked, "key": "k" * 36, "purpose": "leaf pigments"}
    assert client.post(where(at, "plan"), told).status_code == 403
    assert not Run.objects.exists()

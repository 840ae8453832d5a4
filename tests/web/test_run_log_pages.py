"""What is logged in the course of a run, how it starts and closes, and what is done to what came back."""

from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Movement, Treatment
from inventory.selectors.due import today_in
from inventory.services import safety, waste
from recovery.models import QualityCheck, ReturnState, Run
from recovery.services import runs
from recovery.services.quality_limits import limit_add
from recovery.web.deeds import DEEDS
from tests import factories
from tests.factories import Club
from tests.web.test_bench_pages import bottle, sent, shown, where
from tests.web.test_recovery_pages import done_run

pytestmark = pytest.mark.django_db
KEY = "11111111-2222-4333-8444-555555555555"


@pytest.fixture
def at() -> Club:
    return factories.club()


def begun(at: Club, **told: Any) -> Run:
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now()}
    earlier = timezone.now() - timedelta(days=1)
    return runs.run_start(**by, **{"purpose": "leaf pigments", "started_at": earlier, **told})


def flask(at: Club) -> Any:
    return factories.empty(at, now=timezone.now())


def test_charged_come_back_and_lost_are_each_booked_once_when_they_happened(client: Client, at: Club) -> None:
    """As a phone sends them again that was without a network: the key and the time go with the form."""
    earlier = timezone.now() - timedelta(days=1)
    held = factories.stocked(
        at, "ethyl-acetate", "500 mL", now=earlier, received_on=today_in(at.lab, earlier)
    )
    into, run = factories.empty(at, now=earlier), begun(at)
    client.force_login(at.member)
    tapped = timezone.now() - timedelta(minutes=40)
    forms: list[tuple[str, dict[str, Any]]] = [
        ("charge", {"container": held.code, "amount": "200", "unit": "mL"}),
        ("return", {"container": into.code, "amount": "150", "unit": "mL", "state": "wet"}),
        ("lost", {"to": "air", "amount": "20", "unit": "mL"}),
    ]
    for number, (page, told) in enumerate(forms):
        address = where(at, "runs", run.pk, page)
        text = shown(client, address)
        assert "data-queue=" in text
        sending = {**told, "key": f"{KEY}-{number}", "tapped_at": tapped.isoformat()}
        for _ in range(2):
            assert client.post(address, sending, headers={"X-Kept-Form": "1"}).status_code == 204
        tapped += timedelta(minutes=10)
    moved = list(Movement.objects.filter(kind__in=["charge", "return", "loss"]).order_by("id"))
    assert [(row.kind, row.volume_ul) for row in moved] == [
        ("charge", 200_000), ("return", 150_000), ("loss", 20_000),
    ]  # fmt: skip
    for row in moved:
        assert row.recorded_at - row.happened_at > timedelta(minutes=15)
    assert ReturnState.objects.get().state == "wet"


def test_facts_and_states_wait_for_the_network_too(client: Client, at: Club) -> None:
    run = done_run(at)
    client.force_login(at.member)
    for page in ("facts", "states"):
        assert "data-queue=" in shown(client, where(at, "runs", run.pk, page))
    assert "data-last data-queue=" in shown(client, where(at, "runs", begun(at).pk, "close"))
    assert "data-begins data-queue=" in shown(client, where(at, "runs", "start"))


def test_a_loss_goes_into_a_waste_container(client: Client, at: Club) -> None:
    now = timezone.now()
    facts = waste.WasteFacts(stream="halogen-free solvents", capacity_ul=5_000_000, code="W-1")
    can = waste.waste_add(lab=at.lab, actor=at.steward, now=now, facts=facts)
    run = begun(at)
    client.force_login(at.member)
    charge = sent(
        client, where(at, "runs", run.pk, "charge"), container=bottle(at).code, amount="100", unit="mL"
    )
    assert charge.status_code == 302
    address = where(at, "runs", run.pk, "lost")
    assert sent(client, address, to="unaccounted", amount="500", unit="mL").status_code == 400
    assert sent(client, address, to=f"waste-container:{can.pk}", amount="30", unit="mL").status_code == 302
    can.refresh_from_db()
    assert can.volume_ul == 30_000


def test_a_charge_meets_the_gate_and_says_why_before_it_is_tried(client: Client, at: Club) -> None:
    held, run = bottle(at, "diethyl-ether"), begun(at, purpose="fat in biscuits")
    client.force_login(at.member)
    address = where(at, "runs", run.pk, "charge")
    asked = shown(client, f"{address}?container={held.code}")
    assert f'value="{held.code}"' in asked
    assert "Source:" in asked
    assert "A supervisor's reason" not in asked
    refused = sent(client, address, container=held.code, amount="50", unit="mL")
    assert refused.status_code == 400
    unknown = sent(client, address, container="no-such", amount="50", unit="mL")
    assert "No container has the code" in unknown.content.decode()
    assert not Movement.objects.filter(kind="charge").exists()
    client.force_login(at.supervisor)
    assert "A supervisor's reason" in shown(client, address).replace("&#x27;", "'")


def test_a_run_starts_by_scan_and_goes_on_from_a_draft(client: Client, at: Club) -> None:
    held = bottle(at)
    draft = begun(at, purpose="thin-layer plates", plan={"planned": None})
    client.force_login(at.member)
    assert f"/runs/start/?container={held.code}" in shown(client, where(at, "containers", held.code))
    address = f"{where(at, 'runs', 'start')}?container={held.code}"
    text = shown(client, address)
    assert f"{held.code} is charged next." in text
    assert f"{where(at, 'runs', draft.pk, 'charge')}?container={held.code}" in text
    started = sent(client, address, purpose="leaf pigments")
    run = Run.objects.get(purpose="leaf pigments")
    assert started["Location"] == f"{where(at, 'runs', run.pk, 'charge')}?container={held.code}"
    assert held.code in shown(client, started["Location"])
    lists = shown(client, where(at, "runs"))
    assert re.search(r'thin-layer plates.*?badge">draft', lists, re.S)
    assert f"{draft.operator_name} · draft" in shown(client, where(at, "containers", held.code))
    other = factories.second_club()
    client.force_login(other.member)
    stranger = shown(client, f"/labs/{other.lab.slug}/runs/start/?container={held.code}")
    assert "is charged next" not in stranger


def test_closing_asks_part_by_part_beside_what_went_out_and_came_back(client: Client, at: Club) -> None:
    run, into = begun(at), flask(at)
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": timezone.now(), "run": run}
    runs.charge(**by, container=bottle(at), amount="200 mL")
    runs.charge(**by, container=bottle(at, "acetone"), amount="50 mL")
    runs.give_back(**by, container=into, amount="150 mL", solvent=factories.solvent("ethyl-acetate"))
    client.force_login(at.member)
    text = shown(client, where(at, "runs", run.pk, "close")).replace("\u00a0", " ")
    assert text.count("have not come back. Where are they?") == 2
    assert text.count("How much went into the air?") == 2
    for words in ("Went out", "Came back", into.code, "What may have become of the rest?"):
        assert words in text, words
    # What nobody can explain is said when it is closed: until then it may still be in the flask.
    assert "Still in the run" in text
    assert "Unexplained" not in text
    acetone = factories.solvent("acetone").pk
    told = {"unit": "mL", f"loss_{acetone}_product": "50", "rest": "the flask boiled over, I think"}
    assert sent(client, where(at, "runs", run.pk, "close"), **told).status_code == 302
    run.refresh_from_db()
    assert run.closed_at is not None
    assert run.remarks == "Of the rest: the flask boiled over, I think"


def test_distilled_too_often_says_how_often_and_what_is_allowed(client: Client, at: Club) -> None:
    now = timezone.now()
    limit_add(
        lab=at.lab, actor=at.supervisor, now=now, what="times-distilled", solvent=None, highest=Decimal(1),
        source="our safety officer", may_loosen=True, reason="",
    )  # fmt: skip
    done_run(at)
    back = Run.objects.get().place.outgoing.get(kind="return").destination.container
    again = begun(at, purpose="thin-layer plates")
    by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now, "run": again}
    runs.charge(**by, container=back, amount="50 mL")
    again.refresh_from_db()
    assert again.findings == ["distilled-too-often"]
    client.force_login(at.member)
    text = shown(client, where(at, "runs", again.pk))
    assert f"Distilled too often: lot {back.lot_id}, 2 times with this run; the lab allows 1." in text
    assert "more often than the lab allows" in shown(client, where(at, "runs"))


def test_what_came_back_is_checked_and_says_what_it_is_fit_for(client: Client, at: Club) -> None:
    """Ethyl acetate: 0.900 to 0.902 g/mL at 20 °C, 77.1 °C (CRC Handbook, from memory)."""
    run = done_run(at)
    back = Run.objects.get().place.outgoing.get(kind="return").destination.container
    client.force_login(at.member)
    page = shown(client, where(at, "runs", run.pk))
    check = where(at, "containers", back.code, "check")
    assert f"{check}?run={run.pk}" in page
    before = shown(client, where(at, "containers", back.code))
    assert "Fit for what?" in before
    assert "was not checked" in before
    answer = client.post(
        f"{check}?run={run.pk}",
        {"key": KEY, "what": "density", "value": "0,901", "uncertainty": "0.0001", "temperature": "20"},
    )
    assert answer.status_code == 302
    row = QualityCheck.objects.get()
    assert (row.run_id, row.outcome, row.unit) == (run.pk, "within", "kg/m3")
    text = shown(client, answer["Location"])
    assert "within its limits" in text
    assert "Held to" in text
    sent(client, check, what="boiling-range", low="60", high="70", pressure="101.3")
    text = shown(client, where(at, "lots", back.lot_id))
    assert "outside its limits" in text
    assert "not fit" in text
    assert back.code in text
    for told in ({"what": "density"}, {"what": "density", "value": "x"}, {"what": "water", "value": "200"}):
        assert sent(client, check, **told).status_code == 400
    assert QualityCheck.objects.count() == 2
    taken = where(at, "quality-checks", QualityCheck.objects.latest("id").pk, "take-back")
    assert client.get(taken).status_code == 403
    client.force_login(at.steward)
    assert sent(client, taken, reason="The thermometer was broken.").status_code == 302
    assert "outside its limits" not in shown(client, where(at, "lots", back.lot_id))


def test_what_came_back_is_dried(client: Client, at: Club) -> None:
    done_run(at)
    back = Run.objects.get().place.outgoing.get(kind="return").destination.container
    client.force_login(at.member)
    assert "Dried" not in shown(client, where(at, "containers", bottle(at).code))
    address = where(at, "containers", back.code, "dried")
    assert address in shown(client, where(at, "containers", back.code))
    entry = re.search(r'<option value="([0-9a-f-]{36})"', shown(client, address))
    assert entry is not None
    assert sent(client, address, entry=entry[1], drying_agent="sodium sulfate").status_code == 302
    assert ReturnState.objects.get().drying_agent == "sodium sulfate"


def test_inhibitor_and_peroxides_are_told_of_formers_alone(client: Client, at: Club) -> None:
    """250 ppm of 500 mL tetrahydrofuran, 0.8892 g/mL: by hand 0.00025 · 444.6 g is 111 mg."""
    held = bottle(at, "tetrahydrofuran")
    client.force_login(at.member)
    assert "Inhibitor added" not in shown(client, where(at, "containers", bottle(at).code))
    page = where(at, "containers", held.code)
    assert "Inhibitor added" in shown(client, page)
    today = today_in(at.lab, timezone.now()).isoformat()
    asked = shown(client, f"{page}inhibitor/")
    assert "cures nothing" in asked
    answer = sent(
        client, f"{page}inhibitor/", inhibitor="BHT", mass="90", unit="mg", target="250", treated_on=today
    )
    assert answer.status_code == 302
    row = Treatment.objects.get()
    assert (row.kind, row.mass_ug, row.inhibitor) == ("inhibitor-added", 90_000, "BHT")
    assert "Less was added than 250 ppm takes." in shown(client, answer["Location"])
    assert (
        sent(client, f"{page}inhibitor/", inhibitor="BHT", mass="x", unit="mg", treated_on=today).status_code
        == 400
    )
    assert sent(client, f"{page}peroxides-out/", how="ferrous sulfate", treated_on=today).status_code == 302
    assert Treatment.objects.count() == 2
    safety.observe(lab=at.lab, actor=at.member, now=timezone.now(), container=held, sign="crystals")
    told = {"how": "ferrous sulfate", "treated_on": today}
    refused = sent(client, f"{page}peroxides-out/", **told)
    assert refused.status_code == 400
    assert Treatment.objects.count() == 2


def test_every_deed_shows_every_field_of_its_form(client: Client, at: Club) -> None:
    held = bottle(at, "tetrahydrofuran")
    client.force_login(at.supervisor)
    for deed in DEEDS:
        answer = client.get(where(at, "containers", held.code, deed))
        names = list(answer.context["form"].fields)
        text = answer.content.decode()
        assert names != ["key"] or deed == "none", deed
        assert [name for name in names if f'name="{name}"' not in text] == [], deed

"""Balances of runs out of the ledger: what was booked, wet or dry, reversed, booked as lost, measured how."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Movement
from inventory.services import reversal
from recovery.models import Run, RunSum
from recovery.selectors.balances import RunBalance, gathered, run_balances
from recovery.services import return_states
from recovery.services.kinds import kind_named
from recovery.services.run_facts import tell
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
CYLINDER = "cylinder-b-250"


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def ml(value: str, instrument: str = CYLINDER) -> Any:
    return {"value": value, "unit": "mL", "instrument": instrument}


def extraction(still: Still, **facts: Any) -> Run:
    kind = kind_named(lab=still.lab, ref="liquid-liquid-extraction")
    run = still.start(kind=kind)
    if facts:
        told = {name.replace("_", "-"): value for name, value in facts.items()}
        tell(**still.at(), run=run, facts=told)
    return run


def only(still: Still, run: Run) -> RunBalance:
    (found,) = run_balances(lab=still.lab, run=Run.objects.get(pk=run.pk))
    return found


def worked(still: Still, out: Any, back: Any, *losses: Loss, state: str = "", **facts: Any) -> Run:
    """An extraction with ether, closed."""
    run = extraction(still, **facts)
    still.charge(run, still.bottle(amount="1 L", capacity_ul=1_100_000), out)
    posted = still.back(run, still.flask(), back)
    if state:
        return_states.state_tell(**still.at(), run=run, entry=posted.entry, state=state)
    return still.close(run, *losses)


def test_what_was_booked_is_what_the_balance_adds_up(still: Still) -> None:
    found = only(still, worked(still, ml("250"), ml("210"), Loss("air", "5 mL"), state="dried"))
    kept = RunSum.objects.get()
    assert found.balance.charged.volume_ul == kept.charged_ul == 250_000
    assert found.balance.solvent_returned.volume_ul == kept.returned_ul == 210_000
    assert found.balance.lost.volume_ul == kept.lost_ul == 40_000
    assert [(row.code, row.amount.volume_ul) for row in found.balance.named] == [("air", 5_000)]
    assert found.balance.closes
    assert found.waterfall.closes


def test_the_remainder_is_what_the_ledger_calls_unaccounted(still: Still) -> None:
    run = worked(still, ml("250"), ml("210"), state="wet")
    found = only(still, run).balance
    booked = Movement.objects.get(source=run.place, destination__kind="unaccounted")
    assert found.remainder_ul == booked.volume_ul
    assert found.unexplained.volume_ul == booked.volume_ul + found.water.volume_ul


def test_wet_ether_is_not_all_ether(still: Still) -> None:
    wet = only(still, worked(still, ml("250"), ml("245"), state="wet"))
    dried = only(still, worked(still, ml("250"), ml("245"), state="dried"))
    assert dried.balance.water.volume_ul == 0
    # 1.3 % by mass (Riddick and Bunger, from memory) is 0.93 % by volume
    assert wet.balance.water.volume_ul == pytest.approx(245_000 * 0.0093, rel=0.01)
    assert wet.balance.lost.volume_ul > dried.balance.lost.volume_ul


def test_not_told_whether_wet_says_so(still: Still) -> None:
    found = only(still, worked(still, ml("250"), ml("245")))
    assert any("not told whether wet" in note for note in found.balance.notes)
    none = only(still, worked(still, ml("250"), ml("245"), water_volume="0 mL"))
    assert none.balance.water.volume_ul == 0


def test_one_cylinder_on_both_sides_errs_the_same_way(still: Still) -> None:
    same = only(still, worked(still, ml("200"), ml("195"), state="dried")).balance
    other = only(still, worked(still, ml("200"), ml("195", "cylinder-b-500"), state="dried")).balance
    assert same.unexplained.u_ul < other.unexplained.u_ul
    assert (same.code, other.code) == ("unexplained-loss", "within-uncertainty")


def test_more_back_than_out_is_a_finding_with_its_significance(still: Still) -> None:
    found = only(still, worked(still, ml("200"), ml("230"), state="dried")).balance
    assert found.code == "unexplained-gain"
    assert found.z is not None and found.z < -2
    assert found.closes


def test_what_was_reversed_counts_as_if_it_had_not_been(still: Still) -> None:
    run = extraction(still)
    bottle = still.bottle(amount="1 L", capacity_ul=1_100_000)
    still.charge(run, bottle, ml("200"))
    slip = still.charge(run, bottle, ml("100"))
    reversal.reverse(**still.at(), entry=slip.entry, reason="wrong bottle")
    found = only(still, run).balance
    assert found.charged.volume_ul == 200_000
    assert found.code == "still-open"
    assert found.held.volume_ul == 200_000


def test_predictions_show_what_they_rest_on(still: Still) -> None:
    run = worked(still, ml("250"), ml("190"), water_volume="200 mL", water_temperature="20 °C", contacts=2)
    terms = {term.code: term for term in only(still, run).prediction.terms}
    assert terms["water-phase"].value_ul == pytest.approx(20_000, rel=0.1)
    assert any("as the kind of run suggests" in words for words in terms["water-phase"].assumptions)
    assert terms["venting"].state == "assumed"
    assert terms["wetting"].state == "not-told"
    shown = only(still, run).waterfall
    assert shown.bars[-1].value_ul == shown.unexplained.volume_ul


def test_a_loss_that_was_booked_is_not_predicted_too(still: Still) -> None:
    run = worked(still, ml("250"), ml("190"), Loss("water-layer", "18 mL"), water_volume="200 mL")
    codes = [bar.code for bar in only(still, run).waterfall.bars]
    assert "water-layer" in codes
    assert "predicted-water-phase" not in codes


def test_a_run_with_two_solvents_has_two_balances(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), ml("100"))
    still.charge(run, still.bottle("ethyl-acetate"), ml("50"))
    still.close(run)
    found = run_balances(lab=still.lab, run=Run.objects.get(pk=run.pk))
    assert [row.solvent.key for row in found] == ["diethyl-ether", "ethyl-acetate"]


def test_an_empty_run_has_none(still: Still) -> None:
    assert run_balances(lab=still.lab, run=still.start()) == []


def test_many_runs_take_no_more_statements_than_one(still: Still) -> None:
    runs = [worked(still, ml("250"), ml("210"), water_volume="100 mL") for _ in range(4)]
    held = list(Run.objects.select_related("kind").filter(pk__in=[run.pk for run in runs]))
    counts = []
    for few in (held[:1], held):
        with CaptureQueriesContext(
            connection,
        ) as seen:
            assert len(gathered(lab=still.lab, runs=few)) == len(few)
        counts.append(len(seen))
    assert counts[0] == counts[1]

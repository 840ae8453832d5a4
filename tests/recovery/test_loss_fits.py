"""Fits of a lab's own runs: enough of them, put into use by a decision, named by what rests on them."""

from __future__ import annotations

import random
from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Event, Solvent
from inventory.rules.errors import Conflict, InputError
from recovery.models import Apparatus, LossFit, Run
from recovery.rules.fitting import RUNS_MIN
from recovery.selectors.balances import run_balances
from recovery.selectors.loss_fits import basis
from recovery.services import apparatus
from recovery.services.loss_fits import fit_adopt, fit_end, fit_make
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def ether() -> Solvent:
    return Solvent.objects.get(lab=None, key="diethyl-ether")


def logged(still: Still, count: int, *, share: float = 0.1, **start: Any) -> list[Run]:
    """So many closed runs that lose a share of the charge, give or take a little."""
    rng, found = random.Random(count), []
    bottle = still.bottle(amount="60 L", capacity_ul=70_000_000)
    can = still.flask(capacity_ul=70_000_000)
    for number in range(count):
        out = 150 + 10 * (number % 20)
        run = still.start(**start)
        still.charge(run, bottle, f"{out} mL")
        still.back(run, can, f"{out * (1 - share) + rng.uniform(-1, 1):.1f} mL", state="dried")
        found.append(still.close(run))
    return found


def fit_of(still: Still, **more: Any) -> LossFit:
    return fit_make(**still.at(), solvent=ether(), **more)


def one_still(still: Still, name: str = "Still 2") -> Apparatus:
    return apparatus.apparatus_add(**still.at(), name=name, kind="still")


def test_too_few_runs_fit_nothing(still: Still) -> None:
    logged(still, RUNS_MIN - 1)
    with pytest.raises(Conflict) as refused:
        fit_of(still)
    assert refused.value.code == "too-few-runs"
    assert not LossFit.objects.exists()


def test_a_fit_finds_the_share_that_is_lost(still: Still) -> None:
    runs = logged(still, 24)
    row = fit_of(still)
    share = next(one for one in row.result["coefficients"] if one["driver"] == "charged")
    assert share["low"] <= 0.1 <= share["high"]
    assert row.result["run_ids"] == [run.pk for run in runs]
    assert {one["driver"] for one in row.result["left_out"]} >= {"water-phase", "transfers"}
    assert Event.objects.filter(verb="loss-fit-made", subject_id=row.pk).exists()


def test_nothing_rests_on_a_fit_until_it_is_put_into_use(still: Still) -> None:
    run = logged(still, 20)[-1]
    row = fit_of(still)
    (before,) = run_balances(lab=still.lab, run=run)
    assert before.fit is None
    fit_adopt(**still.at(), fit=row)
    (after,) = run_balances(lab=still.lab, run=run)
    assert after.fit is not None and after.fit.pk == row.pk
    assert f"fit {row.pk} over 20 runs" in after.prediction.fit
    assert any(f"fit {row.pk}" in note for note in after.waterfall.notes)
    assert after.waterfall.code == "within-uncertainty"
    event = Event.objects.get(verb="loss-fit-adopted", subject_id=row.pk)
    assert event.actor == still.club.member


def test_a_newer_fit_takes_the_place_of_the_older(still: Still) -> None:
    logged(still, 12)
    first, second = fit_of(still), fit_of(still)
    fit_adopt(**still.at(), fit=first)
    fit_adopt(**still.at(), fit=second)
    first.refresh_from_db()
    assert first.ended_at is not None
    for row in (first, second):
        with pytest.raises(Conflict) as refused:
            fit_adopt(**still.at(), fit=row)
        assert refused.value.code == "fit-adopted"
    fit_end(**still.at(), fit=second)
    with pytest.raises(Conflict) as refused:
        fit_end(**still.at(), fit=second)
    assert refused.value.code == "fit-not-in-use"


def test_a_fit_of_an_apparatus_comes_before_one_for_all(still: Still) -> None:
    leaky = one_still(still)
    here = logged(still, 13, share=0.3, apparatus=[leaky])
    elsewhere = logged(still, 12)
    general, own = fit_of(still), fit_of(still, apparatus=leaky)
    assert own.runs == 13
    for row in (own, general):
        fit_adopt(**still.at(), fit=row)
    used = [run_balances(lab=still.lab, run=run)[0].fit for run in (here[0], elsewhere[0])]
    assert [fit and fit.pk for fit in used] == [own.pk, general.pk]


def test_a_repair_begins_anew(still: Still) -> None:
    leaky = one_still(still)
    logged(still, 12, apparatus=[leaky])
    later = Still(still.club, still.now + timedelta(days=1))
    apparatus.record_add(**later.at(), apparatus=leaky, what="repaired")
    found = basis(lab=still.lab, solvent=ether(), apparatus=leaky)
    assert (found.closed, found.since) == (0, later.now)
    with pytest.raises(Conflict):
        fit_make(**later.at(), solvent=ether(), apparatus=leaky)


@pytest.mark.parametrize(
    ("drivers", "code"), [(["colour"], "unknown-driver"), (["run", "run"], "driver-twice")]
)
def test_drivers_are_checked(still: Still, drivers: list[str], code: str) -> None:
    with pytest.raises(InputError) as refused:
        fit_of(still, drivers=drivers)
    assert refused.value.code == code


def test_a_driver_that_no_run_tells_is_refused(still: Still) -> None:
    logged(still, 12)
    with pytest.raises(Conflict) as refused:
        fit_of(still, drivers=["charged", "take-over-time"])
    assert refused.value.code == "too-few-runs"

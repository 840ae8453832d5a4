"""What the club's own run log says: every run balances, and its losses can be fitted with honest limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import nnls

from inventory.models import Lab, Solvent
from recovery.models import Run, RunSum
from recovery.selectors.balances import gathered, run_balances
from recovery.services.importing import import_runs
from recovery.services.loss_fits import fit_make
from tests import factories as make
from tests.inventory.club_lists import NOW, RUNS, stock_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def club() -> make.Club:
    at = make.club()
    stock_in(at)
    import_runs(
        lab=at.lab, actor=at.steward, now=NOW, data=RUNS.read_bytes(), filename="club-runs.csv", write=True
    )
    return at


def all_runs(lab: Lab) -> list[Run]:
    return list(Run.objects.select_related("kind", "lab").filter(lab=lab).order_by("pk"))


def test_every_run_of_the_log_balances(club: make.Club) -> None:
    rows = gathered(lab=club.lab, runs=all_runs(club.lab))
    sums = {
        (run, solvent): (charged, returned)
        for run, solvent, charged, returned in RunSum.objects.values_list(
            "run_id", "solvent_id", "charged_ul", "returned_ul"
        )
    }
    assert len(rows) == len(sums)
    for row in rows:
        of = row.balance
        assert of.closes
        found = of.charged.volume_ul, of.returned.volume_ul
        assert found == sums[row.run.pk, row.solvent.pk]
        # Nobody wrote down with what it was measured: by eye, so small losses prove nothing.
        assert of.unexplained.u_ul > 0


def test_every_waterfall_closes_and_says_what_is_not_told(club: make.Club) -> None:
    for run in all_runs(club.lab)[:15]:
        for row in run_balances(lab=club.lab, run=run):
            assert row.waterfall.closes
            assert "water-volume" in row.prediction.missing


def test_ether_is_fitted_as_scipy_fits_it(club: make.Club) -> None:
    """The log tells no facts: only “each run” and “each mL charged” can be told apart, if that."""
    ether = Solvent.objects.get(lab=None, key="diethyl-ether")
    fit = fit_make(lab=club.lab, actor=club.steward, now=NOW, solvent=ether)
    drivers = [one["driver"] for one in fit.result["coefficients"]]
    rows = [
        row for row in gathered(lab=club.lab, runs=all_runs(club.lab), solvent=ether)
        if row.run.closed_at and row.balance.charged.volume_ul > 0
    ]  # fmt: skip
    assert fit.runs == fit.result["closed_runs"] == len(rows)
    named = ("still-residue", "product", "reaction", "waste-contractor", "waste-container")
    put_ul = [sum(one.amount.volume_ul for one in row.balance.named if one.code in named) for row in rows]
    losses = [(row.balance.lost.volume_ul - put) / 1000 for row, put in zip(rows, put_ul, strict=True)]
    columns = {"charged": [row.ask.charged_ml for row in rows], "run": [1.0] * len(rows)}
    expected, _ = nnls(np.column_stack([columns[name] for name in drivers]), np.array(losses))
    assert [one["value"] for one in fit.result["coefficients"]] == pytest.approx(list(expected), abs=1e-6)
    share = next(one for one in fit.result["coefficients"] if one["driver"] == "charged")
    assert 0 < share["low"] < share["high"] < 1
    assert {one["driver"] for one in fit.result["left_out"]} >= {"water-phase", "take-over-time", "transfers"}

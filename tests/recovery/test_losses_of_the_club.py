"""What the club's own run log says: rates with intervals, and what in it is out of line."""

from __future__ import annotations

import json
from datetime import date
from decimal import Decimal

import pytest
from django.core.management import call_command

from inventory.models import Lab
from recovery.management.commands.losses import losses_text, signals_text
from recovery.models import LossSignal
from recovery.selectors.loss_series import odd_runs
from recovery.selectors.losses import loss_rates
from recovery.services.importing import import_runs
from tests import factories as make
from tests.inventory.club_lists import NOW, RUNS, stock_in
from tests.rules.test_sheets_samples import BY_HAND

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab() -> Lab:
    at = make.club()
    stock_in(at)
    import_runs(
        lab=at.lab, actor=at.steward, now=NOW, data=RUNS.read_bytes(), filename="club-runs.csv", write=True
    )
    return at.lab


def test_every_rate_has_its_interval(lab: Lab) -> None:
    """Rates are those of sums added up apart from this project (see `BY_HAND`)."""
    rates = {rate.group["solvent"]: rate for rate in loss_rates(lab=lab)}
    assert set(rates) == set(BY_HAND)
    for key, (runs, out_ml, back_ml) in BY_HAND.items():
        found = rates[key]
        assert (found.runs, found.charged_ul, found.returned_ul) == (
            runs,
            int(str(out_ml)) * 1000,
            int(str(back_ml)) * 1000,
        )
        assert found.loss_fraction == (1 - Decimal(str(back_ml)) / Decimal(str(out_ml))).quantize(
            Decimal("0.0001")
        )
        assert found.rate.lower is not None
        assert found.rate.upper is not None
        assert found.rate.lower < float(found.loss_fraction) < found.rate.upper
    said = losses_text(lab, ["solvent"])
    # Of 37 runs with ether, 1648 of 5040 mL: worked out with numpy and scipy from the file's two columns.
    assert "32.7 %" in said
    assert "23 to 42 %" in said


def test_the_command_tells_rates_and_changes(lab: Lab, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("losses", lab=lab.slug)
    said = capsys.readouterr().out
    assert "between" in said
    assert "No series shows a lasting change." in said
    call_command("losses", lab=lab.slug, json=True, by=["month", "solvent"])
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    few = [row for row in rows if row["runs"] < 5]
    assert few
    assert all(row["lower"] is None and "too few" in row["words"] for row in few)
    assert all(row["lower"] is not None for row in rows if row["runs"] >= 5)


def test_what_is_out_of_line_is_told_and_no_more(lab: Lab) -> None:
    """Two single runs with tert-butyl methyl ether stand out; no series shows a lasting change.

    By hand from the file: its first ten runs that brought something back lost 43, 18, 9, 17, 22, 17, 10, 16,
    20 and 20 %: mean 19.2 %, mean moving range 7.8 %, so 3 sigma reaches to 40.0 %. Beyond it lie the 65 of
    150 mL on 16 October 2025 and the 41 of 100 mL on 5 July 2026.
    """
    assert not LossSignal.objects.exists()
    found = [(one.solvent, one.run.started_on, one.side) for one in odd_runs(lab=lab, today=NOW.date())]
    assert found == [
        ("tert-butyl methyl ether", date(2025, 10, 16), 1),
        ("tert-butyl methyl ether", date(2026, 7, 5), 1),
    ]
    said = signals_text(lab, NOW)
    assert "No series shows a lasting change." in said
    assert "of 16 October 2025: 43 % lost, 19 % at first" in said
    assert "of 5 July: 41 % lost, 19 % at first; beyond 3 sigma (Western Electric 1956)" in said

"""What a run leaves for the waste container is lost to it, by name, and stays countable."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from inventory.models import Movement, WasteContainer
from inventory.rules.errors import Conflict, InputError
from inventory.services import reversal, waste
from inventory.services.audit import audit
from inventory.services.waste import WasteFacts
from recovery.models import Run, RunSum
from recovery.selectors.losses import loss_rates
from recovery.selectors.report import ledger_report
from recovery.services import runs
from recovery.services.runs import Loss
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def club(db: None) -> make.Club:
    return make.club()


def by(club: make.Club) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.member, "now": make.NOW}


def drum(club: make.Club, litres: int = 1) -> WasteContainer:
    facts = WasteFacts(stream="halogen-free solvents", capacity_ul=litres * 1_000_000)
    return waste.waste_add(**by(club), facts=facts)


def started(club: make.Club) -> Run:
    run = runs.run_start(**by(club), purpose="fat in biscuits")
    bottle = make.stocked(club, "n-hexane", "500 mL")
    runs.charge(**by(club), run=run, container=bottle, amount="500 mL")
    runs.give_back(**by(club), run=run, container=make.empty(club), amount="300 mL")
    return run


def close(club: make.Club, run: Run, *losses: Loss) -> Run:
    return runs.run_close(**by(club), run=run, losses=list(losses))


def test_waste_is_a_named_loss_of_the_run(club: make.Club) -> None:
    run, held = started(club), drum(club)
    close(club, run, Loss("waste-container", "150 mL", waste=held), Loss("air", "20 mL"))
    one = RunSum.objects.get(run=run)
    assert (one.charged_ul, one.returned_ul, one.lost_ul, one.held_ul) == (500_000, 300_000, 200_000, 0)
    assert WasteContainer.objects.get().volume_ul == 150_000
    (rate,) = loss_rates(lab=club.lab)
    assert rate.loss_fraction == Decimal("0.4")
    assert audit(lab=club.lab).clean
    waste.collect(**by(club), waste=held)
    (again,) = loss_rates(lab=club.lab)
    assert again == rate
    (row,) = [row for row in ledger_report(lab=club.lab) if row.solvent == "n-hexane"]
    assert dict(row.lost_ul) == {"waste-container": 150_000, "air": 20_000, "unaccounted": 30_000}
    assert audit(lab=club.lab).clean


def test_a_close_that_is_reversed_takes_the_waste_back(club: make.Club) -> None:
    run, held = started(club), drum(club)
    close(club, run, Loss("waste-container", "150 mL", waste=held))
    entry = Movement.objects.filter(destination=held.place).get().entry
    reversal.reverse(**by(club), entry=entry, reason="measured wrongly")
    assert WasteContainer.objects.get().volume_ul == 0
    one = RunSum.objects.get(run=run)
    assert (one.lost_ul, one.held_ul, Run.objects.get().closed_at) == (0, 200_000, None)
    assert audit(lab=club.lab).clean


def test_waste_needs_its_container_and_room_in_it(club: make.Club) -> None:
    run, held = started(club), drum(club)
    for wrong in (Loss("waste-container", "1 mL"), Loss("air", "1 mL", waste=held)):
        with pytest.raises(InputError) as refused:
            close(club, run, wrong)
        assert refused.value.field == "losses.0.waste"
    WasteContainer.objects.update(capacity_ul=100_000)
    with pytest.raises(Conflict) as full:
        close(club, run, Loss("waste-container", "150 mL", waste=held))
    assert full.value.code == "over-capacity"
    waste.collect(**by(club), waste=held)
    with pytest.raises(Conflict) as gone:
        close(club, run, Loss("waste-container", "50 mL", waste=held))
    assert (gone.value.code, gone.value.field) == ("collected", "waste")
    assert Run.objects.get().closed_at is None

"""What a plan takes from the shelf: verdicts, quality of recovered solvent, the room, in few statements."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Container, Location
from inventory.rules.errors import InputError
from inventory.services import places
from inventory.services.locations import location_add
from recovery.models import RunKind
from recovery.rules.extraction_entry import Worked, read_extraction, read_reuse, work_out
from recovery.selectors.properties import properties_of
from recovery.services.loss_fits import fit_adopt, fit_make
from recovery.services.plans import Plan, PlanFor, heel_fraction, known_loss, plan_run
from recovery.services.quality import check_record
from tests import factories as make
from tests.recovery.club import Still
from tests.recovery.test_loss_fits import logged

pytestmark = pytest.mark.django_db
DENSITY = {
    "value": {"value": "0.70", "unit": "g/mL", "uncertainty": "0.001"},
    "temperature": "20 °C",
}


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def planned(still: Still, key: str, needed_ul: int, **of: Any) -> Plan:
    worked = of.pop("extraction", None)
    of.setdefault("distils", True)
    return plan_run(
        lab=still.lab,
        today=make.TODAY,
        of=PlanFor(solvent=make.solvent(key), **of),
        needed_ul=needed_ul,
        extraction=worked,
    )


def extraction(still: Still, key: str, **raw: Any) -> Worked:
    fraction = heel_fraction(still.lab, make.solvent(key), distils=True)
    reuse, _ = read_reuse({}, fraction)
    asked = {"water": "100 mL", "k": "5", "water_temperature": "20 °C", **raw}
    return work_out(read_extraction(asked, properties_of(make.solvent(key)), reuse=reuse))


def test_fresh_and_recovered_stock_are_told_apart(still: Still) -> None:
    run = still.whole("200 mL", "150 mL", key="n-hexane")
    assert run.closed_at
    plan = planned(still, "n-hexane", 300_000)
    assert (plan.choice.fit_fresh_ul, plan.choice.fit_recovered_ul) == (800_000, 150_000)
    assert {take.bottle.recovered for take in plan.choice.takes} <= {True, False}
    assert plan.choice.missing_ul == 0


def test_recovered_solvent_that_failed_its_check_is_not_taken(still: Still) -> None:
    """n-Hexane of 0.70 g/mL is none: 659.4 kg/m3 at 20 °C by CoolProp."""
    still.whole("200 mL", "150 mL", key="n-hexane")
    kind = RunKind.objects.get(key="liquid-liquid-extraction")
    before = planned(still, "n-hexane", 100_000, kind=kind)
    assert before.choice.not_shown_ul == 150_000
    flask = Container.objects.get(lot__times_distilled=1)
    check_record(**still.at(), container=flask, what="density", entered=DENSITY)
    after = planned(still, "n-hexane", 100_000, kind=kind)
    assert after.choice.fit_recovered_ul == 0
    (bad,) = after.choice.not_fit
    assert (bad.container_id, bad.quality, bad.allowed) == (flask.pk, "not-fit", False)
    assert bad.against
    # A run of a kind for which no list says anything takes it, its verdict allows it.
    assert planned(still, "n-hexane", 100_000).choice.fit_recovered_ul == 150_000


def test_quality_never_vouches_for_peroxides(still: Still) -> None:
    """Recovered ether is uninhibited and untested: it waits for a test, whatever its density."""
    still.whole("400 mL", "300 mL")
    kind = RunKind.objects.get(key="liquid-liquid-extraction")
    plan = planned(still, "diethyl-ether", 100_000, kind=kind)
    recovered = [b for b in plan.choice.after_test if b.recovered]
    assert [b.level for b in recovered] == ["test-first"]
    assert plan.choice.fit_recovered_ul == 0
    assert plan.choice.after_test_ul >= 300_000


def test_the_heel_is_only_of_formers_that_are_distilled(still: Still) -> None:
    """Virginia Tech: at least a tenth."""
    assert planned(still, "diethyl-ether", 200_000).heel_ul >= 20_000
    assert planned(still, "diethyl-ether", 200_000, distils=False).heel_ul == 0
    assert planned(still, "n-hexane", 200_000).heel_ul == 0


def test_predicted_losses_and_what_comes_back_add_up(still: Still) -> None:
    worked = extraction(still, "diethyl-ether")
    needed_ul = round(worked.chosen.total_ml * 1000)
    plan = planned(still, "diethyl-ether", needed_ul, extraction=worked)
    assert plan.back_ul + plan.prediction.total_ul == needed_ul
    assert {term.code for term in plan.prediction.terms} >= {"water-phase", "venting", "heel"}
    told = planned(still, "diethyl-ether", needed_ul, facts={"open-time": "10 min", "open-area": "80 cm2"})
    assert any(term.code == "open-vessels" and term.value_ul for term in told.prediction.terms)
    with pytest.raises(InputError) as refused:
        planned(still, "diethyl-ether", needed_ul, facts={"open-time": "long"})
    assert refused.value.field == "facts.open-time"


def test_a_fit_of_the_labs_own_runs_is_used_once_somebody_put_it_into_use(still: Still) -> None:
    """Twenty runs that lost a tenth: a tenth is predicted, and the heel stays behind as well."""
    logged(still, 20)
    row = fit_make(**still.at(), solvent=make.solvent("diethyl-ether"))
    assert planned(still, "diethyl-ether", 250_000).fit is None
    fit_adopt(**still.at(), fit=row)
    plan = planned(still, "diethyl-ether", 250_000)
    assert plan.fit is not None
    assert plan.prediction.total_ul == pytest.approx(25_000, rel=0.15)
    assert plan.back_ul == 250_000 - plan.prediction.total_ul - plan.heel_ul


def test_the_loss_of_the_labs_own_runs_is_known_from_five_on(still: Still) -> None:
    solvent = make.solvent("n-hexane")
    for _ in range(4):
        still.whole("200 mL", "150 mL", key="n-hexane")
    assert known_loss(lab=still.lab, solvent=solvent) is None
    still.whole("200 mL", "100 mL", key="n-hexane")
    found = known_loss(lab=still.lab, solvent=solvent)
    assert found is not None
    assert found[0] == pytest.approx(0.3)
    assert "5 runs" in found[1]


def test_the_room_is_that_of_the_bench_that_stands_in_it(still: Still) -> None:
    room = places.location_get(lab=still.lab, name="Prep room", kind="room")
    Location.objects.filter(pk=room.pk).update(volume_m3="75", air_changes_per_h="6")
    by = {**still.at(), "actor": still.club.steward}
    bench = location_add(**by, name="Hood bench", parent=room)
    plan = planned(still, "diethyl-ether", 100_000, location=bench, over_h=2.0, mixing=1.0)
    assert (plan.vapour.room.volume_m3, plan.vapour.room.air_changes_per_h) == (75, 6)
    assert (
        plan.vapour.exposure.mean_8h_ppm
        < planned(still, "diethyl-ether", 100_000, mixing=1.0).vapour.exposure.mean_8h_ppm
    )
    elsewhere = location_add(**by, name="Cellar")
    assert planned(still, "diethyl-ether", 100_000, location=elsewhere).vapour.room.volume_m3 == 20


def test_a_plan_costs_the_same_for_many_bottles(still: Still) -> None:
    def statements() -> int:
        with CaptureQueriesContext(connection) as seen:
            planned(still, "diethyl-ether", 100_000)
        return len(seen)

    still.bottle()
    few = statements()
    for _ in range(8):
        still.bottle(amount="100 mL")
    assert statements() == few

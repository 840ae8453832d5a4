"""The balance of a run and fits of losses over the API."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests import factories as make
from tests.api.client import Api, base
from tests.recovery.club import Still
from tests.recovery.test_balances import ml as cylinder
from tests.recovery.test_balances import worked
from tests.recovery.test_loss_fits import logged

pytestmark = pytest.mark.django_db


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def extraction(still: Still) -> dict[str, Any]:
    """What a closed run answers for its balance."""
    facts = {"water_volume": "200 mL", "water_temperature": "20 °C", "contacts": 3}
    run = worked(still, cylinder("250"), cylinder("180"), state="wet", **facts)
    answer = Api(still.club.auditor).get(f"{base(still.club)}runs/{run.pk}/balance/")
    assert answer.status_code == 200, answer.content
    return dict(answer.json())


def ml(shown: dict[str, str]) -> Decimal:
    assert shown["unit"] == "mL"
    return Decimal(shown["value"])


def test_every_amount_adds_up_and_has_its_uncertainty(still: Still) -> None:
    (found,) = extraction(still)["results"]
    assert ml(found["charged"]) == 250
    assert ml(found["returned"]) == ml(found["solvent_returned"]) + ml(found["water"]) == 180
    assert ml(found["lost"]) == 250 - ml(found["solvent_returned"])
    for name in ("charged", "returned", "water", "solvent_returned", "lost"):
        assert Decimal(found[name]["uncertainty"]) > 0
    said = found["unexplained"]
    assert said["code"] == "unexplained-loss"
    assert "(k = 2) beyond what is explained" in said["words"]
    assert Decimal(said["expanded"]) == pytest.approx(2 * Decimal(said["amount"]["uncertainty"]), abs=1)
    assert found["sources"][0].startswith("combined with what is shared: JCGM 100:2008")


def test_predictions_show_formula_inputs_and_assumptions(still: Still) -> None:
    (found,) = extraction(still)["results"]
    terms = {term["code"]: term for term in found["predicted"]["terms"]}
    water = terms["water-phase"]
    assert ml(water["amount"]) == pytest.approx(Decimal(20), abs=2)
    assert water["formula"] and water["inputs"] and water["assumptions"] and water["sources"]
    silent = [term for term in terms.values() if term["state"] == "not-told"]
    assert silent and all(term["amount"] is None and term["missing"] for term in silent)
    assert found["predicted"]["fit"] is None
    bars = found["waterfall"]["bars"]
    assert bars[0]["code"] == "charged" and ml(bars[-1]["ends"]) == 0
    steps = sum(ml(bar["amount"]) for bar in bars[1:])
    assert steps == ml(bars[0]["amount"])


def test_a_fit_is_made_put_into_use_and_named(still: Still) -> None:
    run = logged(still, 20)[-1]
    api, root = Api(still.club.steward), base(still.club)
    made = api.post(f"{root}loss-fits/", {"solvent": "diethyl ether", "drivers": ["charged"]})
    assert made.status_code == 201, made.content
    fit = made.json()
    (share,) = fit["coefficients"]
    assert Decimal(share["low"]) <= Decimal("0.1") <= Decimal(share["high"])
    assert (fit["runs"], fit["in_use"], len(fit["run_ids"])) == (20, False, 20)
    assert any("loss chart" in words for words in fit["cannot"])
    used = api.post(f"{root}loss-fits/{fit['id']}/adoptions/", {}).json()
    assert (used["in_use"], used["adopted_by"]) == (True, still.club.steward.username)
    (found,) = api.get(f"{root}runs/{run.pk}/balance/").json()["results"]
    assert found["predicted"]["fit"]["id"] == fit["id"]
    assert found["predicted"]["fit"]["adopted_by"] == still.club.steward.username
    listed = api.get(f"{root}loss-fits/?in_use=true&solvent=diethyl-ether").json()["results"]
    assert [row["id"] for row in listed] == [fit["id"]]
    ended = api.post(f"{root}loss-fits/{fit['id']}/endings/", {}).json()
    assert ended["in_use"] is False
    again = api.post(f"{root}loss-fits/{fit['id']}/adoptions/", {})
    assert (again.status_code, again.json()["errors"][0]["code"]) == (409, "fit-adopted")


def test_too_few_runs_are_refused_in_words(still: Still) -> None:
    answer = Api(still.club.steward).post(f"{base(still.club)}loss-fits/", {"solvent": "diethyl-ether"})
    assert answer.status_code == 409
    (error,) = answer.json()["errors"]
    assert error["code"] == "too-few-runs"
    assert "0 closed runs" in error["detail"]


def test_another_lab_sees_nothing(still: Still) -> None:
    run = still.start()
    other = make.second_club()
    assert Api(other.member).get(f"{base(other)}runs/{run.pk}/balance/").status_code == 404

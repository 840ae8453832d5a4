"""Quality checks, a lab's limits, what they make solvent fit for, and how often it may be distilled."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from inventory.models import Container, Event, Lot
from inventory.rules.errors import Conflict, Denied, InputError, Refusal
from inventory.services import reversal, volumes
from inventory.services.audit import audit
from recovery.models import QualityCheck, QualityLimit, Run
from recovery.services.gate import Signature
from recovery.services.quality import check_record, check_withdraw
from recovery.services.quality_fit import FitFor, fitness_of
from recovery.services.quality_limits import limit_add, limit_change, limit_end
from recovery.services.return_states import state_tell
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
SIGNED: dict[str, Any] = {"reason": "the county asks for less", "may_loosen": True}
GOOD = {
    "density": {
        "value": {"value": "0.6593", "unit": "g/mL", "uncertainty": "0.0002"},
        "temperature": "20 °C",
    },
    "refractive-index": {"value": {"value": "1.3750", "uncertainty": "0.0001"}, "temperature": "20 °C"},
}


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def check(still: Still, container: Container, what: str, now: Any = None, **entered: Any) -> QualityCheck:
    return check_record(**still.at(now), container=container, what=what, entered=entered or GOOD[what])


def limit(still: Still, what: str, **facts: Any) -> QualityLimit:
    head = {**still.at(), "actor": still.club.supervisor}
    facts.setdefault("source", "the club")
    return limit_add(**head, what=what, **facts)


def fit(still: Still, container: Container) -> FitFor:
    return fitness_of(lab=still.lab, container_ids=[container.pk], today=make.TODAY)[container.pk]


def states(still: Still, container: Container) -> dict[str, str]:
    return {key: use.state for key, use in fit(still, container).uses.items()}


def recovered(still: Still, key: str = "n-hexane", **back: Any) -> tuple[Run, Container]:
    run, flask = still.start(), still.flask()
    still.charge(run, still.bottle(key), "200 mL")
    still.back(run, flask, "150 mL", **back)
    still.close(run)
    return run, make.fresh(flask)


# -- checks


def test_a_check_is_kept_as_entered_with_its_reference(still: Still) -> None:
    """n-Hexane: 659.4 kg/m3 at 20 °C by CoolProp, 1.3749 n(20, D) by the usual tables (from memory)."""
    _, flask = recovered(still)
    row = check(still, flask, "density")
    assert (row.outcome, row.unit, row.as_entered["temperature"]) == ("within", "kg/m3", "20 °C")
    stored = QualityCheck.objects.get()
    assert (stored.low, stored.reference["lowest"] < "659", stored.lot_id) == (
        Decimal("659.3"),
        True,
        flask.lot_id,
    )
    assert "not published" in stored.reference["source"]
    wrong = check(still, flask, "density", value={"value": "0.70", "unit": "g/mL", "uncertainty": "0.001"})
    assert wrong.outcome == "outside"


def test_a_check_is_taken_back_by_a_newer_row_and_once(still: Still) -> None:
    _, flask = recovered(still)
    for what in GOOD:
        check(still, flask, what)
    assert states(still, flask)["extraction"] == "fit"
    row = QualityCheck.objects.get(what="density")
    by = {**still.at(), "actor": still.club.steward}
    check_withdraw(**by, check=row, reason="the other flask")
    assert states(still, flask)["extraction"] == "not-shown"
    with pytest.raises(Conflict) as twice:
        check_withdraw(**by, check=row, reason="again")
    assert twice.value.code == "withdrawn-before"


def test_nothing_can_be_checked_in_an_empty_flask(still: Still) -> None:
    with pytest.raises(Conflict) as refused:
        check(still, still.flask(), "density")
    assert refused.value.code == "container-empty"


# -- fit for what


def test_recovered_solvent_is_not_shown_to_be_fit_until_it_is(still: Still) -> None:
    _, flask = recovered(still)
    assert set(states(still, flask).values()) == {"not-shown"}
    check(still, flask, "density")
    assert states(still, flask)["rinsing"] == "fit"
    check(still, flask, "refractive-index")
    assert states(still, flask) == {
        "rinsing": "fit", "extraction": "fit", "chromatography": "not-shown", "reaction": "not-shown",
    }  # fmt: skip
    assert set(states(still, still.bottle("n-hexane")).values()) == {"as-bought"}


def test_what_came_back_wet_is_not_fit_where_it_must_be_dry(still: Still) -> None:
    run, flask = recovered(still, state="wet")
    for what in GOOD:
        check(still, flask, what)
    assert states(still, flask)["chromatography"] == "not-fit"
    entry = flask.lot.movements.get(kind="return").entry if flask.lot else None
    assert entry is not None
    state_tell(**still.at(), run=run, entry=entry, state="dried")
    assert states(still, flask)["chromatography"] == "not-shown", "drying proves nothing by itself"
    check(still, flask, "water", value="0.05 %")
    assert states(still, flask)["chromatography"] == "fit"


def test_quality_never_makes_the_verdict_milder(still: Still) -> None:
    """Every property is as it should be, and the strip shows peroxides: it is not fit for anything."""
    _, flask = recovered(still, "diethyl-ether")
    told: dict[str, dict[str, Any]] = {
        "density": {
            "value": {"value": "0.7136", "unit": "g/mL", "uncertainty": "0.0002"},
            "temperature": "20",
        },
        "refractive-index": {"value": {"value": "1.3526", "uncertainty": "0.0001"}, "temperature": "20"},
    }
    for what, entered in told.items():
        assert check(still, flask, what, **entered).outcome == "within"
    make.tested(still.club, flask, reading="neg")
    assert states(still, flask)["extraction"] == "fit"
    due = make.fresh(flask).next_test_due
    make.tested(still.club, flask, reading="30")
    said = fit(still, flask)
    assert {use.state for use in said.uses.values()} == {"not-fit"}
    assert said.verdict.level != "use"
    check(still, flask, "density", **told["density"])
    assert make.fresh(flask).due_code != "not-a-former"
    assert make.fresh(flask).next_test_due != due
    assert {use.state for use in fit(still, flask).uses.values()} == {"not-fit"}


def test_a_blend_is_checked_anew(still: Still) -> None:
    _, flask = recovered(still)
    check(still, flask, "density")
    by = {**still.at(), "actor": still.club.steward}
    volumes.pour(**by, source=still.bottle("n-hexane"), into=make.fresh(flask), amount="20 mL")
    assert states(still, flask)["rinsing"] == "not-shown"


# -- limits of a lab


def test_stricter_is_free_and_looser_is_signed(still: Still) -> None:
    by = {**still.at(), "actor": still.club.steward}
    hexane = make.solvent("n-hexane")
    tight = limit_add(**by, what="water", highest=Decimal("0.01"), source="the club")
    with pytest.raises(Denied):
        limit_change(**by, limit=tight, changes={"highest": Decimal(1)})
    with pytest.raises(Denied):
        limit_add(**by, what="water", use="reaction", highest=Decimal("0.02"), source="the club")
    with pytest.raises(Denied):
        limit_add(
            **by, what="density", solvent=hexane, lowest=Decimal(600), highest=Decimal(700), source="the club"
        )
    limit_add(**by, what="density", solvent=hexane, lowest=Decimal(659), highest=Decimal(660), source="x")
    head = {**by, "actor": still.club.supervisor}
    limit_change(**head, limit=tight, changes={"highest": Decimal(1)}, **SIGNED)
    with pytest.raises(Denied):
        limit_end(**by, limit=tight, reason="it is wrong", may_loosen=False)
    limit_end(**head, limit=tight, **SIGNED)
    verbs = list(Event.objects.filter(verb__startswith="quality-limit").values_list("verb", flat=True))
    assert verbs == [
        "quality-limit-added", "quality-limit-added", "quality-limit-changed", "quality-limit-ended",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"what": "colour", "highest": Decimal(1)}, "what"),
        ({"what": "water"}, "highest"),
        ({"what": "water", "highest": Decimal(1), "use": "painting"}, "use"),
        ({"what": "density", "highest": Decimal(1)}, "solvent"),
        ({"what": "times-distilled", "highest": Decimal("2.5")}, "highest"),
        ({"what": "times-distilled", "lowest": Decimal(2)}, "highest"),
        ({"what": "water", "lowest": Decimal(2), "highest": Decimal(1)}, "highest"),
        ({"what": "water", "highest": Decimal("0.01"), "source": " "}, "source"),
    ],
)
def test_a_limit_that_cannot_be_names_its_field(still: Still, facts: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as refused:
        limit(still, **facts)
    assert refused.value.field == field


def test_a_limit_holds_once(still: Still) -> None:
    limit(still, "water", highest=Decimal("0.01"))
    with pytest.raises(Conflict) as again:
        limit(still, "water", highest=Decimal("0.005"))
    assert again.value.code == "limit-there"


def test_a_check_is_held_against_the_labs_own_limit(still: Still) -> None:
    _, flask = recovered(still)
    assert check(still, flask, "water", value="0.05 %").outcome == "no-reference"
    limit(still, "water", highest=Decimal("0.01"), solvent=make.solvent("n-hexane"))
    row = check(still, flask, "water", value="0.05 %")
    assert (row.outcome, row.reference["source"]) == ("outside", "the club")


# -- times distilled


def distilled(still: Still, times: int) -> Container:
    """A flask of hexane that was distilled so often."""
    _, flask = recovered(still)
    Lot.objects.filter(containers=flask).update(times_distilled=times)
    return make.fresh(flask)


def test_a_limit_that_warns_leaves_a_finding(still: Still) -> None:
    limit(still, "times-distilled", highest=Decimal(2))
    twice, once = distilled(still, 2), distilled(still, 1)
    good = still.start()
    still.charge(good, once, "50 mL")
    run = still.start()
    posted = still.charge(run, twice, "50 mL")
    assert (_findings(good), _findings(run)) == ([], ["distilled-too-often"])
    reversal.reverse(
        **{**still.at(), "actor": still.club.steward}, entry=posted.entry, reason="another flask"
    )
    assert _findings(run) == []
    assert audit(lab=still.lab, full=True).clean


def _findings(run: Run) -> list[str]:
    found: list[str] = Run.objects.get(pk=run.pk).findings
    return found


def test_a_limit_that_refuses_is_signed_over_and_for_stills_only(still: Still) -> None:
    limit(still, "times-distilled", highest=Decimal(2), refuses=True, solvent=make.solvent("n-hexane"))
    flask = distilled(still, 2)
    still.charge(still.start(distils=False), flask, "10 mL")
    run = still.start()
    with pytest.raises(Refusal) as refused:
        still.charge(run, flask, "50 mL")
    assert (refused.value.code, refused.value.causes[0].source) == ("distilled-too-often", "the club")
    with pytest.raises(Denied):
        still.charge(run, flask, "50 mL", signature=Signature("it is for the last run", allowed=False))
    still.charge(run, flask, "50 mL", signature=Signature("it is for the last run", allowed=True))
    assert Event.objects.get(verb="distilled-too-often-allowed").data["times_distilled"] == 2
    back = still.flask()
    still.back(run, back, "30 mL")
    held = make.fresh(back)
    assert held.lot is not None and held.lot.times_distilled == 3
    assert "distilled-too-often" in _findings(run)
    for what in GOOD:
        check(still, held, what)
    assert states(still, held)["rinsing"] == "not-fit"


def test_a_limit_for_one_solvent_is_not_looser_than_that_for_all_without_a_signature(still: Still) -> None:
    by = {**still.at(), "actor": still.club.steward}
    limit_add(**by, what="times-distilled", highest=Decimal(3), refuses=True, source="the club")
    hexane = make.solvent("n-hexane")
    for facts in ({"highest": Decimal(5), "refuses": True}, {"highest": Decimal(2)}):
        with pytest.raises(Denied):
            limit_add(**by, what="times-distilled", solvent=hexane, source="the club", **facts)
    limit_add(
        **by, what="times-distilled", solvent=hexane, highest=Decimal(2), refuses=True, source="the club"
    )


def test_checks_in_time(still: Still) -> None:
    """The newest by when it was made counts, not by when it was told."""
    _, flask = recovered(still)
    later = still.now + timedelta(days=2)
    check(still, flask, "density", now=later)
    check_record(
        **still.at(later), container=flask, what="density", happened_at=still.now + timedelta(days=1),
        entered={"value": {"value": "0.70", "unit": "g/mL", "uncertainty": "0.0001"}, "temperature": "20"},
    )  # fmt: skip
    assert states(still, flask)["rinsing"] == "fit"

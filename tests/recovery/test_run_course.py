"""The course of a run: over days, with waste in between, closed, opened again, told late, drafted."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Event, Flow, Movement, WasteContainer
from inventory.rules.errors import Conflict, Denied, InputError, Refusal
from inventory.services import reversal, waste
from inventory.services.audit import audit
from inventory.services.waste import WasteFacts
from recovery.models import ReturnState, Run, RunFact
from recovery.selectors.run_facts import asked, facts_now
from recovery.services import apparatus, kinds
from recovery.services.reopening import closing_entry, reopen
from recovery.services.return_states import state_tell
from recovery.services.run_details import run_change
from recovery.services.run_facts import tell
from recovery.services.run_hooks import settled
from recovery.services.run_waste import lose
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still, sums

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def drum(still: Still, litres: int = 1) -> WasteContainer:
    facts = WasteFacts(stream="halogen-free solvents", capacity_ul=litres * 1_000_000)
    return waste.waste_add(**still.at(), facts=facts)


def by_steward(still: Still, now: Any = None) -> dict[str, Any]:
    return {**still.at(now), "actor": still.club.steward}


def clean(still: Still) -> bool:
    return audit(lab=still.lab, full=True).clean


# -- charges and returns over days


def test_several_charges_and_returns_over_days(still: Still) -> None:
    run, bottle = still.start(), still.bottle("n-hexane")
    flasks = [still.flask() for _ in range(2)]
    for day in range(3):
        still.charge(run, bottle, "100 mL", now=still.now + day * DAY)
    for day, flask in enumerate(flasks):
        still.back(run, flask, "120 mL", now=still.now + (3 + day) * DAY)
    assert sums(run) == (300_000, 240_000, 0, 60_000)
    still.close(run, Loss("still-residue", "40 mL"), Loss("product", "5 mL"), now=still.now + 6 * DAY)
    assert sums(run) == (300_000, 240_000, 60_000, 0)
    named = dict(Movement.objects.filter(kind="loss").values_list("destination__kind", "volume_ul"))
    assert named == {"still-residue": 40_000, "product": 5_000, "unaccounted": 15_000}
    assert clean(still)


# -- waste in mid-run


def test_waste_in_mid_run_keeps_its_uncertainty_and_can_be_reversed(still: Still) -> None:
    run, held = still.start(), drum(still)
    still.charge(run, still.bottle("n-hexane"), "200 mL")
    amount = {"value": "60", "unit": "mL", "instrument": "cylinder-a-100"}
    posted = lose(**still.at(), run=run, loss=Loss("waste-container", amount, waste=held))
    # ASTM E1272-02 Table 1: 100 mL cylinder class A ±0.5 mL, rectangular; and the room's temperature.
    assert Movement.objects.get(entry=posted.entry).u_volume_ul >= 289
    assert (sums(run), WasteContainer.objects.get().volume_ul) == ((200_000, 0, 60_000, 140_000), 60_000)
    assert Movement.objects.get(entry=posted.entry).as_entered["instrument"] == "cylinder-a-100"
    with pytest.raises(InputError) as refused:
        lose(**still.at(), run=run, loss=Loss("waste-container", "2 L", waste=held))
    assert (refused.value.field, refused.value.code) == ("volume", "more-than-left")
    reversal.reverse(**by_steward(still), entry=posted.entry, reason="another run")
    assert (sums(run), WasteContainer.objects.get().volume_ul) == ((200_000, 0, 0, 200_000), 0)
    assert clean(still)


def test_what_is_lost_in_mid_run_names_its_fields(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle("n-hexane"), "50 mL")
    for loss, field in (
        (Loss("air", "60 mL"), "volume"),
        (Loss("moon", "1 mL"), "to"),
        (Loss("waste-container", "1 mL"), "waste"),
    ):
        with pytest.raises(InputError) as refused:
            lose(**still.at(), run=run, loss=loss)
        assert refused.value.field == field
    still.close(run)
    with pytest.raises(Conflict) as closed:
        lose(**still.at(), run=run, loss=Loss("air", "1 mL"))
    assert closed.value.code == "run-closed"


# -- opened again


def test_a_run_that_is_opened_again_is_as_it_was_before(still: Still) -> None:
    run, held = still.start(), drum(still)
    still.charge(run, still.bottle("n-hexane"), "200 mL")
    still.back(run, still.flask(), "120 mL")
    before, flows = sums(run), _flows()
    still.close(run, Loss("waste-container", "30 mL", waste=held), Loss("air", "10 mL"))
    assert Run.objects.get().closing_entry is not None
    reopen(**by_steward(still), run=fresh(run), reason="closed the wrong run")
    again = Run.objects.get()
    assert (sums(run), again.closed_at, again.closing_entry) == (before, None, None)
    assert WasteContainer.objects.get().volume_ul == 0
    assert {key: ul for key, ul in _flows().items() if ul} == flows
    (event,) = Event.objects.filter(verb="run-reopened")
    assert event.data["reason"] == "closed the wrong run"
    assert [part["held_ul"] for part in event.data["after"].values()] == [80_000]
    still.back(again, still.flask(), "20 mL")
    still.close(again)
    assert sums(run) == (200_000, 140_000, 60_000, 0)
    assert clean(still)


def _flows() -> dict[tuple[str, str], int]:
    rows = Flow.objects.values_list("source_kind", "destination_kind", "volume_ul")
    return {(source, destination): ul for source, destination, ul in rows}


def fresh(run: Run) -> Run:
    return Run.objects.select_related("lab").get(pk=run.pk)


def test_a_run_in_which_nothing_was_left_is_opened_again_too(still: Still) -> None:
    """Mid-run waste of the same moment is not what closed it."""
    run, held = still.start(), drum(still)
    still.charge(run, still.bottle("n-hexane"), "50 mL")
    lose(**still.at(), run=run, loss=Loss("waste-container", "50 mL", waste=held))
    still.close(run)
    assert closing_entry(fresh(run)) is None
    reopen(**by_steward(still), run=fresh(run), reason="more is to come")
    assert (Run.objects.get().closed_at, sums(run)) == (None, (50_000, 0, 50_000, 0))
    assert clean(still)


def test_a_run_closed_before_its_entry_was_kept_is_found_by_its_movements(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle("n-hexane"), "50 mL")
    still.close(run, Loss("air", "10 mL"), now=still.now + DAY)
    Run.objects.update(closing_entry=None)
    event = Event.objects.get(verb="run-closed")
    old = Event(**{**_columns(event), "data": {"lost_ul": event.data["lost_ul"]}})
    old.save(force_insert=True)
    reopen(**by_steward(still, still.now + DAY), run=fresh(run), reason="more is to come")
    assert sums(run) == (50_000, 0, 0, 50_000)


def _columns(event: Event) -> dict[str, Any]:
    names = ("lab_id", "actor_id", "at", "verb", "subject_kind", "subject_id")
    return {name: getattr(event, name) for name in names}


def test_only_a_closed_run_of_this_time_is_opened_again_and_with_a_reason(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle("n-hexane"), "50 mL")
    with pytest.raises(Conflict) as open_still:
        reopen(**by_steward(still), run=run, reason="closed too early")
    assert open_still.value.code == "run-open"
    still.close(run)
    with pytest.raises(InputError) as no_reason:
        reopen(**by_steward(still), run=run, reason="  ")
    assert no_reason.value.field == "reason"
    Run.objects.update(is_history=True)
    with pytest.raises(Conflict) as history:
        reopen(**by_steward(still), run=run, reason="closed too early")
    assert history.value.code == "run-is-history"


def test_waste_that_was_taken_away_keeps_its_run_closed(still: Still) -> None:
    run, held = still.start(), drum(still)
    still.charge(run, still.bottle("n-hexane"), "50 mL")
    still.close(run, Loss("waste-container", "30 mL", waste=held))
    waste.collect(**by_steward(still), waste=held)
    with pytest.raises(Conflict):
        reopen(**by_steward(still), run=fresh(run), reason="closed too early")
    assert fresh(run).closed_at is not None
    assert clean(still)


def test_a_charge_to_a_run_that_was_opened_again_passes_the_gate_as_ever(still: Still) -> None:
    run, bottle = still.start(), still.bottle("diethyl-ether")
    still.charge(run, bottle, "100 mL")
    still.close(run, Loss("still-residue", "30 mL"))
    late = still.now + 30 * DAY
    reopen(**by_steward(still, late), run=fresh(run), reason="closed too early")
    with pytest.raises(Refusal) as refused:
        still.charge(fresh(run), bottle, "10 mL", test=False, now=late)
    assert refused.value.code == "distilling-not-cleared"
    assert clean(still)


def test_whoever_listens_hears_of_closings_reopenings_and_changes(still: Still) -> None:
    heard: list[str] = []

    def hear(**said: Any) -> None:
        heard.append(said["why"])

    settled.connect(hear)
    try:
        run = still.start()
        wrong = still.charge(run, still.bottle("n-hexane"), "50 mL")
        still.close(run)
        reopen(**by_steward(still), run=fresh(run), reason="closed too early")
        still.close(fresh(run))
        run_change(**still.at(), run=run, changes={"kind": _kind("distillation", still)})
        reversal.reverse(**by_steward(still), entry=Run.objects.get().closing_entry, reason="again")  # type: ignore[arg-type]
        reversal.reverse(**by_steward(still), entry=wrong.entry, reason="another bottle")
    finally:
        settled.disconnect(hear)
    assert heard == ["closed", "reopened", "closed", "changed", "reopened"]


def _kind(key: str, still: Still) -> Any:
    return kinds.kind_named(lab=still.lab, ref=key)


# -- drafts


def test_the_first_charge_starts_a_draft(still: Still) -> None:
    draft = still.start(plan={"portions": 3}, kind=_kind("liquid-liquid-extraction", still))
    assert (draft.is_draft, draft.plan) == (True, {"portions": 3})
    assert Event.objects.filter(verb="run-drafted").count() == 1
    tell(**still.at(), run=draft, facts={"contacts": 3})
    with pytest.raises(Conflict) as refused:
        lose(**still.at(), run=draft, loss=Loss("air", "1 mL"))
    assert refused.value.code == "run-is-draft"
    later = still.now + 40 * DAY
    still.charge(draft, still.bottle("n-hexane"), "50 mL", now=later)
    run = Run.objects.get()
    assert (run.is_draft, run.started_at, run.month.month) == (False, later, later.month)
    assert Event.objects.get(verb="run-started").data["from_draft"] is True
    still.close(run, now=later)
    assert clean(still)


def test_a_refused_charge_leaves_the_draft_a_draft(still: Still) -> None:
    draft = still.start(plan={})
    with pytest.raises(Refusal):
        still.charge(draft, still.bottle("tetrahydrofuran"), "50 mL", test=False)
    assert Run.objects.get().is_draft


# -- what a run is told to be


def test_kind_apparatus_and_room_are_told_at_the_start_and_later(still: Still) -> None:
    here = [apparatus.apparatus_add(**by_steward(still), name=f"Still {n}", kind="still") for n in (1, 2)]
    run = still.start(kind=_kind("rinsing", still), apparatus=here[:1])
    assert (run.distils, list(run.run_apparatus.values_list("apparatus__name", flat=True))) == (
        False,
        ["Still 1"],
    )
    run_change(**still.at(), run=run, changes={"apparatus": here[1:], "remarks": "the other one"})
    assert list(run.run_apparatus.values_list("apparatus__name", flat=True)) == ["Still 2"]
    (event,) = Event.objects.filter(verb="run-changed")
    assert (event.data["before"]["apparatus"], event.data["after"]["apparatus"]) == (
        [here[0].pk],
        [here[1].pk],
    )
    with pytest.raises(Conflict) as refused:
        run_change(**still.at(), run=run, changes={"kind": _kind("distillation", still)})
    assert refused.value.code == "kind-distils"


def test_a_kind_of_its_own_that_does_not_distil_is_a_supervisors_to_make(still: Still) -> None:
    data = kinds.copy_of(_kind("rinsing", still), "shaking", "Shaking")
    with pytest.raises(Denied):
        kinds.kind_add(**by_steward(still), data=data)
    made = kinds.kind_add(**by_steward(still), data=data, reason="nothing is heated", may_loosen=True)
    assert not made.distils


def test_ended_fields_and_kinds_are_used_no_more(still: Still) -> None:
    from recovery.rules.run_kinds import AskedFor, FieldData, KindData

    by = by_steward(still)
    field = kinds.field_add(**by, data=FieldData("leaf-mass", "Leaves", "mass", "g"))
    data = KindData("pigments", "Pigments", True, (AskedFor("leaf-mass", "5 g"),))
    kind = kinds.kind_add(**by, data=data)
    with pytest.raises(Conflict) as used:
        kinds.field_end(**by, field=field)
    assert used.value.code == "asked-for"
    run = still.start(kind=kind)
    assert [(one.key, one.default, one.told) for one in asked(still.lab, kind, [])] == [
        ("leaf-mass", "5 g", False)
    ]
    tell(**still.at(), run=run, facts={"leaf-mass": "4 g"})
    kinds.kind_end(**by, kind=kind)
    kinds.field_end(**by, field=field)
    with pytest.raises(Conflict, match="used no longer") as over:
        kinds.kind_end(**by, kind=kind)
    assert (over.value.field, over.value.code) == ("kind", "kind-ended")
    with pytest.raises(Conflict, match="used no longer") as over:
        kinds.field_end(**by, field=field)
    assert (over.value.field, over.value.code) == ("field", "field-ended")
    with pytest.raises(InputError) as ended:
        tell(**still.at(), run=run, facts={"leaf-mass": "5 g"})
    assert ended.value.code == "unknown-field"
    tell(**still.at(), run=run, facts={"leaf-mass": None})
    assert facts_now([run.pk])[run.pk] == {}


# -- facts


def test_of_each_field_the_newest_word_counts(still: Still) -> None:
    run, other = still.start(), still.start("leaf pigments")
    tell(**still.at(), run=run, facts={"water-volume": "100 mL", "salting": "none"})
    tell(**still.at(), run=run, facts={"water-volume": "0.2 L"})
    tell(**still.at(), run=other, facts={"contacts": 2})
    with CaptureQueriesContext(connection) as asked_for:
        known = facts_now([run.pk, other.pk])
    assert len(asked_for) == 1
    assert known[run.pk]["water-volume"].number == 200
    assert (known[run.pk]["salting"].as_entered["value"], list(known[other.pk])) == ("none", ["contacts"])
    assert RunFact.objects.count() == 4


def test_facts_of_another_run_and_bad_ones_leave_nothing(still: Still) -> None:
    run = still.start()
    for facts in ({}, {"no-such": "1"}, {"contacts": 2, "water-volume": "a lot"}):
        with pytest.raises(InputError):
            tell(**still.at(), run=run, facts=facts)
    assert not RunFact.objects.exists()


# -- wet or dried


def test_whether_a_return_is_dried_may_be_told_with_it_or_later(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle("n-hexane"), "100 mL")
    posted = still.back(run, still.flask(), "50 mL", state="wet")
    still.close(run)
    state_tell(**still.at(), run=run, entry=posted.entry, state="dried", drying_agent="magnesium sulfate")
    rows = ReturnState.objects.order_by("id").values_list("state", "drying_agent")
    assert list(rows) == [("wet", ""), ("dried", "magnesium sulfate")]
    reversal.reverse(**by_steward(still), entry=posted.entry, reason="another flask")
    with pytest.raises(Conflict) as gone:
        state_tell(**still.at(), run=run, entry=posted.entry, state="wet")
    assert gone.value.code == "return-reversed"

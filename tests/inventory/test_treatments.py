"""Inhibitor added and peroxides taken out: neither cures by itself, and only what was treated is touched."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.db.models import Sum

from inventory.models import Container, Event, Lot, Movement, Treatment
from inventory.rules.errors import Conflict, Denied, InputError, Refusal
from inventory.services import reversal, safety, treating_against, treatments, volumes
from tests.factories import NOW, TODAY, Club, club, empty, fresh, stocked

pytestmark = pytest.mark.django_db
MADE_ON = TODAY - timedelta(days=60)
LATER = NOW + timedelta(minutes=5)


@pytest.fixture
def lab() -> Club:
    return club()


def by(lab: Club, role: str = "member", **more: Any) -> dict[str, Any]:
    return {"lab": lab.lab, "actor": lab.people[role], "now": NOW, **more}


def distilled(lab: Club, **facts: Any) -> Container:
    """Ether that the club distilled: nothing of an inhibitor is left in it."""
    made = {"origin": "recovered", "made_on": MADE_ON, "received_on": MADE_ON, **facts}
    return fresh(stocked(lab, "diethyl-ether", **made))


def top_up(lab: Club, bottle: Container, **more: Any) -> Treatment:
    told = {"inhibitor": "BHT", "mass_ug": 90_000, **more}
    return treatments.inhibitor_add(**by(lab), container=fresh(bottle), **told)


def passed(lab: Club, bottle: Container, **more: Any) -> None:
    told = {"reading": "neg", "method": "strip-25", "tested_on": TODAY, **more}
    safety.test_record(**by(lab, now=LATER), container=fresh(bottle), **told)


def test_inhibitor_counts_only_with_a_test_that_passes_since(lab: Club) -> None:
    """Cautious default: distilled here 3 months, inhibited 6 (our choice within the published tables)."""
    bottle, plain = distilled(lab), distilled(lab)
    before = bottle.next_test_due
    row = top_up(lab, bottle)
    assert fresh(bottle).next_test_due == before
    density = bottle.lot.solvent.density_20c_kg_m3  # type: ignore[union-attr]
    assert row.reached_ppm is not None
    # 90 mg in half a litre: mg/kg by definition, rounded down.
    assert 0 <= 90 / (density / 2000) - row.reached_ppm < Decimal("0.001")
    assert fresh(bottle).lot.topped_up_on == TODAY  # type: ignore[union-attr]
    passed(lab, bottle)
    passed(lab, plain)
    assert fresh(bottle).next_test_due > fresh(plain).next_test_due  # type: ignore[operator]


def test_inhibitor_cures_no_bad_reading(lab: Club) -> None:
    bottle = distilled(lab)
    passed(lab, bottle, reading="60", method="strip-100")
    row = top_up(lab, bottle)
    assert fresh(bottle).due_code == "reading-at-or-above-level"
    row.container.refresh_from_db()
    words = treatments.warnings(row)
    assert any("cures nothing" in line for line in words)
    assert words[0] == treatments.BAD_READING


def test_a_lot_that_stands_in_two_bottles_is_treated_in_one(lab: Club) -> None:
    bottle = distilled(lab)
    other = empty(lab, code="B-2")
    volumes.pour(**by(lab), source=bottle, into=other, amount="200 mL")
    lot_id = bottle.lot_id
    assert lot_id is not None
    row = top_up(lab, bottle)
    own = fresh(bottle).lot
    assert own is not None
    assert (own.origin, own.topped_up_on, own.pk) == ("blend", TODAY, row.lot_id)
    assert fresh(other).lot_id == lot_id
    assert Lot.objects.get(pk=lot_id).topped_up_on is None
    passed(lab, other)
    passed(lab, bottle)
    assert fresh(bottle).next_test_due > fresh(other).next_test_due  # type: ignore[operator]
    _every_lot_sums_to_zero_by_place(lot_id, own.pk)


def _every_lot_sums_to_zero_by_place(*lots: int) -> None:
    """What left for the blending boundary came back: each lot is only where the containers say."""
    for lot in lots:
        moved = Movement.objects.filter(lot_id=lot)
        held = Container.objects.filter(lot_id=lot).aggregate(sum=Sum("volume_ul"))["sum"] or 0
        places = Container.objects.values("place_id")
        came = moved.filter(destination_id__in=places).aggregate(sum=Sum("volume_ul"))["sum"] or 0
        went = moved.filter(source_id__in=places).aggregate(sum=Sum("volume_ul"))["sum"] or 0
        assert came - went == held


def test_what_was_drawn_before_comes_back_untreated(lab: Club) -> None:
    """A put-back of the old lot makes a blend that does not count as topped up."""
    bottle = distilled(lab)
    lot = bottle.lot
    volumes.draw(**by(lab), container=bottle, amount="100 mL", destination=lab.end("reaction"))
    top_up(lab, bottle)
    assert fresh(bottle).lot_id != lot.pk  # type: ignore[union-attr]
    end = lab.end("reaction")
    volumes.put_back(**by(lab, now=LATER), container=fresh(bottle), amount="50 mL", source=end, lot=lot)
    assert fresh(bottle).lot.topped_up_on is None  # type: ignore[union-attr]


def test_a_sealed_bottle_is_opened_by_it(lab: Club) -> None:
    bottle = stocked(lab, "diethyl-ether", opened="unopened")
    top_up(lab, bottle)
    assert (fresh(bottle).opened, fresh(bottle).opened_on) == ("opened", TODAY)


def test_taking_peroxides_out_helps_only_with_a_test_made_afterwards(lab: Club) -> None:
    bottle = fresh(stocked(lab, "diethyl-ether", received_on=MADE_ON, inhibited=True, inhibitor="BHT"))
    passed(lab, bottle, reading="60", method="strip-100", tested_on=TODAY - timedelta(days=2))
    row = treatments.peroxides_remove(**by(lab), container=fresh(bottle), how="shaken with a ferrous salt")
    assert fresh(bottle).due_code == "reading-at-or-above-level"
    assert fresh(bottle).lot_id == row.lot_id
    assert fresh(bottle).lot.inhibited is None  # type: ignore[union-attr]
    passed(lab, bottle, tested_on=TODAY - timedelta(days=1))
    assert fresh(bottle).due_code == "reading-at-or-above-level"
    passed(lab, bottle)
    assert fresh(bottle).due_code not in ("reading-at-or-above-level", "reading-not-decisive")


def test_no_treatment_makes_anything_milder(lab: Club) -> None:
    for act in (top_up, _removed):
        for prepare in (_nothing, _bad, _old_pass, _poured):
            bottle = distilled(lab)
            prepare(lab, bottle)
            before = fresh(bottle)
            act(lab, bottle)
            after = fresh(bottle)
            assert after.next_test_due <= before.next_test_due, (act, prepare)  # type: ignore[operator]
            if before.due_code.startswith("reading-"):
                assert after.due_code == before.due_code


def _removed(lab: Club, bottle: Container) -> Treatment:
    return treatments.peroxides_remove(**by(lab), container=fresh(bottle), how="column of alumina")


def _nothing(lab: Club, bottle: Container) -> None:
    pass


def _bad(lab: Club, bottle: Container) -> None:
    passed(lab, bottle, reading="40", method="strip-100")


def _old_pass(lab: Club, bottle: Container) -> None:
    passed(lab, bottle, tested_on=TODAY - timedelta(days=20))


def _poured(lab: Club, bottle: Container) -> None:
    _bad(lab, bottle)
    volumes.pour(**by(lab, now=LATER), source=fresh(bottle), into=empty(lab), amount="10 mL")


def test_withdrawing_inhibitor_is_never_milder(lab: Club) -> None:
    bottle = distilled(lab)
    row = top_up(lab, bottle)
    passed(lab, bottle)
    poured = empty(lab, code="B-2")
    volumes.pour(**by(lab, now=LATER), source=fresh(bottle), into=poured, amount="100 mL")
    before = fresh(bottle).next_test_due
    undone = treatments.treatment_withdraw(
        **by(lab, "steward", now=LATER), treatment=row, reason="wrong bottle"
    )
    assert undone.withdraws_id == row.pk
    assert fresh(bottle).lot.topped_up_on is None  # type: ignore[union-attr]
    assert fresh(poured).lot.topped_up_on is None  # type: ignore[union-attr]
    assert fresh(bottle).next_test_due < before  # type: ignore[operator]
    with pytest.raises(Conflict, match="already"):
        treatments.treatment_withdraw(**by(lab, "steward"), treatment=row, reason="again")
    with pytest.raises(InputError, match="reason"):
        treatments.treatment_withdraw(**by(lab, "steward"), treatment=top_up(lab, bottle), reason=" ")


def test_withdrawing_one_of_two_leaves_the_other(lab: Club) -> None:
    bottle = distilled(lab)
    first, second = top_up(lab, bottle), top_up(lab, bottle)
    treatments.treatment_withdraw(**by(lab, "steward"), treatment=first, reason="entered twice")
    assert fresh(bottle).lot.topped_up_on == TODAY  # type: ignore[union-attr]
    treatments.treatment_withdraw(**by(lab, "steward"), treatment=second, reason="not made at all")
    assert fresh(bottle).lot.topped_up_on is None  # type: ignore[union-attr]


def test_withdrawing_a_removal_that_looks_safer_is_signed(lab: Club) -> None:
    """The removal set a clock back: without it an older test counts again, or it does not; never unsigned."""
    bottle = distilled(lab)
    passed(lab, bottle)
    row = _removed(lab, bottle)
    before = fresh(bottle)
    told: dict[str, Any] = {"treatment": row, "reason": "another bottle"}
    try:
        treatments.treatment_withdraw(**by(lab, "steward", now=LATER), **told)
    except Denied:
        treatments.treatment_withdraw(**by(lab, "supervisor", now=LATER), **told, may_loosen=True)
        assert Event.objects.filter(verb="loosened").exists()
    else:
        assert fresh(bottle).next_test_due <= before.next_test_due  # type: ignore[operator]


def test_told_afterwards_it_is_signed_where_it_is_milder(lab: Club) -> None:
    bottle = distilled(lab, now=NOW - timedelta(days=50))
    passed(lab, bottle)
    day = TODAY - timedelta(days=10)
    with pytest.raises(Denied):
        top_up(lab, bottle, treated_on=day, reason="found in the notebook")
    top_up(lab, bottle, treated_on=day, reason="found in the notebook", may_loosen=True)
    assert Event.objects.get(verb="loosened").data["reason"] == "found in the notebook"


@pytest.mark.parametrize(
    ("told", "field", "code"),
    [
        ({"treated_on": TODAY + timedelta(days=1)}, "treated_on", "in-the-future"),
        ({"treated_on": TODAY - timedelta(days=1)}, "treated_on", "moved-since"),
        ({"mass_ug": 0}, "mass", "out-of-range"),
        ({"inhibitor": " "}, "inhibitor", "bad-name"),
        ({"target_ppm": Decimal(10_001)}, "target", "out-of-range"),
    ],
)
def test_what_is_at_fault_is_named(lab: Club, told: dict[str, Any], field: str, code: str) -> None:
    bottle = distilled(lab)
    with pytest.raises(InputError) as caught:
        top_up(lab, bottle, **told)
    assert (caught.value.field, caught.value.code) == (field, code)
    assert not Treatment.objects.exists()


def test_a_treatment_is_not_reversed_but_withdrawn(lab: Club) -> None:
    bottle = distilled(lab)
    _removed(lab, bottle)
    entry = Movement.objects.filter(kind="blend").values_list("entry", flat=True)[0]
    with pytest.raises(Conflict, match="Withdraw the treatment"):
        reversal.reverse(**by(lab, "steward", now=LATER), entry=entry, reason="undo")


def test_treatments_are_append_only(lab: Club) -> None:
    row = top_up(lab, distilled(lab))
    with pytest.raises(Exception, match="append-only"), connection.cursor() as cursor:
        cursor.execute("UPDATE inventory_treatment SET mass_ug = 1 WHERE id = %s", [row.pk])


# -- what the verdict says to leave alone


def with_crystals(lab: Club) -> Container:
    bottle = distilled(lab)
    safety.observe(**by(lab), container=bottle, sign="crystals")
    return fresh(bottle)


def remove(lab: Club, bottle: Container, **more: Any) -> Treatment:
    return treatments.peroxides_remove(**by(lab), container=fresh(bottle), how="alumina column", **more)


@pytest.mark.parametrize("treat", [top_up, remove])
def test_what_nobody_may_touch_is_not_treated(lab: Club, treat: Any) -> None:
    """Michigan State EHS: crystals, solids: do not open, call."""
    bottle = with_crystals(lab)
    with pytest.raises(Refusal) as refusal:
        treat(lab, bottle)
    assert refusal.value.code == "not-to-be-treated"
    assert [cause.code for cause in refusal.value.causes] == ["sign-crystals"]
    assert "Ring 112." in refusal.value.remedy
    assert not Treatment.objects.exists()


def was_done(lab: Club, bottle: Container, row: Treatment) -> None:
    (event,) = Event.objects.filter(verb="used-against-verdict")
    assert (event.subject_id, event.data["treatment"]) == (bottle.pk, row.pk)
    assert event.data["level"] == "do-not-touch"
    assert treating_against.spoke_against(row)[0].startswith("It was treated against its verdict")
    assert fresh(bottle).worst_sign == "crystals"


def test_what_was_done_today_all_the_same_is_on_record(lab: Club) -> None:
    bottle = with_crystals(lab)
    was_done(lab, bottle, top_up(lab, bottle, already_done=True))


def test_what_was_done_on_a_day_gone_by_is_on_record(lab: Club) -> None:
    bottle = with_crystals(lab)
    tomorrow = by(lab, now=NOW + timedelta(days=1))
    told: dict[str, Any] = {"container": fresh(bottle), "how": "alumina column", "treated_on": TODAY}
    was_done(lab, bottle, treatments.peroxides_remove(**tomorrow, **told))


def test_what_is_not_to_be_used_may_be_treated_and_is_told(lab: Club) -> None:
    """Iowa State EHS pec/9: any detected, treat before distilling: at "do not use" it is somebody's task."""
    bottle = distilled(lab)
    passed(lab, bottle, reading="60", method="strip-100")
    row = remove(lab, bottle)
    (event,) = Event.objects.filter(verb="used-against-verdict")
    assert (event.data["treatment"], event.data["level"]) == (row.pk, "do-not-use")


def test_a_treatment_opens_a_sealed_bottle_and_puts_nothing_off(lab: Club) -> None:
    """Cautious default: 12 months sealed from 2025-04-10; opened on 2026-03-10 it would be 3 to 6 months."""
    for treat in (top_up, remove):
        received_on = TODAY.replace(year=2025, month=4, day=10)
        sealed = stocked(lab, "diethyl-ether", opened="unopened", inhibited=True, received_on=received_on)
        assert str(fresh(sealed).next_test_due) == "2026-04-10"
        treat(lab, sealed)
        held = fresh(sealed)
        assert held.opened == "opened"
        assert held.next_test_due is not None
        assert str(held.next_test_due) <= "2026-04-10"

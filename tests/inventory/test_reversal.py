"""A mistake is booked back whole, once, and only while its microlitres are where it put them."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Event, Flow, Movement
from inventory.rules.errors import Conflict, InputError
from inventory.services import corrections, reversal, safety, volumes, withdrawals
from inventory.services.audit import audit
from inventory.services.ledger import Posted
from tests import factories as make

pytestmark = pytest.mark.django_db
THF = "tetrahydrofuran"


@pytest.fixture
def club() -> make.Club:
    return make.club()


def at(club: make.Club, days: int = 0) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.steward, "now": make.NOW + timedelta(days=days)}


def draw(club: make.Club, container: Container, amount: str) -> Posted:
    return volumes.draw(
        **at(club), container=make.fresh(container), amount=amount, destination=club.end("reaction")
    )


def pour(club: make.Club, source: Container, into: Container, amount: str | None = None) -> Posted:
    return volumes.pour(**at(club), source=make.fresh(source), into=make.fresh(into), amount=amount)


def reverse(club: make.Club, posted: Posted, days: int = 0) -> Posted:
    return reversal.reverse(**at(club, days), entry=posted.entry, reason="wrong bottle")


def refused(club: make.Club, posted: Posted) -> str:
    with pytest.raises(Conflict) as refusal:
        reverse(club, posted)
    return refusal.value.code


def test_a_draw_is_booked_back_in_the_month_it_counted_in(club: make.Club) -> None:
    container = make.stocked(club, THF, "500 mL")
    drawn = draw(club, container, "120 mL")
    back = reverse(club, drawn, days=40)
    assert make.fresh(container).volume_ul == 500_000
    one, other = (Movement.objects.get(entry=posted.entry) for posted in (drawn, back))
    assert other.reversal_of == one
    assert (other.source_id, other.destination_id) == (one.destination_id, one.source_id)
    assert (str(other.flow_month), str(other.recorded_at.date())) == ("2026-03-01", "2026-04-19")
    assert other.note == "wrong bottle"
    # The flow is as if it had never been, and there is no flow the other way.
    assert Flow.objects.get(destination_kind="reaction").volume_ul == 0
    assert not Flow.objects.filter(source_kind="reaction").exists()


def test_an_entry_is_reversed_once_and_a_reversal_never(club: make.Club) -> None:
    drawn = draw(club, make.stocked(club, THF), "10 mL")
    back = reverse(club, drawn)
    assert refused(club, drawn) == "already-reversed"
    assert refused(club, back) == "is-a-reversal"


def test_what_cannot_be_reversed_says_why(club: make.Club) -> None:
    with pytest.raises(InputError, match="no such entry"):
        reversal.reverse(**at(club), entry=uuid.uuid4(), reason="wrong bottle")
    drawn = draw(club, make.stocked(club, THF), "10 mL")
    with pytest.raises(InputError, match="needs a reason"):
        reversal.reverse(**at(club), entry=drawn.entry, reason="  ")
    other = make.second_club()
    with pytest.raises(InputError, match="no such entry"):
        reversal.reverse(**at(other), entry=drawn.entry, reason="not ours")


def test_a_receipt_is_reversed_while_all_of_it_is_there(club: make.Club) -> None:
    container = make.stocked(club, THF, "500 mL")
    entry = Movement.objects.get(kind="receive").entry
    drawn = draw(club, container, "1 mL")
    assert refused(club, Posted(entry, [])) == "not-enough"
    reverse(club, drawn)
    reverse(club, Posted(entry, []))
    held = make.fresh(container)
    assert (held.volume_ul, held.lot) == (0, None)
    assert held.due_code == "not-a-former"


def test_what_was_counted_in_keeps_its_lot(club: make.Club) -> None:
    container = make.stocked(club, THF, "500 mL")
    entry = Movement.objects.get(kind="receive").entry
    volumes.count(**at(club), container=container, amount="520 mL")
    reverse(club, Posted(entry, []))
    assert (make.fresh(container).volume_ul, make.fresh(container).lot) == (20_000, container.lot)


def test_a_blend_is_parted_while_none_of_it_has_moved(club: make.Club) -> None:
    one, two = make.stocked(club, THF, "300 mL"), make.stocked(club, THF, "200 mL")
    poured = pour(club, one, two, "100 mL")
    drawn = draw(club, two, "10 mL")
    assert refused(club, poured) == "moved-on"
    reverse(club, drawn)
    reverse(club, poured)
    assert [(c.volume_ul, c.lot_id) for c in map(make.fresh, (one, two))] == [
        (300_000, one.lot_id),
        (200_000, two.lot_id),
    ]
    assert audit(full=True).clean


def test_a_tested_blend_is_not_parted(club: make.Club) -> None:
    """Its bad reading would stay with a lot that is nowhere."""
    one, two = make.stocked(club, THF, "300 mL"), make.stocked(club, THF, "200 mL")
    poured = pour(club, one, two, "100 mL")
    test = safety.test_record(
        **at(club), container=make.fresh(two), reading="50", method="strip-25", tested_on=make.TODAY
    ).test
    assert refused(club, poured) == "tested-since"
    withdrawals.test_withdraw(**at(club), test=test, reason="to part the blend", may_loosen=True)
    reverse(club, poured)
    assert make.fresh(two).lot_id == two.lot_id


def test_an_emptied_container_gets_its_own_lot_back(club: make.Club) -> None:
    """What may be left in it is the old solvent, opened nobody knows when by these records."""
    old, other = make.stocked(club, THF, "100 mL"), make.stocked(club, "ethyl-acetate", "300 mL")
    emptied = draw(club, old, "100 mL")
    poured = pour(club, other, old, "50 mL")
    assert make.fresh(old).lot_id == other.lot_id
    assert refused(club, emptied) == "contents-changed"
    reverse(club, poured)
    held = make.fresh(old)
    assert (held.volume_ul, held.lot_id) == (0, old.lot_id)
    assert (held.opened, held.opened_on, held.due_code) == ("opened", None, "opening-date-unknown")
    reverse(club, emptied)
    assert make.fresh(old).volume_ul == 100_000


def test_a_container_that_never_held_anything_is_empty_again(club: make.Club) -> None:
    source, into = make.stocked(club, THF, "300 mL"), make.empty(club)
    poured = pour(club, source, into)
    reverse(club, poured)
    assert make.fresh(into).lot is None
    assert make.fresh(source).volume_ul == 300_000


def test_the_place_of_a_discarded_container_is_closed(club: make.Club) -> None:
    container = make.stocked(club, THF, "50 mL")
    drawn = draw(club, container, "10 mL")
    assert volumes.discard(**at(club), container=container) is not None
    assert refused(club, drawn) == "container-discarded"


def test_a_wrong_discard_is_booked_back(club: make.Club) -> None:
    """The bottle stands on the shelf again with its content, its clock as it was, and is due as before."""
    container = make.stocked(club, THF, "50 mL")
    drawn = draw(club, container, "10 mL")
    before = make.fresh(container)
    gone = volumes.discard(**at(club), container=container)
    assert gone is not None
    reverse(club, gone, days=1)
    held = make.fresh(container)
    assert (held.discarded_at, held.volume_ul, held.lot_id) == (None, 40_000, before.lot_id)
    assert (held.opened_on, held.next_test_due) == (before.opened_on, before.next_test_due)
    event = Event.objects.get(verb="discard-undone")
    assert (event.subject_id, event.data["reason"]) == (container.pk, "wrong bottle")
    assert refused(club, gone) == "already-reversed"
    reverse(club, drawn)
    assert audit(full=True).clean
    again = volumes.discard(**at(club, 2), container=make.fresh(container))
    assert again is not None
    assert make.fresh(container).discarded_at is not None


def test_an_opening_found_to_be_earlier_reaches_what_was_discarded_meanwhile(club: make.Club) -> None:
    giver, taker = make.stocked(club, THF, "300 mL", opened_on=make.TODAY), make.empty(club)
    pour(club, giver, taker, "100 mL")
    gone = volumes.discard(**at(club), container=make.fresh(taker))
    assert gone is not None
    earlier = make.TODAY - timedelta(days=100)
    changes = {"received_on": earlier, "opened_on": earlier}
    corrections.correct(**at(club), container=giver, changes=changes, reason="the older label")
    reverse(club, gone)
    assert make.fresh(taker).opened_on == earlier

"""No order of facts, told late, twice or taken back, makes a test due later than the facts allow.

Expected dates are counted by hand from the intervals that `test_safety` names with their sources.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Movement, Solvent
from inventory.rules.errors import Conflict
from inventory.services import opening, reversal, safety, shipped, volumes
from inventory.services.audit import audit
from inventory.services.ledger import Posted
from tests import factories as make
from tests.factories import day

pytestmark = pytest.mark.django_db
ETHER, THF = "diethyl-ether", "tetrahydrofuran"
OLD: dict[str, Any] = {"opened": "unopened", "received_on": day("2023-01-01"), "inhibited": True}


@pytest.fixture
def club() -> make.Club:
    return make.club()


def at(club: make.Club, days: int = 0) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.steward, "now": make.NOW + timedelta(days=days)}


def due(container: Container) -> tuple[str, str]:
    held = make.fresh(container)
    return str(held.next_test_due), held.due_code


def record(club: make.Club, container: Container, reading: str, on: str | None, days: int = 0) -> None:
    safety.test_record(
        **at(club, days), container=make.fresh(container), reading=reading, method="strip-25",
        tested_on=day(on) if on else None,
    )  # fmt: skip


def draw(club: make.Club, container: Container, amount: str, days: int = 0, late: int = 0) -> Posted:
    return volumes.draw(
        **at(club, days), container=make.fresh(container), amount=amount, destination=club.end("reaction"),
        happened_at=make.NOW + timedelta(days=days - late),
    )  # fmt: skip


def pour(club: make.Club, source: Container, into: Container, amount: str | None = None) -> Posted:
    return volumes.pour(**at(club), source=make.fresh(source), into=make.fresh(into), amount=amount)


# -- openings


def test_an_opening_is_not_told_of_what_another_bottle_brought(club: make.Club) -> None:
    """The day that is not known is the other bottle's, which may have stood open for years."""
    mine = make.stocked(club, THF, "300 mL", inhibited=True)
    pour(club, make.stocked(club, THF, "300 mL", opened="unknown", received_on=day("2020-01-01")), mine)
    before = due(mine)
    assert before[1] == "opening-date-unknown"
    with pytest.raises(Conflict, match="may have been open for longer"):
        opening.mark_opened(container=make.fresh(mine), actor=club.member, now=make.NOW, opened_on=make.TODAY)
    assert due(mine) == before


def test_a_test_opens_a_sealed_bottle_whatever_is_told_later(club: make.Club) -> None:
    bottle = make.stocked(club, ETHER, opened="unopened", received_on=day("2026-01-01"))
    record(club, bottle, "<1", "2026-01-10")
    assert due(bottle) == ("2026-04-10", "after-passed-test")
    draw(club, bottle, "1 mL", days=60)
    assert due(bottle) == ("2026-04-10", "after-passed-test")


def test_a_test_on_an_unknown_day_may_have_opened_it_long_ago(club: make.Club) -> None:
    bottle = make.stocked(club, ETHER, opened="unopened", received_on=day("2026-01-01"))
    record(club, bottle, "<1", None)
    assert due(bottle) == ("2026-01-01", "opening-date-unknown")
    with pytest.raises(Conflict, match="may have been open since before"):
        opening.mark_opened(
            container=make.fresh(bottle),
            actor=club.member,
            now=at(club, 9)["now"],
            opened_on=day("2026-03-19"),
        )
    draw(club, bottle, "1 mL", days=9)
    assert due(bottle) == ("2026-01-01", "opening-date-unknown")


def test_a_drop_of_fresh_solvent_does_not_make_an_overdue_bottle_young(club: make.Club) -> None:
    sealed, opened = make.stocked(club, THF, **OLD), make.stocked(club, THF, **OLD)
    draw(club, opened, "1 mL")
    for bottle in (sealed, opened):
        assert due(bottle)[0] == "2024-01-01"
        pour(club, make.stocked(club, THF, inhibited=True), bottle, "1 mL")
        assert due(bottle) == ("2023-07-01", "opened-interval"), "as if open since its receipt"


def test_put_into_another_bottle_it_stays_as_overdue_as_it_was(club: make.Club) -> None:
    bottle, other = make.stocked(club, THF, **OLD), make.empty(club)
    draw(club, bottle, "100 mL")
    volumes.put_back(
        **at(club), container=other, amount="100 mL", source=club.end("reaction"), lot=make.fresh(bottle).lot
    )
    assert due(other)[0] <= due(bottle)[0]


def test_a_refilled_bottle_no_longer_tells_since_when_its_lot_was_open(club: make.Club) -> None:
    first, second = make.stocked(club, THF, **{**OLD, "received_on": day("2026-01-05")}), make.empty(club)
    lot = make.fresh(first).lot
    pour(club, first, second, "100 mL")
    draw(club, first, "400 mL")
    pour(club, make.stocked(club, THF), first, "10 mL")
    third = make.empty(club)
    volumes.put_back(**at(club), container=third, amount="50 mL", source=club.end("reaction"), lot=lot)
    assert due(third)[1] == "opening-date-unknown"


def test_a_draw_entered_late_ages_what_was_poured_from_the_bottle(club: make.Club) -> None:
    facts: dict[str, Any] = {"opened": "unopened", "received_on": day("2026-01-01")}
    bottle = make.stocked(club, ETHER, happened_at=make.NOW - timedelta(days=66), **facts)
    one, two, other = make.empty(club), make.stocked(club, ETHER), make.stocked(club, ETHER)
    pour(club, bottle, one, "100 mL")
    pour(club, one, two, "10 mL")
    draw(club, bottle, "1 mL", late=60)
    assert [due(c)[0] for c in (bottle, one, two)] == ["2026-04-09"] * 3
    assert due(other)[0] == "2026-06-10"


def test_more_of_its_own_lot_gives_an_emptied_bottle_no_later_opening(club: make.Club) -> None:
    """Or a pour and its reversal would leave the day of the pour on what was there before."""
    bottle, other = make.stocked(club, ETHER, received_on=day("2026-03-01")), make.empty(club)
    pour(club, bottle, other, "100 mL")
    Container.objects.filter(pk=other.pk).update(opened_on=make.TODAY)
    emptied = draw(club, bottle, "400 mL")
    poured = pour(club, other, bottle, "50 mL")
    for entry in (poured.entry, emptied.entry):
        reversal.reverse(**at(club), entry=entry, reason="wrong bottle")
    assert due(bottle) == ("2026-06-01", "opened-interval")


# -- readings


def test_a_bad_reading_stays_with_the_bottle_that_dried_out(club: make.Club) -> None:
    """Peroxides do not evaporate; a passed test of the new content answers them."""
    bottle = make.stocked(club, ETHER, "100 mL")
    record(club, bottle, ">25", "2026-03-10")
    volumes.count(**at(club), container=make.fresh(bottle), amount="0 mL")
    pour(club, make.stocked(club, ETHER), bottle, "90 mL")
    assert due(bottle) == ("2026-03-10", "reading-at-or-above-level")
    record(club, bottle, "<1", "2026-03-09")
    assert due(bottle)[1] == "reading-at-or-above-level"
    record(club, bottle, "<1", "2026-03-10")
    assert due(bottle) == ("2026-06-10", "after-passed-test")


def test_what_was_tested_in_a_bottle_is_not_booked_out_of_it(club: make.Club) -> None:
    source, into = make.stocked(club, THF, "300 mL"), make.empty(club)
    poured = pour(club, source, into, "100 mL")
    record(club, into, "60", "2026-03-10")
    for entry in (poured.entry, Movement.objects.filter(kind="receive").latest("pk").entry):
        with pytest.raises(Conflict) as refusal:
            reversal.reverse(**at(club), entry=entry, reason="wrong bottle")
        assert refusal.value.code in ("tested-since", "not-enough")
    assert due(into)[1] == "reading-at-or-above-level"


# -- what the dates rest on


def test_another_class_in_the_shipped_catalogue_reaches_every_container(club: make.Club) -> None:
    """As a new version brings it."""
    Solvent.objects.filter(lab=None, key=THF).update(peroxide_class="none")
    bottle = make.stocked(club, THF, inhibited=True)
    assert due(bottle) == ("None", "not-a-former")
    shipped.load(now=make.NOW)
    assert due(bottle) == ("2026-09-10", "opened-interval")
    assert audit(full=True).clean

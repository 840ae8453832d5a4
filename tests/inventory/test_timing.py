"""What is entered late fits the time it is said to have happened: stock is never negative in the past."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from inventory.models import Container, Event, Flow, Movement
from inventory.rules.errors import InputError
from inventory.services import containers, reversal, volumes
from inventory.services.containers import ContainerFacts, LotFacts
from inventory.services.ledger import Posted
from tests import factories as make

pytestmark = pytest.mark.django_db
MINUTE, DAY = timedelta(minutes=1), timedelta(days=1)
Act = Callable[[make.Club, Container, datetime], Any]


@pytest.fixture
def club() -> make.Club:
    return make.club()


def at(club: make.Club, now: datetime = make.NOW) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.steward, "now": now}


def draw(club: make.Club, container: Container, when: datetime | None, amount: str = "10 mL") -> Posted:
    to = club.end("reaction")
    bottle = make.fresh(container)
    return volumes.draw(**at(club), container=bottle, amount=amount, destination=to, happened_at=when)


def put_back(club: make.Club, container: Container, when: datetime, amount: str = "10 mL") -> Posted:
    source = club.end("unaccounted")
    bottle = make.fresh(container)
    return volumes.put_back(**at(club), container=bottle, amount=amount, source=source, happened_at=when)


def pour_out(club: make.Club, container: Container, when: datetime) -> Posted:
    other = make.fresh(make.stocked(club, happened_at=make.NOW - 90 * DAY, received_on=None))
    return volumes.pour(**at(club), source=make.fresh(container), into=other, amount="5 mL", happened_at=when)


def pour_in(club: make.Club, container: Container, when: datetime) -> Posted:
    other = make.fresh(make.stocked(club, happened_at=make.NOW - 90 * DAY, received_on=None))
    return volumes.pour(**at(club), source=other, into=make.fresh(container), amount="5 mL", happened_at=when)


def count(club: make.Club, container: Container, when: datetime | None, amount: str = "400 mL") -> int:
    return volumes.count(
        **at(club), container=make.fresh(container), amount=amount, happened_at=when
    ).difference_ul


def discard(club: make.Club, container: Container, when: datetime) -> Posted | None:
    return volumes.discard(**at(club), container=make.fresh(container), happened_at=when)


def refused(act: Callable[[], Any]) -> tuple[str, str]:
    before = Movement.objects.count(), Event.objects.count()
    with pytest.raises(InputError) as refusal:
        act()
    assert (Movement.objects.count(), Event.objects.count()) == before
    return refusal.value.field, refusal.value.code


@pytest.mark.parametrize("act", [draw, put_back, pour_out, pour_in, count, discard])
def test_nothing_moves_before_the_receipt(club: make.Club, act: Act) -> None:
    came = make.NOW - 3 * DAY
    bottle = make.stocked(club, happened_at=came, received_on=None)
    with pytest.raises(InputError) as refusal:
        act(club, bottle, came - 6 * MINUTE)
    assert (refusal.value.field, refusal.value.code) == ("happened_at", "before-receipt")
    assert make.fresh(bottle).volume_ul == 500_000
    act(club, bottle, came + MINUTE)


def test_what_was_not_bought_is_counted_from_a_day_on(club: make.Club) -> None:
    early, lot = make.NOW - DAY, make.stocked(club).lot
    for bottle in (make.stocked(club, origin="not-known"), make.empty(club)):
        late: dict[str, Any] = {"container": make.fresh(bottle), "lot": lot, "happened_at": early}
        source = club.end("unaccounted")
        with pytest.raises(InputError) as refusal:
            volumes.put_back(**at(club), **late, amount="1 mL", source=source)
        assert (refusal.value.field, refusal.value.code) == ("happened_at", "before-counting")


def test_a_receipt_entered_late_begins_the_counting(club: make.Club) -> None:
    """It came at 22:30 UTC on 31 January, which is February in Berlin."""
    came = datetime(2026, 1, 31, 23, 30, tzinfo=UTC)
    bottle = make.stocked(club, happened_at=came, received_on=make.day("2026-02-01"))
    assert bottle.counting_began_at == came
    assert Flow.objects.get().month == make.day("2026-02-01")
    draw(club, bottle, came + MINUTE)
    assert make.fresh(bottle).volume_ul == 490_000


def test_a_receipt_is_no_later_than_its_day(club: make.Club) -> None:
    facts: dict[str, Any] = {"solvent": make.solvent("acetone"), "amount": "1 mL", "lot": LotFacts()}
    held = ContainerFacts(capacity_ul=1000, received_on=make.TODAY)
    assert refused(
        lambda: containers.receive(**at(club), **facts, facts=held, happened_at=make.NOW - DAY)
    ) == ("received_on", "after-receipt")


def test_a_clock_may_be_a_little_behind(club: make.Club) -> None:
    """Then it counts as the first moment that can be: the stock of no month is negative."""
    came = datetime(2026, 2, 28, 23, 1, tzinfo=UTC)  # one minute into March in Berlin
    bottle = make.stocked(club, happened_at=came, received_on=None)
    posted = draw(club, bottle, came - 4 * MINUTE, "500 mL")
    assert Movement.objects.get(entry=posted.entry).happened_at == came
    filled = put_back(club, bottle, make.NOW - DAY, "300 mL")
    again = draw(club, bottle, make.NOW - DAY - 4 * MINUTE, "300 mL")
    moved = Movement.objects.filter(entry__in=[filled.entry, again.entry])
    assert set(moved.values_list("happened_at", flat=True)) == {make.NOW - DAY}
    assert set(Flow.objects.values_list("month", flat=True)) == {make.day("2026-03-01")}


def test_what_came_in_later_cannot_have_been_drawn(club: make.Club) -> None:
    """100 mL from day −10 on, 300 mL more since day −2: on day −5 there were 100 mL."""
    bottle = make.stocked(club, amount="100 mL", happened_at=make.NOW - 10 * DAY, received_on=None)
    put_back(club, bottle, make.NOW - 2 * DAY, "300 mL")
    five_ago = make.NOW - 5 * DAY
    assert refused(lambda: draw(club, bottle, five_ago, "101 mL")) == ("happened_at", "not-enough-then")
    draw(club, bottle, five_ago, "60 mL")
    assert refused(lambda: draw(club, bottle, make.NOW - 7 * DAY, "41 mL")) == (
        "happened_at",
        "not-enough-then",
    )
    assert refused(lambda: draw(club, bottle, five_ago, "41 mL"))[1] == "not-enough-then"
    draw(club, bottle, make.NOW - 7 * DAY, "40 mL")
    draw(club, bottle, make.NOW - DAY, "300 mL")
    assert make.fresh(bottle).volume_ul == 0


def test_what_was_reversed_never_happened(club: make.Club) -> None:
    bottle = make.stocked(club, amount="100 mL", happened_at=make.NOW - 10 * DAY, received_on=None)
    wrong = draw(club, bottle, make.NOW - 5 * DAY, "90 mL")
    assert refused(lambda: draw(club, bottle, make.NOW - 8 * DAY, "20 mL"))[1] == "not-enough"
    reversal.reverse(**at(club), entry=wrong.entry, reason="another bottle")
    draw(club, bottle, make.NOW - 8 * DAY, "100 mL")
    assert make.fresh(bottle).volume_ul == 0


def test_what_was_drawn_since_keeps_an_entry_from_being_reversed(club: make.Club) -> None:
    """100 and 50 mL came, 120 went, 100 came: without the 50 there were 20 too few for a while."""
    bottle = make.stocked(club, amount="100 mL", happened_at=make.NOW - 10 * DAY, received_on=None)
    more = put_back(club, bottle, make.NOW - 9 * DAY, "50 mL")
    drawn = draw(club, bottle, make.NOW - 5 * DAY, "120 mL")
    put_back(club, bottle, make.NOW - DAY, "100 mL")

    def undo(posted: Posted) -> Posted:
        return reversal.reverse(**at(club), entry=posted.entry, reason="another bottle")

    assert refused(lambda: undo(more)) == ("entry", "moved-on")
    undo(drawn)
    undo(more)
    assert make.fresh(bottle).volume_ul == 200_000


def test_a_late_pour_needs_what_was_there_then(club: make.Club) -> None:
    giver = make.stocked(club, amount="100 mL", happened_at=make.NOW - 10 * DAY, received_on=None)
    taker = make.stocked(club, amount="100 mL", happened_at=make.NOW - 10 * DAY, received_on=None)
    put_back(club, giver, make.NOW - 2 * DAY, "300 mL")

    def pour(amount: str, when: datetime) -> Posted:
        ends: dict[str, Any] = {"source": make.fresh(giver), "into": make.fresh(taker)}
        return volumes.pour(**at(club), **ends, amount=amount, happened_at=when)

    assert refused(lambda: pour("101 mL", make.NOW - 5 * DAY)) == ("happened_at", "not-enough-then")
    pour("100 mL", make.NOW - 5 * DAY)
    # A blend leaves and enters at one moment: that is no time without content.
    draw(club, taker, make.NOW - 5 * DAY, "200 mL")


def test_a_count_entered_late_is_held_against_the_records_of_that_time(club: make.Club) -> None:
    """Found 390 of 400 mL at noon; 50 mL were drawn since: 10 mL are missing, not 40 too many."""
    bottle = make.stocked(club, amount="400 mL", happened_at=make.NOW - DAY, received_on=None)
    draw(club, bottle, None, "50 mL")
    assert count(club, bottle, make.NOW - 2 * MINUTE, "390 mL") == -10_000
    assert make.fresh(bottle).volume_ul == 340_000
    assert Event.objects.filter(verb="count").latest("pk").data["recorded_ul"] == 400_000
    assert count(club, bottle, make.NOW - MINUTE, "390 mL") == 0
    assert count(club, bottle, None, "341 mL") == 1_000


def test_nothing_is_used_after_its_disposal(club: make.Club) -> None:
    bottle = make.stocked(club, happened_at=make.NOW - 10 * DAY, received_on=None)
    draw(club, bottle, make.NOW - DAY)
    assert refused(lambda: discard(club, bottle, make.NOW - 2 * DAY)) == ("happened_at", "used-since")
    discard(club, bottle, make.NOW - DAY)
    assert make.fresh(bottle).discarded_at == make.NOW - DAY


def test_what_happens_now_costs_no_further_look(club: make.Club) -> None:
    bottle = make.fresh(make.stocked(club, happened_at=make.NOW - DAY, received_on=None))
    to = club.end("reaction")

    def queries(when: datetime | None) -> int:
        with CaptureQueriesContext(
            connection,
        ) as seen:
            volumes.draw(**at(club), container=bottle, amount="1 mL", destination=to, happened_at=when)
        return len(seen)

    now = queries(None)
    assert queries(make.NOW) == now
    assert queries(make.NOW - MINUTE) == now + 2, "one look at what came later, one at what is held"
    draw(club, bottle, make.NOW - DAY)
    assert queries(make.NOW) == now


class TestAnyOrder(TestCase):
    """However entries are dated, the balance by time, added up in Python, is never below zero."""

    @settings(max_examples=40, deadline=None)
    @given(
        steps=st.lists(
            st.tuples(st.booleans(), st.integers(1, 120), st.integers(0, 20)), min_size=1, max_size=12
        )
    )
    def test_the_balance_by_time_is_never_negative(self, steps: list[tuple[bool, int, int]]) -> None:
        club = make.club()
        bottle = make.stocked(club, amount="100 mL", happened_at=make.NOW - 20 * DAY, received_on=None)
        for inwards, volume_ml, days in steps:
            moved: list[tuple[datetime, int]] = history(bottle)
            act = put_back if inwards else draw
            when = make.NOW - days * DAY
            wanted = volume_ml * 1000 * (1 if inwards else -1)
            try:
                act(club, bottle, when, f"{volume_ml} mL")
            except InputError as refusal:
                assert refusal.code in ("not-enough", "not-enough-then", "container-empty", "over-capacity")
                if refusal.code == "not-enough-then":
                    assert lowest([*moved, (when, wanted)]) < 0, "refused without need"
            assert lowest(history(bottle)) >= 0


def history(bottle: Container) -> list[tuple[datetime, int]]:
    into = Movement.objects.filter(destination_id=bottle.place_id).values_list("happened_at", "volume_ul")
    out_of = Movement.objects.filter(source_id=bottle.place_id).values_list("happened_at", "volume_ul")
    return [*into, *((when, -volume_ul) for when, volume_ul in out_of)]


def lowest(moved: list[tuple[datetime, int]]) -> int:
    """The least balance after any moment."""
    return min(sum(ul for at_, ul in moved if at_ <= when) for when, _ in moved)

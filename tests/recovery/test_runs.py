"""Runs from the first charge to the close: what goes out, what comes back as which lot, what is lost."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from inventory.models import Container, Event, Lot, LotParent, Movement
from inventory.rules.errors import Conflict, InputError
from inventory.services.audit import audit
from recovery.models import Run, RunSum
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still, sums

pytestmark = pytest.mark.django_db
ETHER, THF = "diethyl-ether", "tetrahydrofuran"
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def refused(act: Callable[[], Any]) -> tuple[str, str]:
    before = Movement.objects.count(), Lot.objects.count(), Event.objects.count()
    with pytest.raises(InputError) as refusal:
        act()
    assert (Movement.objects.count(), Lot.objects.count(), Event.objects.count()) == before
    return refusal.value.field, refusal.value.code


def parents(lot: Lot) -> dict[int, int]:
    return dict(LotParent.objects.filter(lot=lot).values_list("parent_id", "volume_ul"))


def lot_of(container: Container) -> Lot:
    lot = make.fresh(container).lot
    assert lot is not None
    return lot


# -- the start


def test_a_run_starts_empty_with_a_place_of_its_own(still: Still) -> None:
    run = still.start("  fat  in biscuits ", remarks="still 1")
    assert (run.purpose, run.place.kind, run.closed_at) == ("fat in biscuits", "run", None)
    assert (run.started_at, run.month) == (make.NOW, date(2026, 3, 1))
    assert (run.operator, run.operator_name) == (still.club.member, still.club.member.display_name)
    assert still.start().place_id != run.place_id
    event = Event.objects.get(subject_kind="run", subject_id=run.pk)
    assert (event.verb, event.actor) == ("run-started", still.club.member)


def test_the_operator_may_be_somebody_without_an_account(still: Still) -> None:
    run = still.start(operator_name=" Mia  K. ")
    assert (run.operator, run.operator_name) == (None, "Mia K.")
    other = still.start(operator=still.club.steward)
    assert other.operator_name == still.club.steward.display_name


@pytest.mark.parametrize("purpose", ["", "  ", "x" * 121])
def test_a_run_needs_a_purpose(still: Still, purpose: str) -> None:
    assert refused(lambda: still.start(purpose)) == ("purpose", "missing")


def test_a_run_has_started_already(still: Still) -> None:
    assert refused(lambda: still.start(started_at=make.NOW + HOUR)) == ("started_at", "in-the-future")


# -- charges


def test_charges_come_from_several_bottles_and_lots(still: Still) -> None:
    run, one, two = still.start(), still.bottle(), still.bottle(amount="300 mL")
    still.charge(run, one, "200 mL")
    still.charge(run, two, "100 mL")
    still.charge(run, one, "50 mL")
    assert sums(run) == (350_000, 0, 0, 350_000)
    assert (make.fresh(one).volume_ul, make.fresh(two).volume_ul) == (250_000, 200_000)
    kinds = Movement.objects.filter(destination=run.place).values_list("kind", flat=True)
    assert list(kinds) == ["charge"] * 3
    assert Run.objects.get(pk=run.pk).version == 4


def test_a_bottle_gives_no_more_than_it_holds(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    assert refused(lambda: still.charge(run, bottle, "501 mL")) == ("volume", "not-enough")
    assert not RunSum.objects.exists()


def test_several_solvents_have_sums_of_their_own(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(ETHER), "100 mL")
    still.charge(run, still.bottle(THF), "60 mL")
    flask = still.flask()
    assert refused(lambda: still.back(run, flask, "50 mL")) == ("solvent", "several-solvents")
    still.back(run, flask, "50 mL", solvent=make.solvent(THF))
    assert sums(run, THF) == (60_000, 50_000, 0, 10_000)
    assert sums(run, ETHER) == (100_000, 0, 0, 100_000)
    assert refused(lambda: still.close(run, Loss("air", "1 mL"))) == ("solvent", "several-solvents")
    still.close(run, Loss("air", "1 mL", make.solvent(THF)))
    assert (sums(run, THF), sums(run, ETHER)) == ((60_000, 50_000, 10_000, 0), (100_000, 0, 100_000, 0))


# -- what comes back


def test_nothing_comes_back_from_nothing(still: Still) -> None:
    run, flask = still.start(), still.flask()
    assert refused(lambda: still.back(run, flask, "5 mL")) == ("run", "nothing-charged")
    still.charge(run, still.bottle(ETHER), "10 mL")
    other = make.solvent("acetone")
    assert refused(lambda: still.back(run, flask, "5 mL", solvent=other)) == ("run", "nothing-charged")


def test_what_comes_back_is_a_lot_of_its_own(still: Still) -> None:
    """Distilling leaves the inhibitor behind, so the clock of class B starts anew: three months."""
    run = still.start()
    bottle = still.bottle(inhibited=True, inhibitor="BHT", opened="unopened")
    still.charge(run, bottle, "200 mL")
    flask = still.flask()
    later = make.NOW + 30 * DAY
    still.back(run, flask, "150 mL", now=later)
    lot = lot_of(flask)
    assert (lot.origin, lot.inhibited, lot.inhibitor) == ("recovered", False, "")
    assert (lot.made_on, lot.times_distilled, lot.solvent.key) == (date(2026, 4, 9), 1, ETHER)
    held = make.fresh(flask)
    assert (held.opened, held.opened_on) == ("opened", date(2026, 4, 9))
    assert held.next_test_due == date(2026, 7, 9)
    # The bottle it came from keeps a clock of its own: inhibited, opened by the charge, six months.
    assert make.fresh(bottle).next_test_due == date(2026, 9, 10)
    assert sums(run) == (200_000, 150_000, 0, 50_000)


def test_its_parents_are_the_lots_charged_in_proportion(still: Still) -> None:
    """100.003 mL by 200 : 100 : 50 are 57.1446, 28.5723 and 14.2861 mL; the rounding loses nothing."""
    run, bottles = still.start(), [still.bottle() for _ in range(3)]
    for bottle, amount in zip(bottles, ("150 mL", "100 mL", "50 mL"), strict=True):
        still.charge(run, bottle, amount)
    still.charge(run, bottles[0], "50 mL")
    flask = still.flask()
    still.back(run, flask, "100.003 mL")
    of_each = parents(lot_of(flask))
    assert [of_each[lot_of(bottle).pk] for bottle in bottles] == [57_145, 28_572, 14_286]
    assert sum(of_each.values()) == 100_003


def test_a_share_of_nothing_is_no_parent(still: Still) -> None:
    run, much, little = still.start(), still.bottle(), still.bottle()
    still.charge(run, much, "400 mL")
    still.charge(run, little, "0.001 mL")
    flask = still.flask()
    still.back(run, flask, "0.01 mL")
    assert parents(lot_of(flask)) == {lot_of(much).pk: 10}


def test_distilled_again_counts_on_from_the_most_distilled(still: Still) -> None:
    first, fresh, once, twice = still.start(), still.bottle(), still.flask(), still.flask()
    still.charge(first, fresh, "200 mL")
    still.back(first, once, "150 mL")
    second = still.start()
    still.charge(second, once, "150 mL")
    still.charge(second, fresh, "50 mL")
    still.back(second, twice, "120 mL")
    assert [lot_of(each).times_distilled for each in (fresh, once, twice)] == [0, 1, 2]
    assert set(parents(lot_of(twice))) == {lot_of(once).pk, lot_of(fresh).pk}


def test_into_a_bottle_with_content_it_becomes_a_blend(still: Still) -> None:
    """The blend is as bad as the worse of both: uninhibited, and open as long as the older."""
    run, bottle = still.start(), still.bottle(inhibited=True, inhibitor="BHT")
    still.charge(run, bottle, "200 mL")
    before = lot_of(bottle)
    still.back(run, bottle, "150 mL", now=make.NOW + 5 * DAY)
    blend = lot_of(bottle)
    assert (blend.origin, blend.inhibited, blend.times_distilled) == ("blend", False, 1)
    of_each = parents(blend)
    (recovered,) = Lot.objects.filter(origin="recovered")
    assert of_each == {before.pk: 300_000, recovered.pk: 150_000}
    assert parents(recovered) == {before.pk: 150_000}
    held = make.fresh(bottle)
    assert (held.volume_ul, held.opened_on) == (450_000, make.TODAY)
    assert held.next_test_due == date(2026, 6, 10)
    assert sums(run) == (200_000, 150_000, 0, 50_000)


def test_unlike_solvents_are_never_put_together(still: Still) -> None:
    run, other = still.start(), still.bottle(THF)
    still.charge(run, still.bottle(ETHER), "100 mL")
    assert refused(lambda: still.back(run, other, "50 mL")) == ("into", "unlike-solvents")


def test_more_back_than_out_is_a_finding_not_an_error(still: Still) -> None:
    run = still.start(findings=["smelt of burnt sugar"])
    still.charge(run, still.bottle(), "100 mL")
    still.back(run, still.flask(), "60 mL")
    assert Run.objects.get(pk=run.pk).findings == ["smelt of burnt sugar"]
    for _ in range(2):
        still.back(run, still.flask(), "22 mL")
    # 82 mL of 100 mL leave less than the heel of a fifth; 104 mL are more than went out.
    found = ["smelt of burnt sugar", "heel-not-kept", "more-back-than-out"]
    assert Run.objects.get(pk=run.pk).findings == found
    closed = still.close(run)
    assert sums(run) == (100_000, 104_000, -4_000, 0)
    surplus = Movement.objects.get(destination=run.place, kind="loss")
    assert (surplus.source.kind, surplus.volume_ul) == ("unaccounted", 4_000)
    assert closed.findings[-1] == "more-back-than-out"


# -- the close


def test_the_close_names_losses_and_books_the_rest_as_unaccounted(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "200 mL")
    still.back(run, still.flask(), "150 mL")
    closed = still.close(
        run, Loss("still-residue", "10 mL"), Loss("water-layer", "7.5 mL"), now=make.NOW + HOUR
    )
    assert (closed.closed_at, closed.version) == (make.NOW + HOUR, 4)
    assert sums(run) == (200_000, 150_000, 50_000, 0)
    lost = Movement.objects.filter(source=run.place, kind="loss").order_by("pk")
    assert list(lost.values_list("destination__kind", "volume_ul")) == [
        ("still-residue", 10_000),
        ("water-layer", 7_500),
        ("unaccounted", 32_500),
    ]
    assert len({row.entry for row in lost}) == 1, "they are reversed together"
    event = Event.objects.get(verb="run-closed")
    assert event.data == {
        "lost_ul": {str(make.solvent(ETHER).pk): 50_000},
        "entry": str(closed.closing_entry),
    }


def test_a_run_without_loss_or_use_is_closed_too(still: Still) -> None:
    run, unused = still.start(), still.start()
    still.charge(run, still.bottle(), "100 mL")
    still.back(run, still.flask(), "100 mL")
    still.close(run)
    still.close(unused)
    assert sums(run) == (100_000, 100_000, 0, 0)
    assert not RunSum.objects.filter(run=unused).exists()
    assert not Movement.objects.filter(kind="loss").exists()


def test_no_more_is_named_than_is_left(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "100 mL")
    still.back(run, still.flask(), "80 mL")
    more = [Loss("air", "15 mL"), Loss("still-residue", "5.001 mL")]
    assert refused(lambda: still.close(run, *more)) == ("losses.1.volume", "more-than-left")
    strange = Loss("air", "1 mL", make.solvent("acetone"))
    assert refused(lambda: still.close(run, strange)) == ("losses.0.volume", "more-than-left")
    assert Run.objects.get(pk=run.pk).closed_at is None
    still.close(run, Loss("air", "15 mL"), Loss("still-residue", "5 mL"))
    assert not Movement.objects.filter(destination__kind="unaccounted").exists()


@pytest.mark.parametrize("to", ["supplier", "container", "count-difference", "somewhere", ""])
def test_a_loss_has_a_name_that_is_known(still: Still, to: str) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "100 mL")
    assert refused(lambda: still.close(run, Loss(to, "1 mL"))) == ("losses.0.to", "unknown-loss")


def test_a_closed_run_takes_nothing_more(still: Still) -> None:
    run, bottle, flask = still.start(), still.bottle(), still.flask()
    still.charge(run, bottle, "100 mL")
    still.close(run)
    for act in (
        lambda: still.charge(run, bottle, "1 mL"),
        lambda: still.back(run, flask, "1 mL"),
        lambda: still.close(run),
    ):
        with pytest.raises(Conflict) as refusal:
            act()
        assert (refusal.value.field, refusal.value.code) == ("run", "run-closed")
    assert sums(run) == (100_000, 0, 100_000, 0)
    assert audit(full=True).clean


# -- when


def test_nothing_happens_in_a_run_before_it_started(still: Still) -> None:
    bottle = still.bottle(happened_at=make.NOW - 10 * DAY, received_on=None)
    flask = Container.objects.get(pk=bottle.pk)
    run = still.start(started_at=make.NOW - DAY)
    early = make.NOW - DAY - timedelta(minutes=6)
    still.charge(run, bottle, "100 mL", happened_at=make.NOW - DAY)
    for act in (
        lambda: still.charge(run, bottle, "1 mL", happened_at=early),
        lambda: still.back(run, flask, "1 mL", happened_at=early),
        lambda: still.close(run, happened_at=early),
    ):
        assert refused(act) == ("happened_at", "before-start")


def test_a_clock_may_be_a_little_behind(still: Still) -> None:
    bottle = still.bottle(happened_at=make.NOW - 10 * DAY, received_on=None)
    run = still.start(started_at=make.NOW - DAY)
    posted = still.charge(run, bottle, "100 mL", happened_at=make.NOW - DAY - timedelta(minutes=4))
    assert Movement.objects.get(entry=posted.entry).happened_at == make.NOW - DAY
    closed = still.close(run, happened_at=make.NOW - DAY - timedelta(minutes=3))
    assert closed.closed_at == make.NOW - DAY


def test_no_bottle_gives_or_takes_before_it_came(still: Still) -> None:
    bottle = still.bottle(happened_at=make.NOW - 10 * DAY, received_on=None)
    late, flask = still.bottle(), still.flask()
    run = still.start(started_at=make.NOW - 5 * DAY)
    when: dict[str, Any] = {"happened_at": make.NOW - 4 * DAY}
    still.charge(run, bottle, "100 mL", **when)
    assert refused(lambda: still.charge(run, late, "1 mL", **when)) == ("happened_at", "before-receipt")
    assert refused(lambda: still.back(run, flask, "1 mL", **when)) == ("happened_at", "before-counting")
    still.back(run, bottle, "50 mL", **when)


def test_a_run_is_closed_after_its_last_use(still: Still) -> None:
    bottle = still.bottle(happened_at=make.NOW - 10 * DAY, received_on=None)
    run = still.start(started_at=make.NOW - 5 * DAY)
    still.charge(run, bottle, "100 mL", happened_at=make.NOW - 2 * DAY)
    early = make.NOW - 3 * DAY
    assert refused(lambda: still.close(run, happened_at=early)) == ("happened_at", "used-since")
    assert still.close(run, happened_at=make.NOW - DAY).closed_at == make.NOW - DAY


@pytest.mark.parametrize(
    ("utc", "month"),
    [
        # Europe/Berlin is UTC+1 until 29 March 2026 and UTC+2 after it (IANA time zone database).
        (datetime(2026, 2, 28, 22, 59, tzinfo=UTC), date(2026, 2, 1)),
        (datetime(2026, 2, 28, 23, 0, tzinfo=UTC), date(2026, 3, 1)),
        (datetime(2026, 3, 31, 21, 59, tzinfo=UTC), date(2026, 3, 1)),
        (datetime(2026, 3, 31, 22, 0, tzinfo=UTC), date(2026, 4, 1)),
    ],
)
def test_the_month_of_a_run_is_that_of_the_labs_clock(still: Still, utc: datetime, month: date) -> None:
    assert still.start(started_at=utc, now=utc + 2 * DAY).month == month

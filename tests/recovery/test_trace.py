"""A lot is followed through blends and distillations, back and forth, and nothing is lost on the way."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, Phase, given, settings

from inventory.models import Container, Lot, LotParent
from inventory.rules.errors import Conflict
from inventory.services import reversal, treatments, volumes
from recovery.selectors import lot_walk, trace
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still
from tests.recovery.test_solvent_balance import NUMBERS, ORDER, Events

pytestmark = pytest.mark.django_db
PLAIN = "ethyl-acetate"


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def lot_of(container: Container) -> Lot:
    lot = make.fresh(container).lot
    assert lot is not None
    return lot


def found(lot: Lot) -> trace.Descent:
    made = trace.descent(lot=lot)
    assert made.where is not None
    return made


def accounted(where: Any) -> Fraction:
    return sum([*where.standing.values(), *where.gone.values(), *where.lost.values()], Fraction())


def test_one_lot_through_a_blend_and_a_still(still: Still) -> None:
    """200 mL of A and 300 mL of B in one bottle; all charged, 400 mL back, 50 to the air, 50 missing."""
    a, b = still.bottle(PLAIN, "200 mL"), still.bottle(PLAIN, "300 mL")
    lot_a, lot_b = lot_of(a), lot_of(b)
    volumes.pour(**still.at(), source=a, into=make.fresh(b), amount="200 mL")
    run, flask = still.start(), still.flask()
    still.charge(run, b, "500 mL")
    still.back(run, flask, "400 mL")
    still.close(run, Loss("air", "50 mL"))
    blend, back = LotParent.objects.get(parent=lot_a).lot, lot_of(flask)

    made = trace.ancestry(lot=back)
    assert made.whole_ul == 400_000
    assert made.volumes_ul == {back.pk: 400_000, blend.pk: 400_000, lot_a.pk: 160_000, lot_b.pk: 240_000}
    assert made.steps == {back.pk: 0, blend.pk: 1, lot_a.pk: 2, lot_b.pk: 2}
    assert made.by_origin == {"purchased": 400_000}

    forth = found(lot_a)
    assert forth.shares == {lot_a.pk: 1, blend.pk: Fraction(2, 5), back.pk: Fraction(2, 5)}
    where = forth.where
    assert where is not None
    assert where.came_in_ul == 200_000
    assert where.gone == {}
    assert where.standing == {flask.place_id: 160_000}
    assert where.lost_in == {run.place_id: {"air": 20_000, "unaccounted": 20_000}}

    passed = trace.passed_by([blend.pk, back.pk])
    assert passed[blend.pk] == trace.Passed(((b.pk, b.code, 0),), (run.pk,))
    assert passed[back.pk] == trace.Passed(((flask.pk, flask.code, 400_000),), (run.pk,))


def test_what_was_drawn_put_back_and_wasted(still: Still) -> None:
    bottle = still.bottle(PLAIN, "500 mL")
    to = {kind: still.club.end(kind) for kind in ("reaction", "waste-contractor")}
    volumes.draw(**still.at(), container=bottle, amount="100 mL", destination=to["reaction"])
    volumes.draw(
        **still.at(), container=make.fresh(bottle), amount="30 mL", destination=to["waste-contractor"]
    )
    volumes.put_back(**still.at(), container=make.fresh(bottle), amount="40 mL", source=to["reaction"])
    where = found(lot_of(bottle)).where
    assert where is not None
    assert where.gone == {"reaction": 60_000, "waste": 30_000}
    assert where.standing == {bottle.place_id: 410_000}


def test_a_treated_lot_is_followed(still: Still) -> None:
    """What is set apart by a treatment goes through the blending boundary as a lot of its own."""
    bottle = still.bottle("diethyl-ether", "300 mL")
    before = lot_of(bottle)
    treatments.peroxides_remove(**still.at(), container=make.fresh(bottle), how="shaken with a ferrous salt")
    assert found(before).shares == {before.pk: 1, lot_of(bottle).pk: 1}
    assert trace.ancestry(lot=lot_of(bottle)).by_origin == {"purchased": 300_000}


def test_a_blend_that_was_booked_back_never_was(still: Still) -> None:
    a, b = still.bottle(PLAIN, "200 mL"), still.bottle(PLAIN, "300 mL")
    lot_a = lot_of(a)
    poured = volumes.pour(**still.at(), source=a, into=make.fresh(b), amount="100 mL")
    blend = lot_of(b)
    by = {**still.at(), "actor": still.club.supervisor}
    reversal.reverse(**by, entry=poured.entry, reason="wrong bottle", may_loosen=True)
    assert found(lot_a).shares == {lot_a.pk: 1}
    assert trace.ancestry(lot=blend) == trace.Ancestry(0, {blend.pk: 0}, {blend.pk: 0}, {})


def chain(still: Still, generations: int) -> list[Lot]:
    """Distilled again and again: each time half of the last lot, the other half stays where it is."""
    bottle = still.bottle(PLAIN, "1 L", capacity_ul=1_100_000)
    lots = [lot_of(bottle)]
    for _ in range(generations):
        run, flask = still.start(), still.flask()
        still.charge(run, bottle, {"value": str(make.fresh(bottle).volume_ul // 2), "unit": "uL"})  # type: ignore[arg-type]
        still.back(run, flask, {"value": str(max(bottle.volume_ul // 3, 1)), "unit": "uL"})  # type: ignore[arg-type]
        still.close(run)
        bottle = make.fresh(flask)
        lots.append(lot_of(bottle))
    return lots


def test_generations_can_be_limited(still: Still) -> None:
    lots = chain(still, 4)
    assert trace.ancestry(lot=lots[4]).steps == {lot.pk: 4 - n for n, lot in enumerate(lots)}
    some = trace.ancestry(lot=lots[4], generations=2)
    assert some.steps == {lots[4].pk: 0, lots[3].pk: 1, lots[2].pk: 2}
    assert some.by_origin == {"recovered": some.whole_ul}
    forth = trace.descent(lot=lots[0], generations=1)
    assert (forth.steps, forth.where) == ({lots[0].pk: 0, lots[1].pk: 1}, None)
    assert set(found(lots[0]).steps) == {lot.pk for lot in lots}


def test_how_often_what_is_in_a_bottle_was_distilled(still: Still) -> None:
    """300 mL distilled once and 100 mL bought: by share, not by the most of any part."""
    bottle, flask = still.bottle(PLAIN, "500 mL"), still.flask()
    run = still.start()
    still.charge(run, bottle, "400 mL")
    still.back(run, flask, "300 mL")
    volumes.pour(**still.at(), source=make.fresh(bottle), into=make.fresh(flask), amount="100 mL")
    assert trace.times_distilled_in(container=make.fresh(flask)) == {0: 100_000, 1: 300_000}
    assert lot_of(flask).times_distilled == 1
    assert trace.times_distilled_in(container=still.flask()) == {}


def test_what_costs_too_much_is_refused(still: Still, monkeypatch: pytest.MonkeyPatch) -> None:
    lots = chain(still, 3)
    monkeypatch.setattr(lot_walk, "EDGES_MAX", 2)
    with pytest.raises(Conflict, match="fewer generations"):
        trace.ancestry(lot=lots[3])
    assert trace.ancestry(lot=lots[3], generations=2).steps[lots[1].pk] == 2


# -- what it costs


def _asked(lot: Lot) -> list[str]:
    with CaptureQueriesContext(connection) as seen:
        trace.descent(lot=lot)
        trace.ancestry(lot=lot)
        trace.passed_by([lot.pk])
    return [query["sql"] for query in seen.captured_queries]


@pytest.mark.once
def test_no_statement_reads_what_does_not_belong_to_the_answer(still: Still) -> None:
    """As many statements beside a larger ledger, and none goes through a whole table (SQLite's own plan)."""
    lots = chain(still, 3)
    before = _asked(lots[1])
    for _ in range(5):
        still.whole("100 mL", "50 mL", key=PLAIN)
    after = _asked(lots[1])
    assert len(before) == len(after)
    if connection.vendor != "sqlite":
        return
    for sql in after:
        with connection.cursor() as cursor:
            cursor.execute(f"EXPLAIN QUERY PLAN {sql.replace('%', '%%')}")
            steps = [row[3] for row in cursor.fetchall()]
        scans = [step for step in steps if step.startswith("SCAN")]
        # The walk itself and what was gathered for grouping are the answer.
        assert {step.split()[1] for step in scans} <= {"walk", "w", "x", "(subquery-1)", "CONSTANT"}, steps


# -- for any sequence of events


@given(order=ORDER, numbers=NUMBERS)
@settings(
    max_examples=6,
    deadline=None,
    database=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.generate],
)
def test_nothing_of_any_lot_is_lost_on_the_way(order: list[str], numbers: list[tuple[int, int, int]]) -> None:
    with transaction.atomic():
        events = Events()
        for what, given_numbers in zip(order, numbers, strict=True):
            events.take(what, *given_numbers)
        for lot in Lot.objects.filter(lab=events.still.lab):
            where = found(lot).where
            assert where is not None
            assert accounted(where) == where.came_in_ul
            made = trace.ancestry(lot=lot)
            assert sum(made.by_origin.values()) == made.whole_ul
        for container in Container.objects.filter(lab=events.still.lab):
            spread = trace.times_distilled_in(container=container)
            assert sum(spread.values()) == container.volume_ul
        transaction.set_rollback(True)

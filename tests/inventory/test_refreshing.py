"""Facts in bulk: as many statements for five hundred containers as for ten, and the same answers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Container, Lot, Movement, Observation, PeroxideTest, Place, Policy
from inventory.services import audit, facts, policies, refreshing, safety, volumes
from inventory.services.refreshing import COLUMNS
from tests import factories as make

pytestmark = pytest.mark.django_db
THF = "tetrahydrofuran"
MANY = 500


@pytest.fixture
def club() -> make.Club:
    return make.club()


def at(club: make.Club, days: int = 0) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.steward, "now": make.NOW + timedelta(days=days)}


def record_test(club: make.Club, bottle: Container, reading: str, days: int = 0) -> None:
    safety.test_record(
        **at(club, days), container=make.fresh(bottle), reading=reading, method="strip-25",
        tested_on=make.TODAY + timedelta(days=days),
    )  # fmt: skip


def a_few(club: make.Club) -> list[Container]:
    """Of each kind of fact one: sealed, opened, tested, blended, poured on, with signs, bad, no former."""
    sealed = make.stocked(club, THF, opened="unopened", inhibited=True)
    opened, tested, bad = (make.stocked(club, THF, inhibited=True) for _ in range(3))
    record_test(club, tested, "<1")
    record_test(club, bad, "50")
    into = make.stocked(club, THF, "100 mL")
    volumes.pour(**at(club), source=make.fresh(bad), into=make.fresh(into), amount="20 mL")
    clean = make.empty(club)
    volumes.pour(**at(club), source=make.fresh(tested), into=clean, amount="20 mL")
    safety.observe(**at(club), container=opened, sign="cap-stuck")
    return [sealed, opened, tested, bad, into, clean, make.stocked(club, "ethyl-acetate")]


def copies(club: make.Club, bottle: Container, count: int, prefix: str = "") -> None:
    """More bottles with a lot and a place of their own, as the import makes them."""
    assert bottle.lot_id is not None
    lot = Lot.objects.get(pk=bottle.lot_id)
    for number in range(count):
        lot.pk = None
        lot.save(force_insert=True)
        place = Place.objects.create(lab=club.lab, kind="container")
        row = make.fresh(bottle)
        row.pk, row.place, row.lot, row.code = None, place, lot, f"{prefix}{bottle.pk}-{number}"
        row.save(force_insert=True)


def asked(work: Any) -> list[str]:
    with CaptureQueriesContext(connection) as seen:
        work()
    return [query["sql"] for query in seen.captured_queries]


def stored(bottle: Container) -> dict[str, Any]:
    held = make.fresh(bottle)
    return {name: getattr(held, name) for name in COLUMNS}


def test_as_many_statements_for_five_hundred_as_for_ten(club: make.Club) -> None:
    bottles = a_few(club)
    copies(club, bottles[1], 3)
    ten, cornell = Container.objects.count(), Policy.objects.get(lab=None, key="cornell")
    assert ten == 10
    few = asked(lambda: _use(club, cornell))
    for bottle in bottles[:3]:
        copies(club, bottle, (MANY - ten) // 3 + 1, "more-")
    assert Container.objects.count() >= MANY
    many = asked(lambda: _use(club, Policy.objects.get(lab=None, key="princeton")))
    assert len(many) == len(few)
    written = [sql for sql in many if sql.startswith("UPDATE inventory_container")]
    codes = set(Container.objects.values_list("due_code", flat=True))
    assert 1 < len(written) <= len(codes)


def _use(club: make.Club, policy: Policy) -> None:
    policies.policy_set(**at(club), policy=policy, reason="the school's own table")


def test_together_and_one_by_one_are_the_same(club: make.Club) -> None:
    bottles = a_few(club)
    alone = {bottle.pk: stored(bottle) for bottle in bottles}
    blank = {name: None for name in COLUMNS if name.endswith(("_on", "_due", "_since", "_until"))}
    Container.objects.update(**blank, due_code="x", due_words="", worst_sign="")
    refreshing.refresh_lab(lab=club.lab, now=make.NOW)
    assert {bottle.pk: stored(bottle) for bottle in bottles} == alone
    assert len({row["due_code"] for row in alone.values()}) >= 4
    together = facts.facts_of_many([make.fresh(bottle) for bottle in bottles])
    assert together == {bottle.pk: facts.facts_of(make.fresh(bottle)) for bottle in bottles}
    assert audit.audit(full=True).clean


def test_chunks_cover_everything(club: make.Club, monkeypatch: pytest.MonkeyPatch) -> None:
    bottles = a_few(club)
    before = {bottle.pk: stored(bottle) for bottle in bottles}
    Container.objects.update(due_code="x", next_test_due=None)
    monkeypatch.setattr(refreshing, "CHUNK", 2)
    refreshing.refresh_lab(lab=club.lab, now=make.NOW)
    assert {bottle.pk: stored(bottle) for bottle in bottles} == before


def test_what_has_not_changed_is_not_written(club: make.Club) -> None:
    a_few(club)
    said = asked(lambda: refreshing.refresh_lab(lab=club.lab, now=make.NOW))
    assert not [sql for sql in said if sql.startswith("UPDATE")]


# -- what is stored


def test_how_long_drawing_is_sure_to_be_allowed(club: make.Club) -> None:
    """Inhibited class B, opened 2026-03-10: 6 months (Iowa State EHS, Virginia Tech), so to 9 September."""
    former = make.stocked(club, THF, inhibited=True)
    assert make.fresh(former).drawable_until == make.day("2026-09-09")
    assert make.fresh(make.stocked(club, "ethyl-acetate")).drawable_until == make.day("9999-12-31")
    overdue = make.stocked(club, THF, received_on=make.day("2025-01-01"))
    assert make.fresh(overdue).drawable_until is None
    safety.observe(**at(club), container=former, sign="crystals")
    assert make.fresh(former).drawable_until is None


def test_since_when_a_former_stands_untested(club: make.Club) -> None:
    opened = make.stocked(club, THF, received_on=make.day("2026-02-01"))
    sealed = make.stocked(club, THF, opened="unopened")
    acetate = make.stocked(club, "ethyl-acetate")
    assert [stored(b)["untested_since"] for b in (opened, sealed, acetate)] == [
        make.day("2026-02-01"), None, None,
    ]  # fmt: skip
    record_test(club, opened, "50")
    assert stored(opened)["untested_since"] is None


# -- signs of the liquid


def seen(club: make.Club, bottle: Container, sign: str, days: int = 0) -> Observation:
    return safety.observe(**at(club, days), container=make.fresh(bottle), sign=sign)


def worst(*bottles: Container) -> list[str]:
    return [make.fresh(bottle).worst_sign for bottle in bottles]


def pour(club: make.Club, source: Container, into: Container, days: int = 0) -> None:
    volumes.pour(**at(club, days), source=make.fresh(source), into=make.fresh(into), amount="20 mL")


def test_a_sign_of_the_liquid_goes_where_it_goes(club: make.Club) -> None:
    cloudy, clean, blend = make.stocked(club, THF), make.empty(club), make.stocked(club, THF, "100 mL")
    other = make.stocked(club, THF)
    seen(club, cloudy, "cloudy")
    seen(club, cloudy, "cap-stuck")
    pour(club, cloudy, clean)
    pour(club, clean, blend)
    # The liquid is cloudy wherever it is; the stuck cap stays with its bottle.
    assert worst(cloudy, clean, blend, other) == ["cloudy", "cloudy", "cloudy", ""]
    assert make.fresh(blend).drawable_until is None
    assert audit.audit(full=True).clean


def test_a_sign_seen_afterwards_reaches_what_was_poured_before(club: make.Club) -> None:
    source, clean, blend = make.stocked(club, THF), make.empty(club), make.stocked(club, THF, "100 mL")
    pour(club, source, clean)
    pour(club, source, blend)
    sign = seen(club, source, "crystals")
    assert worst(source, clean, blend) == ["crystals"] * 3
    from inventory.services.withdrawals import sign_withdraw

    sign_withdraw(**at(club, 1), sign=sign, reason="it was sugar", may_loosen=True)
    assert worst(source, clean, blend) == ["", "", ""]


def test_what_goes_through_a_bottle_with_crystals_is_as_bad(club: make.Club) -> None:
    """The sign is of an earlier content; what was filled in since stood on the same crystals."""
    old, fresh, into, last = (make.stocked(club, THF, "20 mL") for _ in range(4))
    seen(club, old, "crystals")
    end = club.end("waste-contractor")
    volumes.draw(**at(club), container=make.fresh(old), amount="20 mL", destination=end)
    pour(club, fresh, old, 1)
    assert make.fresh(old).lot_id == fresh.lot_id
    pour(club, old, into, 2)
    volumes.pour(**at(club, 3), source=make.fresh(into), into=make.fresh(last), amount="5 mL")
    # The bottle it came from first has had nothing of them.
    assert worst(old, into, last, fresh) == ["crystals", "crystals", "crystals", ""]
    assert audit.audit(full=True).clean


# -- counts


@pytest.mark.parametrize(("found", "code"), [("400 mL", "after-passed-test"), ("600 mL", "opened-interval")])
def test_more_than_there_can_be_ends_a_passed_test(club: make.Club, found: str, code: str) -> None:
    """What nobody recorded, nobody has tested; less than recorded changes nothing."""
    bottle = make.stocked(club, THF, inhibited=True, received_on=make.day("2025-10-01"))
    record_test(club, bottle, "<1")
    volumes.count(**at(club, 1), container=make.fresh(bottle), amount=found)
    assert make.fresh(bottle).due_code == code


def test_a_difference_within_its_uncertainty_is_no_refill(club: make.Club) -> None:
    bottle = make.stocked(club, THF, inhibited=True)
    record_test(club, bottle, "<1")
    amount = {"value": "500.5", "unit": "mL", "instrument": "cylinder-b-500"}
    volumes.count(**at(club, 1), container=make.fresh(bottle), amount=amount)
    moved = Movement.objects.get(kind="count")
    assert 0 < moved.volume_ul <= 2 * moved.u_volume_ul
    assert make.fresh(bottle).due_code == "after-passed-test"
    assert PeroxideTest.objects.count() == 1

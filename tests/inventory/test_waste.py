"""Waste containers: filled from bottles and from elsewhere, never over their size, collected whole."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction

from inventory.models import Event, Movement, WasteContainer
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.rules.waste import load_keeping
from inventory.services import ledger, reversal, waste, waste_filling
from inventory.services.audit import audit
from inventory.services.storage import Override
from inventory.services.waste import WasteFacts
from inventory.services.waste_filling import PutIn
from tests import factories as make

pytestmark = pytest.mark.django_db
LATER = make.NOW + timedelta(days=5)


@pytest.fixture
def club(db: None) -> make.Club:
    return make.club()


def by(club: make.Club, now: Any = make.NOW) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.member, "now": now}


def drum(club: make.Club, litres: int = 1, now: Any = make.NOW, **facts: Any) -> WasteContainer:
    named = {"stream": "halogen-free solvents", "capacity_ul": litres * 1_000_000, **facts}
    return waste.waste_add(**by(club, now), facts=WasteFacts(**named))


def fill(
    club: make.Club, held: WasteContainer, key: str = "ethyl-acetate", amount: Any = "100 mL", **more: Any
) -> PutIn:
    now = more.pop("now", make.NOW)
    bottle = make.stocked(club, key)
    return waste_filling.put_in(**by(club, now), waste=held, container=bottle, amount=amount, **more)


def now(held: WasteContainer) -> WasteContainer:
    return WasteContainer.objects.get(pk=held.pk)


def refusal(work: Any) -> str:
    with pytest.raises(Conflict) as refused:
        work()
    return refused.value.code


def test_its_volume_is_what_its_movements_add_up_to(club: make.Club) -> None:
    held = drum(club)
    first = fill(club, held)
    bottle = make.stocked(club, amount="250 mL")
    whole = waste_filling.put_in(**by(club), waste=held, container=bottle)
    assert (now(held).volume_ul, make.fresh(bottle).volume_ul) == (350_000, 0)
    moved = Movement.objects.get(entry=whole.posted.entry)
    assert (moved.kind, moved.u_volume_ul, moved.destination.kind) == ("waste", 0, "waste-container")
    reversal.reverse(**by(club), entry=first.posted.entry, reason="wrong can")
    assert now(held).volume_ul == 250_000
    assert audit(lab=club.lab).clean


def test_the_audit_finds_a_volume_and_a_place_that_are_wrong(club: make.Club) -> None:
    held = drum(club)
    fill(club, held)
    WasteContainer.objects.update(volume_ul=1)
    found = [(f.check, f.expected, f.found) for f in audit(lab=club.lab).findings]
    assert found == [("waste-balance", "100000", "1")]
    WasteContainer.objects.update(volume_ul=100_000)
    held.place.kind = "run"
    held.place.save()
    assert "waste-place" in {f.check for f in audit(lab=club.lab).findings}


def test_never_over_its_size(club: make.Club) -> None:
    held = drum(club)
    fill(club, held, amount="500 mL")
    bottle = make.stocked(club, amount="900 mL")
    put = {**by(club), "waste": held, "container": bottle}
    assert refusal(lambda: waste_filling.put_in(**put, amount="501 mL")) == "over-capacity"
    assert (make.fresh(bottle).volume_ul, now(held).volume_ul) == (900_000, 500_000)
    done = waste_filling.put_in(**put, amount="500 mL")
    assert [(w.code, w.effect) for w in done.warnings] == [("nearly-full", "warn")]
    assert done.waste.volume_ul == 1_000_000


def test_nearly_full_from_the_share_that_is_set(club: make.Club) -> None:
    held = drum(club, full_percent=60)
    assert not fill(club, held, amount="499 mL").warnings
    assert fill(club, held, amount="100 mL").warnings == ()
    assert [w.code for w in fill(club, held, amount="1 mL").warnings] == ["nearly-full"]


def test_the_days_count_from_the_first_waste(club: make.Club) -> None:
    """180 days for a small generator: EPA memo 2004-03-17."""
    row = load_keeping()["small-generator"]
    held = drum(club, days_max=row.days, days_source=row.source)
    fill(club, held, now=LATER)
    assert (now(held).started_on, now(held).collect_by) == (
        LATER.date(), make.day("2026-09-11"),
    )  # fmt: skip
    bottle = make.stocked(club)
    late = {"happened_at": make.NOW + timedelta(days=1), "now": LATER}
    waste_filling.put_in(**{**by(club), **late}, waste=held, container=bottle, amount="1 mL")
    assert now(held).started_on == (make.NOW + timedelta(days=1)).date()


def test_a_first_day_that_was_told_stays(club: make.Club) -> None:
    held = drum(club, started_on=make.day("2026-03-01"))
    fill(club, held, now=LATER)
    assert now(held).collect_by == make.day("2026-05-30")


def test_what_may_react_is_never_put_together(club: make.Club) -> None:
    held = drum(club)
    fill(club, held, "acetone")
    assert [w.code for w in fill(club, held, "water").warnings] == ["never-together"]
    assert refusal(lambda: fill(club, held, "chloroform")) == "never-together"
    with pytest.raises(Denied):
        fill(club, held, "chloroform", override=Override("no base near", allowed=False))
    signed = Override("no base near", allowed=True)
    assert fill(club, held, "chloroform", override=signed).warnings[0].effect == "refuse"
    assert Event.objects.get(verb="storage-overridden").data["reason"] == "no base near"


def test_cautions_go_along_and_formers_have_one_more(club: make.Club) -> None:
    held = drum(club)
    plain, former = (fill(club, held, key).cautions for key in ("ethyl-acetate", "diethyl-ether"))
    assert len(former) == len(plain) + 1
    assert "20 ppm" in former[0][0]
    assert all(source for _, source in former)


def test_what_was_never_counted_here_fills_it_too(club: make.Club) -> None:
    held = drum(club)
    put = {**by(club), "waste": held, "solvent": make.solvent("n-heptane"), "amount": "200 mL"}
    done = waste_filling.put_in_uncounted(**put)
    assert Movement.objects.get(entry=done.posted.entry).source.kind == "before-counting"
    waste_filling.put_in_uncounted(**put, source="unaccounted")
    assert now(held).volume_ul == 400_000
    with pytest.raises(InputError):
        waste_filling.put_in_uncounted(**put, source="supplier")
    assert audit(lab=club.lab).clean


def test_the_contractor_takes_all_of_it_lot_by_lot(club: make.Club) -> None:
    held = drum(club)
    for key in ("ethyl-acetate", "n-hexane", "ethyl-acetate"):
        fill(club, held, key)
    done, posted = waste.collect(**by(club), waste=held)
    assert posted is not None
    assert (done.volume_ul, done.collected_at, len(posted.movement_ids)) == (0, make.NOW, 3)
    assert {m.destination.kind for m in Movement.objects.filter(entry=posted.entry)} == {"waste-contractor"}
    assert refusal(lambda: waste.collect(**by(club), waste=held)) == "collected"
    assert refusal(lambda: fill(club, held)) == "collected"
    assert audit(lab=club.lab).clean
    reversal.reverse(**by(club), entry=posted.entry, reason="it stands here still")
    back = now(held)
    assert (back.volume_ul, back.collected_at) == (300_000, None)
    assert audit(lab=club.lab).clean


def test_an_addition_is_not_taken_back_out_of_what_was_collected(club: make.Club) -> None:
    held = drum(club)
    done = fill(club, held)
    waste.collect(**by(club), waste=held)
    again = {**by(club), "entry": done.posted.entry, "reason": "wrong can"}
    assert refusal(lambda: reversal.reverse(**again)) == "collected"
    empty = drum(club)
    assert waste.collect(**by(club), waste=empty)[1] is None


def test_it_is_not_collected_before_it_was_last_used(club: make.Club) -> None:
    held = drum(club)
    fill(club, held, now=LATER)
    early = {**by(club, LATER), "happened_at": make.NOW}
    assert refusal(lambda: waste.collect(**early, waste=held)) == "used-since"


def test_staying_longer_is_signed(club: make.Club) -> None:
    held = drum(club, days_max=90)

    def change(signed: bool = False, reason: str = "", **changes: Any) -> WasteContainer:
        override = Override(allowed=signed)
        return waste.waste_edit(**by(club), waste=held, changes=changes, reason=reason, override=override)[0]

    assert change(days_max=30, days_source="the club").collect_by == make.day("2026-04-09")
    assert change(full_percent=50, stream="halogenated").full_percent == 50
    milder: list[dict[str, Any]] = [{"days_max": 31}, {"full_percent": 51}]
    for looser in milder:
        with pytest.raises(Denied):
            change(reason="x", **looser)
        with pytest.raises(InputError):
            change(signed=True, **looser)
    assert change(signed=True, reason="far from the site", days_max=270).days_max == 270
    for name, wrong in {"stream": " ", "days_max": 0, "full_percent": 101}.items():
        with pytest.raises(InputError) as refused:
            change(signed=True, reason="x", **{name: wrong})
        assert refused.value.field == name


def test_codes_are_kept_apart_from_those_of_bottles(club: make.Club) -> None:
    make.stocked(club, code="B-1")
    drum(club, code="W-1")
    assert refusal(lambda: drum(club, code="w-1")) == "code-taken"
    assert refusal(lambda: drum(club, code="b-1")) == "code-taken"
    own = drum(club)
    assert waste.waste_named(lab=club.lab, ref=own.code.lower()).pk == own.pk
    with pytest.raises(InputError):
        waste.waste_named(lab=make.second_club().lab, ref=own.code)


def test_a_posting_that_does_not_fit_is_undone_as_a_whole(club: make.Club) -> None:
    """The receiver refuses inside the transaction, whoever books."""
    held = drum(club)
    bottle = make.stocked(club, amount="5 mL")
    assert bottle.lot is not None
    ends = (club.end("before-counting"), waste.waste_end(held))
    line = ledger.Line("waste", bottle.lot.pk, bottle.lot.solvent_id, *ends, 2_000_000)

    def book() -> None:
        with transaction.atomic():
            ledger.post(**by(club), happened_at=make.NOW, lines=[line], holds={})

    assert refusal(book) == "over-capacity"
    assert not Movement.objects.filter(kind="waste").exists()

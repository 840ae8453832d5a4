"""What was recorded wrongly of a container is put right, and both states stay on record."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Event
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.selectors.loosening import loosened
from inventory.services import corrections, reversal, safety, volumes
from inventory.services.audit import audit
from tests import factories as make
from tests.factories import day

pytestmark = pytest.mark.django_db
THF = "tetrahydrofuran"


@pytest.fixture
def club() -> make.Club:
    return make.club()


@pytest.fixture
def bottle(club: make.Club) -> Container:
    """Received and opened on 2026-02-10, uninhibited class B: three months, due on 2026-05-10."""
    return make.stocked(club, THF, received_on=day("2026-02-10"), inhibited=False)


def at(club: make.Club, days: int = 0, role: str = "steward") -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.people[role], "now": make.NOW + timedelta(days=days)}


def correct(
    club: make.Club, container: Container, reason: str = "read the label", **changes: Any
) -> Container:
    return corrections.correct(**at(club), container=container, changes=changes, reason=reason)


def refused(club: make.Club, container: Container, **changes: Any) -> tuple[str, str]:
    with pytest.raises(InputError) as refusal:
        correct(club, container, **changes)
    return refusal.value.field, refusal.value.code


def due(container: Container) -> str:
    """What is stored, which must be what the rules say of the facts."""
    held = make.fresh(container)
    worked_out = safety.due_of(held)
    assert worked_out is not None
    assert held.next_test_due == worked_out.on
    return str(held.next_test_due)


def test_a_tare_is_entered_and_weighing_works(club: make.Club, bottle: Container) -> None:
    """400 g + 444 g of THF at 0.8892 g/mL (CRC Handbook at 20 °C, from memory): near 500 mL."""
    with pytest.raises(Conflict, match="Have a steward enter its tare"):
        volumes.weigh(**at(club), container=bottle, gross={"value": "844", "unit": "g"})
    held = correct(club, bottle, reason="", tare_mg=400_000)
    volumes.weigh(**at(club), container=make.fresh(held), gross={"value": "844", "unit": "g"})
    assert make.fresh(bottle).volume_ul == pytest.approx(444 / 0.8892 * 1000, rel=2e-3)


def test_both_states_are_kept(club: make.Club, bottle: Container) -> None:
    correct(club, bottle, material="amber glass", atmosphere="inert", note="left shelf")
    held = make.fresh(bottle)
    assert (held.material, held.atmosphere, held.note) == ("amber glass", "inert", "left shelf")
    assert held.version == bottle.version + 1
    event = Event.objects.get(verb="corrected")
    assert event.data["before"] == {"material": "", "atmosphere": "unknown", "note": ""}
    assert event.data["after"]["atmosphere"] == "inert"
    assert event.data["reason"] == "read the label"


def test_what_stays_the_same_is_no_correction(club: make.Club, bottle: Container) -> None:
    correct(club, bottle, note="", opened_on=bottle.opened_on)
    assert make.fresh(bottle).version == bottle.version
    assert not Event.objects.filter(verb="corrected").exists()


@pytest.mark.parametrize(
    "changes", [{"capacity_ul": 2_000_000}, {"received_on": day("2026-02-01")}, {"opened_on": None}]
)
def test_size_and_dates_need_a_reason(club: make.Club, bottle: Container, changes: dict[str, Any]) -> None:
    assert refused(club, bottle, reason=" ", **changes) == ("reason", "missing")


def test_a_size_fits_what_is_in_it(club: make.Club, bottle: Container) -> None:
    assert refused(club, bottle, capacity_ul=499_999) == ("capacity", "below-content")
    assert refused(club, bottle, capacity_ul=0) == ("capacity", "not-positive")
    correct(club, bottle, capacity_ul=500_000)
    end = club.end("unaccounted")
    with pytest.raises(Conflict, match="have a steward correct its capacity"):
        volumes.put_back(**at(club), container=make.fresh(bottle), amount="1 mL", source=end)
    correct(club, make.fresh(bottle), capacity_ul=501_000)
    volumes.put_back(**at(club), container=make.fresh(bottle), amount="1 mL", source=end)
    assert make.fresh(bottle).volume_ul == 501_000


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"opened_on": day("2026-03-11")}, ("opened_on", "in-the-future")),
        ({"opened_on": day("2026-02-09")}, ("opened_on", "before-receipt")),
        ({"received_on": day("2026-02-11")}, ("received_on", "before-receipt")),
        ({"atmosphere": "helium-ish"}, ("atmosphere", "unknown-choice")),
    ],
)
def test_what_cannot_be(
    club: make.Club, bottle: Container, changes: dict[str, Any], expected: tuple[str, str]
) -> None:
    assert refused(club, bottle, **changes) == expected


def test_a_sealed_bottle_has_no_opening_to_correct(club: make.Club) -> None:
    sealed = make.stocked(club, THF, opened="unopened")
    assert refused(club, sealed, opened_on=make.TODAY) == ("opened_on", "not-opened")


def test_it_was_open_when_solvent_was_drawn(club: make.Club, bottle: Container) -> None:
    drawn = volumes.draw(**at(club), container=bottle, amount="1 mL", destination=club.end("reaction"))
    later: dict[str, Any] = {"actor": club.supervisor, "now": make.NOW + timedelta(days=5), "lab": club.lab}
    asked: dict[str, Any] = {"container": bottle, "changes": {"opened_on": day("2026-03-12")}}
    signature: dict[str, Any] = {"reason": "the label says so", "may_loosen": True}
    with pytest.raises(Conflict, match="2026-03-10 already"):
        corrections.correct(**later, **asked, **signature)
    reversal.reverse(**later, entry=drawn.entry, reason="another bottle")
    corrections.correct(**later, **asked, **signature)
    assert due(bottle) == "2026-06-12"


def test_an_earlier_opening_is_any_stewards_to_enter(club: make.Club, bottle: Container) -> None:
    correct(club, bottle, received_on=day("2026-01-01"), opened_on=day("2026-01-05"))
    assert due(bottle) == "2026-04-05"
    assert loosened(bottle) == []


def test_a_later_opening_is_signed(club: make.Club, bottle: Container) -> None:
    with pytest.raises(Denied):
        correct(club, bottle, opened_on=day("2026-03-01"))
    assert due(bottle) == "2026-05-10"
    corrections.correct(
        **at(club, role="supervisor"), container=bottle, changes={"opened_on": day("2026-03-01")},
        reason="misread 1 as 2", may_loosen=True,
    )  # fmt: skip
    assert due(bottle) == "2026-06-01"
    (told,) = loosened(bottle)
    assert (told["by"], told["reason"]) == (club.supervisor.username, "misread 1 as 2")
    assert (told["from"]["next_test_due_on"], told["to"]["next_test_due_on"]) == ("2026-05-10", "2026-06-01")


def test_a_later_receipt_of_a_sealed_bottle_is_signed(club: make.Club) -> None:
    sealed = make.stocked(club, THF, opened="unopened", received_on=day("2026-01-01"))
    with pytest.raises(Denied):
        correct(club, sealed, received_on=day("2026-02-01"))
    correct(club, sealed, received_on=None)
    assert make.fresh(sealed).due_code == "receipt-date-unknown"


def test_an_opening_that_nobody_knows_after_all_follows_the_liquid(
    club: make.Club, bottle: Container
) -> None:
    taker, third = make.empty(club), make.empty(club)
    volumes.pour(**at(club), source=bottle, into=taker, amount="100 mL")
    volumes.pour(**at(club), source=make.fresh(taker), into=third, amount="50 mL")
    correct(club, make.fresh(bottle), opened_on=None)
    for container in (bottle, taker, third):
        held = make.fresh(container)
        assert (held.opened, held.opened_on, held.due_code) == ("opened", None, "opening-date-unknown")


def test_what_was_poured_stays_old_when_the_giver_turns_out_younger(
    club: make.Club, bottle: Container
) -> None:
    taker = make.empty(club)
    poured = volumes.pour(**at(club), source=bottle, into=taker, amount="100 mL")
    assert poured
    corrections.correct(
        **at(club, role="supervisor"), container=make.fresh(bottle), changes={"opened_on": day("2026-03-01")},
        reason="the label was misread", may_loosen=True,
    )  # fmt: skip
    assert make.fresh(taker).opened_on == day("2026-02-10")


# -- discarded by mistake


def test_an_empty_container_comes_back(club: make.Club) -> None:
    flask = make.empty(club)
    volumes.discard(**at(club), container=flask)
    assert refused(club, make.fresh(flask), note="x") == ("container", "container-discarded")
    with pytest.raises(InputError) as refusal:
        corrections.discard_undo(**at(club), container=flask, reason="")
    assert refusal.value.field == "reason"
    for _ in range(2):
        corrections.discard_undo(**at(club, 1), container=flask, reason="wrong flask")
    assert make.fresh(flask).discarded_at is None
    assert Event.objects.get(verb="discard-undone").data["reason"] == "wrong flask"
    volumes.pour(**at(club), source=make.stocked(club, THF), into=make.fresh(flask), amount="10 mL")
    assert audit(full=True).clean


def test_one_discarded_with_content_comes_back_by_its_entry(club: make.Club, bottle: Container) -> None:
    gone = volumes.discard(**at(club), container=bottle)
    assert gone is not None
    with pytest.raises(Conflict) as refusal:
        corrections.discard_undo(**at(club), container=bottle, reason="wrong bottle")
    assert str(gone.entry) in refusal.value.remedy
    reversal.reverse(**at(club), entry=gone.entry, reason="wrong bottle")
    assert make.fresh(bottle).volume_ul == 500_000
    assert due(bottle) == "2026-05-10"

"""Any course of a run: charges, returns, waste, losses, closings, reopenings and reversals in any order.

Held beside a plain model that only adds and takes away; after every step all places together hold nothing,
the sums are those of the model, flows are the movements, and the audit finds nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from inventory.models import Container, Flow, Movement, WasteContainer
from inventory.rules.errors import Conflict, InputError
from inventory.services import reversal, waste
from inventory.services.audit import audit
from inventory.services.waste import WasteFacts
from recovery.models import Run
from recovery.services.reopening import reopen
from recovery.services.run_waste import lose
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still, sums

pytestmark = pytest.mark.django_db
VOLUMES_UL = st.integers(1, 60_000)
ENDS = {
    "charge": ("bottle", "run"),
    "return": ("run", "flask"),
    "waste": ("run", "drum"),
    "air": ("run", "air"),
}


def amount(volume_ul: int) -> dict[str, str]:
    return {"value": str(volume_ul), "unit": "uL"}


@dataclass
class Entry:
    """What was booked together: (what, volume). A negative volume went the other way."""

    moved: list[tuple[str, int]]
    stands: bool = True


@dataclass
class Model:
    """Where the microlitres are. kinds: of the entries by their ids, in the order of booking."""

    at: Counter[str] = field(default_factory=Counter)
    entries: dict[UUID, Entry] = field(default_factory=dict)
    closed_by: UUID | None = None
    closed: bool = False

    def book(self, entry: UUID, *moved: tuple[str, int]) -> None:
        self.entries[entry] = Entry(list(moved))
        self.move(moved, 1)

    def move(self, moved: Any, sign: int) -> None:
        for what, volume_ul in moved:
            source, destination = ENDS.get(what, ("run", "gone"))
            self.at[source] -= sign * volume_ul
            self.at[destination] += sign * volume_ul

    def undo(self, entry: UUID) -> None:
        self.entries[entry].stands = False
        self.move(self.entries[entry].moved, -1)
        self.closed, self.closed_by = False, None

    def part(self, *whats: str) -> int:
        standing = [entry for entry in self.entries.values() if entry.stands]
        return sum(ul for entry in standing for what, ul in entry.moved if what in whats)


class RunMachine(RuleBasedStateMachine):
    """One run of hexane, which no gate stops."""

    def __init__(self) -> None:
        super().__init__()
        self.world = transaction.atomic()
        self.world.__enter__()
        self.still = Still(make.club())
        self.steward = {**self.still.at(), "actor": self.still.club.steward}
        self.bottle, self.flask = self.still.bottle("n-hexane", "500 mL"), self.still.flask()
        facts = WasteFacts(stream="halogen-free solvents", capacity_ul=100_000)
        self.drum = waste.waste_add(**self.steward, facts=facts)
        self.run, self.model = self.still.start(), Model()
        self.model.at["bottle"] = 500_000

    def held(self) -> Run:
        return Run.objects.select_related("lab").get(pk=self.run.pk)

    @rule(volume_ul=VOLUMES_UL)
    def charge(self, volume_ul: int) -> None:
        if self.model.closed:
            with pytest.raises(Conflict, match="closed"):
                self.still.charge(self.held(), self.bottle, amount(volume_ul))  # type: ignore[arg-type]
        elif volume_ul <= self.model.at["bottle"]:
            posted = self.still.charge(self.held(), self.bottle, amount(volume_ul))  # type: ignore[arg-type]
            self.model.book(posted.entry, ("charge", volume_ul))

    @precondition(lambda self: not self.model.closed and self.model.part("charge") > 0)
    @rule(volume_ul=VOLUMES_UL)
    def give_back(self, volume_ul: int) -> None:
        if self.model.at["flask"] + volume_ul <= 1_000_000:
            posted = self.still.back(self.held(), self.flask, amount(volume_ul))  # type: ignore[arg-type]
            self.model.book(posted.entry, ("return", volume_ul))

    # A run whose charges were all booked back has no solvent of its own to lose.
    @precondition(
        lambda self: not self.model.closed and self.model.at["run"] > 0 and self.model.part("charge") > 0
    )
    @rule(share=st.integers(1, 4), to=st.sampled_from(["waste", "air"]))
    def lose_some(self, share: int, to: str) -> None:
        volume_ul = max(1, self.model.at["run"] // share)
        if to == "waste" and self.model.at["drum"] + volume_ul > 100_000:
            return
        loss = Loss("air", amount(volume_ul))
        if to == "waste":
            loss = Loss("waste-container", amount(volume_ul), waste=self.drum)
        posted = lose(**self.still.at(), run=self.held(), loss=loss)
        self.model.book(posted.entry, (to, volume_ul))

    @precondition(lambda self: not self.model.closed and self.model.part("charge") > 0)
    @rule(named=st.booleans())
    def close(self, named: bool) -> None:
        left_ul = self.model.at["run"]
        air_ul = left_ul // 3 if named and left_ul > 2 else 0
        losses = [Loss("air", amount(air_ul))] if air_ul else []
        closed = self.still.close(self.held(), *losses)
        moved = [(what, ul) for what, ul in (("air", air_ul), ("unaccounted", left_ul - air_ul)) if ul]
        assert (closed.closing_entry is None) == (not moved)
        if closed.closing_entry is not None:
            self.model.book(closed.closing_entry, *moved)
        self.model.closed, self.model.closed_by = True, closed.closing_entry

    @precondition(lambda self: self.model.closed)
    @rule()
    def open_again(self) -> None:
        reopen(**self.steward, run=self.held(), reason="closed the wrong run")
        if self.model.closed_by is not None:
            self.model.undo(self.model.closed_by)
        self.model.closed, self.model.closed_by = False, None

    @precondition(lambda self: any(entry.stands for entry in self.model.entries.values()))
    @rule(data=st.data())
    def reverse(self, data: Any) -> None:
        """Whether an entry may still be reversed is the ledger's to say; what it allows must add up."""
        standing = [pk for pk, entry in self.model.entries.items() if entry.stands]
        entry = data.draw(st.sampled_from(standing))
        try:
            reversal.reverse(**self.steward, entry=entry, reason="a slip of the pen")
        except InputError as refused:
            assert refused.code in ("moved-on", "not-enough", "over-capacity", "contents-changed"), refused
            return
        self.model.undo(entry)

    @invariant()
    def all_is_somewhere(self) -> None:
        model, lab = self.model, self.still.lab
        held = {c.pk: c.volume_ul for c in Container.objects.filter(pk__in=[self.bottle.pk, self.flask.pk])}
        assert held == {self.bottle.pk: model.at["bottle"], self.flask.pk: model.at["flask"]}
        assert WasteContainer.objects.get(pk=self.drum.pk).volume_ul == model.at["drum"]
        if any(entry.moved for entry in model.entries.values()):
            lost = model.part("waste", "air", "unaccounted")
            expected = (model.part("charge"), model.part("return"), lost, model.at["run"])
            assert sums(self.run) == expected
        assert (self.held().closed_at is not None) == model.closed
        assert self.held().closing_entry == model.closed_by
        assert sum(model.at.values()) == 500_000
        moves = Movement.objects.filter(lab=lab, reversal_of=None, reversed_by=None)
        total = moves.aggregate(total=Sum("volume_ul"))["total"] or 0
        assert total == (Flow.objects.filter(lab=lab).aggregate(total=Sum("volume_ul"))["total"] or 0)

    def teardown(self) -> None:
        try:
            assert audit(lab=self.still.lab, full=True).clean
        finally:
            transaction.set_rollback(True)
            self.world.__exit__(None, None, None)


def test_any_course_of_a_run_adds_up() -> None:
    run_state_machine_as_test(
        RunMachine,
        settings=settings(
            max_examples=10,
            stateful_step_count=14,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )

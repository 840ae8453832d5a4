"""A club at its still: runs, charges and what comes back, for the tests of recovery."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from inventory.models import Container, Lab, PeroxideTest
from inventory.services import containers
from inventory.services.ledger import Posted
from recovery.models import Run, RunSum
from recovery.services import runs
from recovery.services.heel import is_former
from recovery.services.runs import Loss
from tests import factories as make

PARTS = ("charged_ul", "returned_ul", "lost_ul", "held_ul")


@dataclass(frozen=True)
class Still:
    """A member of a lab at work; `now` is when everything is booked unless said otherwise."""

    club: make.Club
    now: datetime = make.NOW

    @property
    def lab(self) -> Lab:
        return self.club.lab

    def at(self, now: datetime | None = None) -> dict[str, Any]:
        return {"lab": self.club.lab, "actor": self.club.member, "now": now or self.now}

    def bottle(self, key: str = "diethyl-ether", amount: str = "500 mL", **facts: Any) -> Container:
        return make.fresh(make.stocked(self.club, key, amount, now=self.now, **facts))

    def flask(self, **facts: Any) -> Container:
        return make.fresh(make.empty(self.club, now=self.now, **facts))

    def start(self, purpose: str = "fat in biscuits", *, now: datetime | None = None, **facts: Any) -> Run:
        return runs.run_start(**self.at(now), purpose=purpose, **facts)

    def charge(self, run: Run, bottle: Container, amount: str, *, test: bool = True, **more: Any) -> Posted:
        """A charge as a careful member makes it: what is to be distilled is tested that day, just before."""
        at = self.at(more.pop("now", None))
        if test and run.distils:
            self.test(bottle, now=at["now"])
        return runs.charge(**at, run=run, container=make.fresh(bottle), amount=amount, **more)

    def test(self, bottle: Container, *, now: datetime | None = None) -> None:
        """A strip that shows nothing, unless there is one of that day already or nothing that needs one."""
        held, now = make.fresh(bottle), now or self.now
        day = containers.day_in_lab(self.lab, now)
        if held.lot is None or not is_former(held.lot.solvent):
            return
        known = PeroxideTest.objects.filter(container=held, lot=held.lot, tested_on=day)
        if not known.exists():
            make.tested(self.club, held, now=now)

    def back(self, run: Run, into: Container, amount: str, **more: Any) -> Posted:
        at = self.at(more.pop("now", None))
        return runs.give_back(**at, run=run, container=make.fresh(into), amount=amount, **more)

    def close(self, run: Run, *losses: Loss, **more: Any) -> Run:
        return runs.run_close(**self.at(more.pop("now", None)), run=run, losses=losses, **more)

    def whole(self, charged: str, back: str, *, key: str = "diethyl-ether", **start: Any) -> Run:
        """A run from a new bottle into a new flask, closed; back "" means nothing came back."""
        run = self.start(**start)
        self.charge(run, self.bottle(key, "1 L", capacity_ul=1_100_000), charged)
        if back:
            self.back(run, self.flask(), back)
        return self.close(run)


def sums(run: Run, key: str | None = None) -> tuple[int, ...]:
    """Charged, returned, lost and held in µl of a run's only solvent, or of the one named."""
    found = (
        RunSum.objects.filter(run=run) if key is None else RunSum.objects.filter(run=run, solvent__key=key)
    )
    return tuple(found.values_list(*PARTS).get())

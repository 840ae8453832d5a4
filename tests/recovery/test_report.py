"""The ledger by solvent and month agrees with a sum over the movements, and every row with itself."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from inventory.models import LOSSES, Container, Movement
from inventory.rules.errors import InputError
from inventory.services import reversal, volumes
from recovery.models import Run
from recovery.selectors.report import LedgerRow, ledger_report
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
SOLVENTS = ("diethyl-ether", "tetrahydrofuran", "acetone")
START = datetime(2025, 9, 28, 12, 0, tzinfo=UTC)
STEPS = 160


@dataclass
class History:
    """Half a year of everything that moves solvent, at random, some of it entered late."""

    still: Still
    dice: random.Random
    now: datetime = START
    open_runs: list[Run] = field(default_factory=list)
    refusals: Counter[str] = field(default_factory=Counter)

    def play(self) -> None:
        acts = (self.receive, self.draw, self.put_back, self.pour, self.count, self.discard, self.undo)
        on_runs = (self.start, self.charge, self.give_back, self.close)
        for _ in range(STEPS):
            self.now += timedelta(hours=self.dice.randint(1, 60))
            act = self.dice.choice((*acts, *on_runs, *on_runs, self.receive, self.charge, self.charge))
            try:
                act()
            except InputError as refusal:
                self.refusals[refusal.code] += 1

    @property
    def at(self) -> dict[str, Any]:
        return self.still.at(self.now)

    def late(self) -> dict[str, Any]:
        """Half of it is entered some days late."""
        return {"happened_at": self.now - self.dice.choice((0, 1)) * timedelta(days=self.dice.randint(1, 20))}

    def amount(self) -> str:
        return f"{self.dice.randint(1, 150_000)} uL"

    def bottle(self) -> Container:
        return make.fresh(self.dice.choice(Container.objects.filter(lab=self.still.lab, discarded_at=None)))

    def receive(self) -> None:
        origin = self.dice.choice(("purchased", "made-here", "not-known"))
        make.stocked(
            self.still.club, self.dice.choice(SOLVENTS), self.amount(), now=self.now, received_on=None,
            origin=origin, **self.late(),
        )  # fmt: skip

    def draw(self) -> None:
        to = self.still.club.end(self.dice.choice(("reaction", "waste-contractor", "air")))
        volumes.draw(**self.at, container=self.bottle(), amount=self.amount(), destination=to, **self.late())

    def put_back(self) -> None:
        source = self.still.club.end("unaccounted")
        volumes.put_back(
            **self.at, container=self.bottle(), amount=self.amount(), source=source, **self.late()
        )

    def pour(self) -> None:
        volumes.pour(**self.at, source=self.bottle(), into=self.bottle(), amount=self.amount(), **self.late())

    def count(self) -> None:
        volumes.count(**self.at, container=self.bottle(), amount=self.amount(), **self.late())

    def discard(self) -> None:
        if self.dice.random() < 0.3:
            volumes.discard(**self.at, container=self.bottle())

    def undo(self) -> None:
        entry = self.dice.choice(Movement.objects.filter(lab=self.still.lab).order_by("-pk")[:40]).entry
        reversal.reverse(**self.at, entry=entry, reason="another bottle")

    def start(self) -> None:
        self.open_runs.append(self.still.start(now=self.now))

    def charge(self) -> None:
        for run in self.open_runs[-1:] or [self.still.start(now=self.now)]:
            self.still.charge(run, self.bottle(), self.amount(), now=self.now, **self.late())

    def give_back(self) -> None:
        for run in self.open_runs[-1:]:
            self.still.back(run, self.bottle(), self.amount(), now=self.now, **self.late())

    def close(self) -> None:
        for run in self.open_runs[-1:]:
            to = self.dice.choice(LOSSES)
            self.still.close(run, *self.dice.choice(((), (Loss(to, "1 mL"),))), now=self.now)
            self.open_runs.pop()


Cell = tuple[str, date, str, str]


def cells(still: Still) -> Counter[Cell]:
    """Solvent, month, from and to: every movement added, every reversal taken off where the first counted."""
    zone, found = ZoneInfo(still.lab.time_zone), Counter[Cell]()
    moved = Movement.objects.filter(lab=still.lab)
    for m in moved.select_related("source", "destination", "solvent", "reversal_of"):
        first = m.reversal_of or m
        month = first.happened_at.astimezone(zone).date().replace(day=1)
        ends = (m.source.kind, m.destination.kind)
        if m.reversal_of is None:
            found[(m.solvent.key, month, *ends)] += m.volume_ul
        else:
            found[(m.solvent.key, month, ends[1], ends[0])] -= m.volume_ul
    return found


def expected(still: Still) -> dict[tuple[str, date], list[Any]]:
    """Opening, closing, in, out and lost by kind, of each solvent and month in which something moved."""
    found: dict[tuple[str, date], list[Any]] = {}
    for (solvent, month, source, destination), volume_ul in cells(still).items():
        row = found.setdefault((solvent, month), [0, 0, Counter(), Counter(), Counter()])
        if source == destination:
            continue
        if destination == "container":
            row[2][source] += volume_ul
        elif source == "container":
            row[3][destination] += volume_ul
        elif source == "run":
            row[4][destination] += volume_ul
        elif destination == "run" and source in LOSSES:
            row[4][source] -= volume_ul
    for solvent in SOLVENTS:
        standing = 0
        for key in sorted(key for key in found if key[0] == solvent):
            row = found[key]
            row[0], standing = standing, standing + row[2].total() - row[3].total()
            row[1] = standing
    return found


def parts(row: LedgerRow) -> list[Any]:
    kinds = (row.into_ul, row.out_of_ul, row.lost_ul)
    return [
        row.opening_ul,
        row.closing_ul,
        *(Counter({k: v for k, v in each.items() if v}) for each in kinds),
    ]


@pytest.fixture(params=[1, 2, 4])
def history(request: pytest.FixtureRequest) -> History:
    history = History(Still(make.club(now=START)), random.Random(request.param))
    for key in SOLVENTS * 2:
        make.stocked(history.still.club, key, "600 mL", now=START, received_on=None)
    history.play()
    return history


def test_the_report_is_a_sum_over_the_movements(history: History) -> None:
    rows = ledger_report(lab=history.still.lab)
    worked_out = expected(history.still)
    assert [(row.solvent, row.month) for row in rows] == sorted(worked_out)
    for row in rows:
        mine = worked_out[row.solvent, row.month]
        assert parts(row) == [*mine[:2], *(Counter({k: v for k, v in c.items() if v}) for c in mine[2:])]
    kinds = {kind for row in rows for kind in (*row.into_ul, *row.out_of_ul, *row.lost_ul)}
    assert kinds >= {"run", "supplier", "reaction", "count-difference", "unaccounted"}
    assert len({row.month for row in rows}) >= 6


def test_opening_and_in_less_out_is_the_closing(history: History) -> None:
    rows = ledger_report(lab=history.still.lab)
    before: dict[str, int] = {}
    for row in rows:
        assert row.opening_ul == before.get(row.solvent, 0)
        assert row.closing_ul == row.opening_ul + sum(row.into_ul.values()) - sum(row.out_of_ul.values())
        assert row.closing_ul >= 0, "no month ends with less than nothing"
        before[row.solvent] = row.closing_ul
    for solvent, standing_ul in before.items():
        held = Container.objects.filter(lab=history.still.lab, lot__solvent__key=solvent)
        assert standing_ul == sum(held.values_list("volume_ul", flat=True))


def test_the_losses_are_those_of_the_runs(history: History) -> None:
    runs = Run.objects.filter(lab=history.still.lab).prefetch_related("sums")
    lost = sum(each.lost_ul for run in runs for each in run.sums.all())
    rows = ledger_report(lab=history.still.lab)
    assert sum(sum(row.lost_ul.values()) for row in rows) == lost != 0


def test_months_limit_without_losing_the_opening(history: History) -> None:
    rows = ledger_report(lab=history.still.lab)
    since, until = date(2025, 11, 20), date(2026, 1, 31)
    some = ledger_report(lab=history.still.lab, since=since, until=until)
    assert some == [row for row in rows if date(2025, 11, 1) <= row.month <= until]
    assert any(row.opening_ul for row in some)


def test_another_labs_movements_are_not_in_it(history: History) -> None:
    other = Still(make.second_club())
    assert ledger_report(lab=other.lab) == []
    before = ledger_report(lab=history.still.lab)
    other.whole("100 mL", "80 mL")
    assert ledger_report(lab=history.still.lab) == before
    (row,) = ledger_report(lab=other.lab)
    assert parts(row) == [0, 980_000, Counter(supplier=1_000_000, run=80_000), Counter(run=100_000),
                          Counter(unaccounted=20_000)]  # fmt: skip

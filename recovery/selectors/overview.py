"""What a lab's front page shows, in a number of queries that does not grow with the stock."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Count, Prefetch, Q

from inventory.models import Alert, Container, Lab, Solvent
from inventory.selectors.due import SOON, DueItem, counts_and_list, due_containers
from recovery.models import Clearance, Run
from recovery.selectors.losses import LossRate, loss_rates_and_totals

DUE_LIMIT = 40
RUN_LIMIT = 20
MONTHS = 12


@dataclass(frozen=True)
class Counts:
    """How many containers stand in each rank of the due list. start: how many of it are not shown before."""

    by_rank: dict[int, int]
    start: int = 0

    @property
    def now(self) -> int:
        return sum(n for rank, n in self.by_rank.items() if rank != SOON)

    @property
    def soon(self) -> int:
        return self.by_rank.get(SOON, 0)


@dataclass(frozen=True)
class Part:
    """Items of one rank. before: how many of that rank come before them; start: of the list, before that."""

    rank: int
    count: int
    items: list[DueItem]
    before: int = 0
    start: int = 0

    @property
    def more(self) -> int:
        return self.count - self.before - len(self.items)

    @property
    def further(self) -> int:
        """Where in the whole list the first of those begins that are not here."""
        return self.start + self.before + len(self.items)


@dataclass(frozen=True)
class NamedRate:
    """A loss rate beside the solvent's name."""

    solvent: str
    rate: LossRate


def due_counts(*, lab: Lab, today: date) -> Counts:
    """Counts by rank in one query."""
    rows = due_containers(lab=lab, today=today).order_by().values("rank")
    return Counts({row["rank"]: row["n"] for row in rows.annotate(n=Count("id"))})


def due_parts(*, lab: Lab, today: date, start: int = 0) -> tuple[Counts, list[Part]]:
    """The due list by rank, worst first, from the one on before which `start` stand; from its beginning where
    there are no more than that.

    Left out are ranks without a container, and those that lie before it as a whole.
    """
    by_rank, items = counts_and_list(lab=lab, today=today, limit=DUE_LIMIT, start=start)
    if start and not items:
        return due_parts(lab=lab, today=today)
    found: dict[int, list[DueItem]] = defaultdict(list)
    for item in items:
        found[item.rank].append(item)
    parts, passed = [], 0
    for rank, n in sorted(by_rank.items()):
        before = min(max(start - passed, 0), n)
        if before < n:
            parts.append(Part(rank, n, found[rank], before, passed))
        passed += n
    return Counts(by_rank, start), parts


def open_alerts(*, lab: Lab) -> int:
    return Alert.objects.filter(lab=lab, closed_at=None).count()


def any_container(*, lab: Lab) -> bool:
    return Container.objects.filter(lab=lab, discarded_at=None).exists()


def runs_to_answer_for(*, lab: Lab) -> list[Run]:
    """Closed runs with a finding that nobody answered for yet, the newest first; one more than are shown."""
    runs = Run.objects.filter(lab=lab, closed_at__isnull=False, is_history=False).exclude(unseen_findings="")
    return list(runs.order_by("-id")[: RUN_LIMIT + 1])


def open_runs(*, lab: Lab) -> tuple[int, list[Run]]:
    """How many runs are open, and the longest open of them with what they still hold."""
    runs = Run.objects.filter(lab=lab, closed_at=None, is_draft=False)
    signed = Clearance.objects.exclude(override_reason="").order_by("id")
    overrides = Prefetch("clearances", queryset=signed, to_attr="overrides")
    first = runs.order_by("started_at", "id").prefetch_related("sums__solvent", overrides)[:RUN_LIMIT]
    return runs.count(), list(first)


def ledger(*, lab: Lab) -> tuple[list[NamedRate], list[NamedRate]]:
    """Loss rates by solvent over all months, and by month (newest first) for the last twelve with runs."""
    by_month, by_solvent = loss_rates_and_totals(lab=lab, by="solvent", over="month")
    months = sorted({rate.group["month"] for rate in by_month})[-MONTHS:]
    recent = [rate for month in reversed(months) for rate in by_month if rate.group["month"] == month]
    names = _names(lab)
    return _named(by_solvent, names), _named(recent, names)


def _names(lab: Lab) -> dict[str, str]:
    """Solvent names by key; a lab's own solvent goes before a shipped one."""
    rows = Solvent.objects.filter(Q(lab=lab) | Q(lab=None)).values_list("lab_id", "key", "name")
    return {key: name for _, key, name in sorted(rows, key=lambda row: row[0] or 0)}


def _named(rates: list[LossRate], names: dict[str, str]) -> list[NamedRate]:
    return [NamedRate(names.get(rate.group["solvent"], rate.group["solvent"]), rate) for rate in rates]


def lab_summary(*, lab: Lab, today: date) -> dict[str, Any]:
    """The counts of one lab, for a person who belongs to several."""
    runs = Run.objects.filter(lab=lab, closed_at=None, is_draft=False).count()
    counts = due_counts(lab=lab, today=today)
    return {"lab": lab, "counts": counts, "alerts": open_alerts(lab=lab), "open_runs": runs}

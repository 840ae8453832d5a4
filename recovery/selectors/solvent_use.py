"""Turnover, recycling, savings and the day to reorder, from the monthly flows and the months of reuse."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from inventory.models import Flow, Lab, Solvent, StockLevel
from inventory.rules.errors import InputError
from inventory.selectors.stock_levels import fit_sql
from recovery.models import Reuse, SolventPrice
from recovery.rules.consumption import Outlook, outlook
from recovery.rules.solvent_balance import Cell
from recovery.rules.solvent_terms import load_terms
from recovery.rules.solvent_use import CONTAINER, Price, Spared, Use, months_of, spared

MONTHS_USUAL, MONTHS_MOST = 12, 600


@dataclass(frozen=True)
class SolventUse:
    """One solvent. fit_ul: on the shelf and fit to use today. minimum_ul: None where nobody set a level."""

    id: int
    key: str
    name: str
    use: Use
    spared: list[Spared]
    priced: bool
    fit_ul: int
    minimum_ul: int | None
    outlook: Outlook


def solvent_use(
    *, lab: Lab, today: date, since: date | None = None, until: date | None = None, solvent: str | None = None
) -> tuple[date, date, list[SolventUse]]:
    """(first month, last month, solvents by name). Left out: the twelve months up to the one of `today`.

    The forecast rests on whole months before today's, whatever period is asked for. Raises InputError.
    """
    until = (until or today).replace(day=1)
    since = (since or _back(until, MONTHS_USUAL - 1)).replace(day=1)
    span = list(_months(since, until))
    if not 0 < len(span) <= MONTHS_MOST:
        words = "The period ends before it begins, or is longer than fifty years."
        raise InputError("until", "bad-period", words, "Choose other months.")
    cells, reused = _cells(lab, solvent), _reused(lab)
    facts = {pk: (key, name) for pk, key, name in _solvents(list(cells))}
    levels = dict(StockLevel.objects.filter(lab=lab, ended_at=None).values_list("solvent_id", "minimum_ul"))
    fit, prices = _fit(lab, today), _prices(lab)
    found = []
    for pk, (key, name) in sorted(facts.items(), key=lambda item: item[1][1]):
        standing = _standing(cells[pk], since)
        months = months_of(cells[pk], reused[pk], span, load_terms(), standing_ul=standing)
        ahead = outlook(
            _uses(cells[pk], today), stock_ul=fit.get(pk, 0), minimum_ul=levels.get(pk, 0), today=today
        )
        saved, priced = spared(months, prices[pk]), bool(prices[pk])
        level = levels.get(pk)
        found.append(SolventUse(pk, key, name, Use(months), saved, priced, fit.get(pk, 0), level, ahead))
    return since, until, found


def _back(month: date, count: int) -> date:
    number = month.year * 12 + month.month - 1 - count
    return date(max(number // 12, 1), number % 12 + 1, 1)


def _months(first: date, last: date) -> Iterator[date]:
    month = first
    while month <= last:
        yield month
        month = _back(month, -1)


Cells = dict[int, dict[date, list[Cell]]]


def _cells(lab: Lab, solvent: str | None) -> Cells:
    flows = Flow.objects.filter(lab=lab)
    if solvent is not None:
        flows = flows.filter(solvent__key=solvent)
    found: Cells = defaultdict(lambda: defaultdict(list))
    rows = flows.values_list("solvent_id", "month", "source_kind", "destination_kind", "volume_ul")
    for solvent_id, month, source, destination, volume_ul in rows:
        found[solvent_id][month].append(Cell(source, destination, volume_ul))
    return found


def _reused(lab: Lab) -> dict[int, dict[date, int]]:
    found: dict[int, dict[date, int]] = defaultdict(dict)
    for solvent_id, month, volume_ul in Reuse.objects.filter(lab=lab).values_list(
        "solvent_id", "month", "reused_ul"
    ):
        found[solvent_id][month] = volume_ul
    return found


def _solvents(pks: list[int]) -> Any:
    return Solvent.objects.filter(pk__in=pks).values_list("pk", "key", "name")


def _standing(cells: dict[date, list[Cell]], before: date) -> int:
    """In containers when the month began."""
    earlier = [cell for month, moved in cells.items() if month < before for cell in moved]
    into = sum(cell.volume_ul for cell in earlier if cell.destination == CONTAINER)
    return into - sum(cell.volume_ul for cell in earlier if cell.source == CONTAINER)


def _uses(cells: dict[date, list[Cell]], today: date) -> list[int]:
    """What each whole month since the first on record used up, oldest first."""
    this = today.replace(day=1)
    known = [month for month in cells if month < this]
    if not known:
        return []
    # The first month may have begun before counting did: it is not a whole one.
    span = list(_months(_back(min(known), -1), _back(this, 1)))
    months = months_of(cells, {}, span, load_terms(), standing_ul=0)
    return [month.used_up_ul for month in months]


def _prices(lab: Lab) -> dict[int, list[Price]]:
    found: dict[int, list[Price]] = defaultdict(list)
    rows = SolventPrice.objects.filter(lab=lab).order_by("since_on", "pk")
    for row in rows:
        price = Price(row.since_on, row.per_litre, row.waste_per_litre, row.currency)
        found[row.solvent_id].append(price)
    return found


def _fit(lab: Lab, today: date) -> dict[int, int]:
    """Solvent id → µl on the shelf that are fit to use, by the same words as the alert on stock levels."""
    day = connection.ops.adapt_datefield_value(today)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT s.solvent_id, {fit_sql('%(today)s')} FROM "  # noqa: S608
            "(SELECT DISTINCT f.lab_id, f.solvent_id FROM inventory_flow f WHERE f.lab_id = %(lab)s) AS s",
            {"today": day, "lab": lab.pk},
        )
        return {pk: int(volume_ul) for pk, volume_ul in cursor.fetchall()}

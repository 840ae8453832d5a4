"""The stock ledger by solvent and month, read from the monthly flows alone."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date

from inventory.models import LOST_TO, Flow, Lab, PlaceKind

CONTAINER = PlaceKind.CONTAINER.value


@dataclass
class LedgerRow:
    """One solvent in one month: what stood in containers before and after, and what came and went by kind."""

    solvent: str
    month: date
    opening_ul: int
    closing_ul: int = 0
    into_ul: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    out_of_ul: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    lost_ul: dict[str, int] = field(default_factory=lambda: defaultdict(int))


def ledger_report(*, lab: Lab, since: date | None = None, until: date | None = None) -> list[LedgerRow]:
    """Rows by solvent and month, in that order; months without a movement are left out.

    into, out_of: between containers and other kinds of place. lost: from runs to named losses, net of what
    was booked back.
    """
    flows = Flow.objects.filter(lab=lab)
    if until is not None:
        flows = flows.filter(month__lte=until)
    cells = flows.order_by("solvent__key", "month").values_list(
        "solvent__key", "month", "source_kind", "destination_kind", "volume_ul"
    )
    rows: dict[tuple[str, date], LedgerRow] = {}
    standing: dict[str, int] = defaultdict(int)
    for solvent, month, source_kind, destination_kind, volume_ul in cells:
        row = rows.get((solvent, month))
        if row is None:
            row = rows[(solvent, month)] = LedgerRow(solvent, month, standing[solvent])
        standing[solvent] += _book(row, source_kind, destination_kind, volume_ul)
        row.closing_ul = standing[solvent]
    first = since.replace(day=1) if since else date.min
    return [row for row in rows.values() if row.month >= first]


def _book(row: LedgerRow, source_kind: str, destination_kind: str, volume_ul: int) -> int:
    """Add one flow cell to a row; returns what it changes in the containers."""
    if source_kind == destination_kind:
        return 0
    if destination_kind == CONTAINER:
        row.into_ul[source_kind] += volume_ul
        return volume_ul
    if source_kind == CONTAINER:
        row.out_of_ul[destination_kind] += volume_ul
        return -volume_ul
    if source_kind == PlaceKind.RUN and destination_kind in LOST_TO:
        row.lost_ul[destination_kind] += volume_ul
    if destination_kind == PlaceKind.RUN and source_kind in LOST_TO:
        row.lost_ul[source_kind] -= volume_ul
    return 0

"""Keeps the months of recovered solvent that was put back in, as charges are booked and booked back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Any

from django.db import connection, transaction

from inventory.models import Lab, Lot, Movement, PlaceKind
from inventory.rules.errors import Conflict
from inventory.services.audit import Finding
from inventory.services.ledger import Line
from recovery.models import Reuse
from recovery.rules.lineage import BLEND, RECOVERED, recovered_share
from recovery.selectors.lot_walk import behind, chunks, origins_of

Cell = tuple[int, date]
TABLES = {"months of reuse": "recovery_reuse"}


def on_posted(*, lab: Lab, lines: Sequence[Line], month: date, **_: Any) -> None:
    """Receiver of `ledger.posted`: add what was charged of recovered lots, take off what was booked back.

    month: the one in which the flow of a charge counts; a line that books back has its own.
    """
    charges = [line for line in lines if _is_charge(line)]
    if not charges:
        return
    shares = shares_recovered({line.lot_id for line in charges})
    if not any(shares.values()):
        return
    cells: dict[Cell, int] = defaultdict(int)
    for line in charges:
        sign = 1 if line.reversal_of_id is None else -1
        cells[(line.solvent_id, line.month or month)] += sign * _part(line.volume_ul, shares[line.lot_id])
    _add(lab.pk, cells)


def _is_charge(line: Line) -> bool:
    """Out of a container into a run, or that booked back."""
    ends = (line.source.kind, line.destination.kind)
    if line.reversal_of_id is not None:
        ends = ends[::-1]
    return ends == (PlaceKind.CONTAINER, PlaceKind.RUN)


def _part(volume_ul: int, share: Fraction) -> int:
    """Whole µl, rounded down: less put back in is the worse."""
    return int(volume_ul * share)


def shares_recovered(lot_ids: set[int]) -> dict[int, Fraction]:
    """Lot → which part of it was distilled back here. Two statements more where there are blends.

    Of a blend with more behind it than a trace takes nothing counts, the worse: a charge is never refused
    for that.
    """
    origins = origins_of(sorted(lot_ids))
    shares = {lot: Fraction(int(origin == RECOVERED)) for lot, origin in origins.items()}
    blends = [lot for lot, origin in origins.items() if origin == BLEND]
    for blend in blends:
        try:
            lineage = behind([blend], blends_only=True)
        except Conflict:
            continue
        known = {edge.parent for edge in lineage.edges} | {edge.lot for edge in lineage.edges}
        shares[blend] = recovered_share(lineage, blend, origins | origins_of(sorted(known)))
    return shares


def _add(lab_id: int, cells: Mapping[Cell, int]) -> None:
    with connection.cursor() as cursor:
        for solvent_id, month in sorted(cells):
            stored = cursor.db.ops.adapt_datefield_value(month)
            cursor.execute(
                "INSERT INTO recovery_reuse (lab_id, solvent_id, month, reused_ul) VALUES (%s, %s, %s, %s) "
                "ON CONFLICT (lab_id, solvent_id, month) "
                "DO UPDATE SET reused_ul = recovery_reuse.reused_ul + excluded.reused_ul",
                [lab_id, solvent_id, stored, cells[(solvent_id, month)]],
            )


def reuse_differences(lab: Lab | None, full: bool) -> Iterator[Finding]:
    """For the audit: the months worked out again from every charge of a lot that is recovered in part."""
    computed = worked_out(lab)
    held = Reuse.objects.all() if lab is None else Reuse.objects.filter(lab=lab)
    stored = {
        (lab_id, solvent_id, month): volume_ul
        for lab_id, solvent_id, month, volume_ul in held.values_list("lab", "solvent", "month", "reused_ul")
    }
    for key in sorted({*computed, *stored}):
        if computed.get(key, 0) != stored.get(key, 0):
            yield from _looked_at_again(*key)


def _looked_at_again(lab_id: int, solvent_id: int, month: date) -> Iterator[Finding]:
    """A charge may have been booked between two reads: none is while the month's row is locked."""
    with transaction.atomic():
        here = Reuse.objects.filter(lab=lab_id, solvent=solvent_id, month=month)
        held = here.select_for_update(of=("self",)).first()
        found = held.reused_ul if held else 0
        expected = worked_out(Lab.objects.get(pk=lab_id)).get((lab_id, solvent_id, month), 0)
    if expected != found:
        words = f"{lab_id} / {solvent_id} / {month}"
        yield Finding("reuse", "recovery_reuse", words, str(expected), str(found))


def worked_out(lab: Lab | None) -> dict[tuple[int, int, date], int]:
    """(lab, solvent, month) → µl, from the movements."""
    lots = Lot.objects.filter(origin__in=(RECOVERED, BLEND))
    if lab is not None:
        lots = lots.filter(lab=lab)
    found: dict[tuple[int, int, date], int] = defaultdict(int)
    for chunk in chunks(list(lots.order_by("pk").values_list("pk", flat=True))):
        shares = shares_recovered(set(chunk))
        charges = Movement.objects.filter(
            lot_id__in=chunk,
            source__kind=PlaceKind.CONTAINER,
            destination__kind=PlaceKind.RUN,
            reversal_of=None,
            reversed_by=None,
        )
        rows = charges.values_list("lab", "solvent", "flow_month", "lot", "volume_ul")
        for lab_id, solvent_id, month, lot_id, volume_ul in rows.iterator():
            found[(lab_id, solvent_id, month)] += _part(volume_ul, shares[lot_id])
    return found

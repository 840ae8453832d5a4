"""Per-run sums, rewritten in the transaction that books a movement touching the run's place."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from django.db.models import F

from inventory.models import LOST_TO, Lab, Movement, PlaceKind
from inventory.services.ledger import Line
from recovery.models import Run, RunSum
from recovery.services.heel import MORE_BACK, note_heel, note_uncleared, rewrite_heel, set_finding
from recovery.services.run_hooks import settled
from recovery.services.times_distilled import note_often

__all__ = ["MORE_BACK", "note_more_back", "on_posted", "parts_by_solvent", "rewrite"]


def on_posted(*, lab: Lab, lines: Sequence[Line], now: datetime, **_: Any) -> None:
    """Receiver of `ledger.posted`: bring the sums of every run touched up to date.

    A closed run that a reversal touches is open again: its balance no longer is what was closed.
    """
    touched = {
        end.place_id for line in lines for end in (line.source, line.destination) if end.kind == PlaceKind.RUN
    }
    if not touched:
        return
    for run in Run.objects.filter(lab=lab, place_id__in=touched).order_by("pk"):
        rewrite(run)
        if all(line.reversal_of_id is None for line in lines):
            continue
        note_more_back(run, may_be_mended=True)
        rewrite_heel(run)
        note_heel(run, may_be_mended=True)
        note_uncleared(run, may_be_mended=True)
        note_often(run, may_be_mended=True)
        if run.closed_at is not None:
            opened = {"closed_at": None, "closing_entry": None}
            Run.objects.filter(pk=run.pk).update(**opened, version=F("version") + 1)
            run.refresh_from_db()
            settled.send(sender=on_posted, lab=lab, run=run, now=now, why="reopened")


def note_more_back(run: Run, *, may_be_mended: bool = False) -> None:
    """More back than out is a finding of the run, never an error that hides it."""
    more = RunSum.objects.filter(run=run, returned_ul__gt=F("charged_ul")).exists()
    set_finding(run, MORE_BACK, more, may_be_mended=may_be_mended)


def rewrite(run: Run) -> list[RunSum]:
    """Work the sums of a run out of its movements and store them."""
    sums = [
        RunSum(run=run, solvent_id=solvent_id, **parts)
        for solvent_id, parts in sorted(parts_by_solvent(run.place_id).items())
    ]
    RunSum.objects.bulk_create(
        sums,
        update_conflicts=True,
        unique_fields=["run", "solvent"],
        update_fields=["charged_ul", "returned_ul", "lost_ul", "held_ul"],
    )
    return sums


def parts_by_solvent(place_id: int) -> dict[int, dict[str, int]]:
    """Solvent id → charged, returned, lost and held volumes in µl of the run at this place."""
    into = Movement.objects.filter(destination_id=place_id).values_list(
        "solvent_id", "source__kind", "volume_ul", "reversal_of_id"
    )
    out_of = Movement.objects.filter(source_id=place_id).values_list(
        "solvent_id", "destination__kind", "volume_ul", "reversal_of_id"
    )
    parts: dict[int, dict[str, int]] = defaultdict(
        lambda: {"charged_ul": 0, "returned_ul": 0, "lost_ul": 0, "held_ul": 0}
    )
    _add(parts, into, inward=True)
    _add(parts, out_of, inward=False)
    return dict(parts)


def _add(
    parts: dict[int, dict[str, int]], rows: Iterable[tuple[int, str, int, int | None]], *, inward: bool
) -> None:
    """A reversal undoes the part that it reverses: an inward reversal takes back a return or a loss."""
    for solvent_id, other_kind, volume_ul, reversal_of_id in rows:
        part = parts[solvent_id]
        part["held_ul"] += volume_ul if inward else -volume_ul
        forward = inward if reversal_of_id is None else not inward
        signed_ul = volume_ul if reversal_of_id is None else -volume_ul
        if other_kind in LOST_TO:
            part["lost_ul"] += -signed_ul if forward else signed_ul
        else:
            part["charged_ul" if forward else "returned_ul"] += signed_ul

"""What a run is told to be beside its volumes: its kind, its room, what it was done in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import Lab, User
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.places import lock_runs
from recovery.models import Apparatus, Run, RunApparatus, RunKind
from recovery.rules.shipped_words import shipped
from recovery.services.run_hooks import settled

NAMES = ("kind", "location", "remarks")


def run_change(*, lab: Lab, actor: User, now: datetime, run: Run, changes: Mapping[str, Any]) -> Run:
    """Change what is given of kind, location, remarks and apparatus (all of them), closed or not.

    Nothing of it moves a volume. Whether a run distils stays as it was told at its start; Conflict when its
    new kind distils and the run was started as one that does not: the gate comes first. Both states are kept
    in an event.
    """
    with transaction.atomic():
        lock_runs([run.place_id])
        held = Run.objects.select_related("kind", "location").get(pk=run.pk)
        _check_distils(held, changes.get("kind"))
        before = plain(held)
        for name in NAMES:
            if name in changes:
                setattr(held, name, changes[name])
        if "apparatus" in changes:
            set_apparatus(held, changes["apparatus"])
        after = plain(held)
        if after != before:
            columns = {name: getattr(held, name) for name in NAMES}
            Run.objects.filter(pk=held.pk).update(**columns, version=F("version") + 1)
            said = {"before": before, "after": after}
            record(lab=lab, actor=actor, now=now, verb="run-changed", subject=held, data=said)
            settled.send(sender=run_change, lab=lab, run=held, now=now, why="changed")
    held.refresh_from_db()
    return held


def _check_distils(run: Run, kind: RunKind | None) -> None:
    if kind is not None and kind.distils and not run.distils and not run.is_history:
        raise Conflict(
            "kind",
            "kind-distils",
            Phrase(
                "Run {id} was started as one that does not distil; “{name}” does.",
                id=run.pk,
                name=shipped(kind.name),
            ),
            Phrase("Make it one that distils first (distillings/): what it holds then passes the gate."),
        )


def set_apparatus(run: Run, rows: Sequence[Apparatus]) -> None:
    """What a run was done in, from now on exactly these. Only with the run locked."""
    wanted = {row.pk for row in rows}
    known = set(RunApparatus.objects.filter(run=run).values_list("apparatus_id", flat=True))
    if known - wanted:
        RunApparatus.objects.filter(run=run, apparatus_id__in=known - wanted).delete()
    RunApparatus.objects.bulk_create(
        [RunApparatus(run=run, apparatus_id=pk) for pk in sorted(wanted - known)]
    )


def plain(run: Run) -> dict[str, Any]:
    """As an event keeps it."""
    used = RunApparatus.objects.filter(run=run).order_by("apparatus_id")
    return {
        "kind": run.kind.key if run.kind else None,
        "location": run.location_id,
        "remarks": run.remarks,
        "apparatus": list(used.values_list("apparatus_id", flat=True)),
    }

"""The lot that comes back out of a run: distilled it is a new one, undistilled it is what went in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from django.db.models import Min, Sum

from inventory.models import Container, Lab, Lot, LotParent, Movement, Solvent, User
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services.containers import day_in_lab
from inventory.services.facts import containers_with, counts_open_since
from inventory.services.quarantine import follow
from inventory.services.readings import lock_containers
from recovery.models import Run
from recovery.rules.shares import split_in_proportion
from recovery.services.under_override import charged_override, standing_override


def recovered_lot(run: Run, solvent: Solvent, volume_ul: int, happened: datetime, now: datetime) -> Lot:
    charged = (
        Movement.objects.filter(destination_id=run.place_id, solvent=solvent, kind="charge", reversed_by=None)
        .values("lot_id")
        .annotate(total=Sum("volume_ul"))
        .order_by("lot_id")
    )
    parents = {row["lot_id"]: row["total"] for row in charged}
    if not parents:
        raise Conflict(
            "run",
            "nothing-charged",
            Phrase("No {name} was charged to this run.", name=solvent.name),
            Phrase("Book the charge first, or name the solvent that came back."),
        )
    was = list(Lot.objects.filter(pk__in=parents))
    lot = Lot.objects.create(
        lab_id=run.lab_id,
        solvent=solvent,
        origin=Lot.Origin.RECOVERED if run.distils else Lot.Origin.BLEND,
        expiry_on=None if run.distils else _earliest_expiry(parents),
        inhibited=False,
        made_on=day_in_lab(run.lab, happened),
        times_distilled=max(lot.times_distilled for lot in was) + int(run.distils),
        **(standing_override(run) if run.distils else charged_override(run)),
        created_at=now,
    )
    shares = split_in_proportion(volume_ul, list(parents.values()))
    LotParent.objects.bulk_create(
        [
            LotParent(lot=lot, parent_id=parent_id, volume_ul=share)
            for parent_id, share in zip(parents, shares, strict=True)
            if share > 0
        ]
    )
    return lot


def _earliest_expiry(lot_ids: Iterable[int]) -> date | None:
    first: date | None = Lot.objects.filter(pk__in=lot_ids).aggregate(first=Min("expiry_on"))["first"]
    return first


def hold_bottles(run: Run, taker: Container) -> None:
    """Keep the bottles that a run was charged from, and the one that takes it back, as they are.

    Or one could be set aside after it was looked at. Only inside a transaction, with the run locked.
    """
    charged = Movement.objects.filter(destination_id=run.place_id, kind="charge", reversed_by=None)
    givers = charged.exclude(source__container=None).values_list("source__container__id", flat=True)
    lock_containers({taker.pk, *givers})


def set_aside_with(run: Run, taker: Container, *, lab: Lab, actor: User, now: datetime) -> None:
    """Undistilled it is what it was: out of a container that is set aside, it stays set aside.

    Of whatever solvent that one was: in the run they were together.
    """
    giver = Container.objects.filter(
        place__outgoing__destination_id=run.place_id,
        place__outgoing__kind="charge",
        place__outgoing__reversed_by=None,
        quarantined_at__isnull=False,
    ).first()
    if giver is not None:
        held = Container.objects.select_related("lab").get(pk=taker.pk)
        follow(giver=giver, taker=held, lab=lab, actor=actor, now=now)


def open_since(run: Run, solvent: Solvent) -> date | None:
    """Undistilled it is as old as the oldest bottle it came from; one refilled since tells no day."""
    rows = Movement.objects.filter(
        destination_id=run.place_id, solvent=solvent, kind="charge", reversed_by=None
    ).values_list("source__container__id", "lot_id")
    pairs = set(rows)
    held = {c.pk: c for c in containers_with([pk for pk, _ in pairs if pk])}
    days = [
        counts_open_since(held[pk]) if pk in held and held[pk].lot_id == lot_id else None
        for pk, lot_id in pairs
    ]
    return min((d for d in days if d), default=None) if None not in days else None

"""How much of each solvent a lab wants to have, written down by its stewards."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from inventory.models import Lab, Solvent, StockLevel, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record

LARGEST_UL = 10**15


def stock_level_put(
    *, lab: Lab, actor: User, now: datetime, solvent: Solvent, minimum_ul: int, note: str = ""
) -> StockLevel:
    """Say how much of a solvent there should be, anew or instead of what was said before.

    Raises InputError when it is not above zero: a level that is wanted no more is ended.
    """
    if not 0 < minimum_ul <= LARGEST_UL:
        raise InputError(
            "minimum",
            "out-of-range",
            Phrase("A level is above nought and below 10^6 m³."),
            Phrase("End it instead."),
        )
    with transaction.atomic():
        held, _ = StockLevel.objects.select_for_update(of=("self",)).get_or_create(
            lab=lab, solvent=solvent, defaults={"minimum_ul": minimum_ul, "note": note}
        )
        before = None if held.ended_at is not None else held.minimum_ul
        held.minimum_ul, held.note, held.ended_at = minimum_ul, note, None
        held.save(update_fields=["minimum_ul", "note", "ended_at"])
        data = {"solvent": solvent.key, "before_ul": before, "minimum_ul": minimum_ul, "note": note}
        record(lab=lab, actor=actor, now=now, verb="stock-level-set", subject=held, data=data)
    return held


def stock_level_end(*, lab: Lab, actor: User, now: datetime, level: StockLevel) -> StockLevel:
    """The lab no longer minds how much there is. Raises Conflict when it was ended before."""
    with transaction.atomic():
        held = StockLevel.objects.select_for_update(of=("self",)).select_related("solvent").get(pk=level.pk)
        if held.ended_at is not None:
            raise Conflict(
                "solvent",
                "already-ended",
                Phrase("There is no level for {name} any more.", name=held.solvent.name),
            )
        held.ended_at = now
        held.save(update_fields=["ended_at"])
        data = {"solvent": held.solvent.key, "minimum_ul": held.minimum_ul}
        record(lab=lab, actor=actor, now=now, verb="stock-level-ended", subject=held, data=data)
    return held

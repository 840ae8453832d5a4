"""For what a container's content is fit: its checks, its limits and the verdict of the house together."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, cast
from zoneinfo import ZoneInfo

from inventory.models import Container, Lab, Lot, Movement, Solvent
from inventory.rules.verdict import Verdict
from inventory.services.facts import containers_with
from inventory.services.verdicts import verdicts_of_many
from recovery.models import QualityCheck, QualityLimit, ReturnState
from recovery.rules.fitness import Checked, Fitness, Known, Reason, fitness
from recovery.rules.quality import Corrected
from recovery.rules.quality_data import What, load_uses
from recovery.selectors.quality import (
    as_range,
    limits_for,
    sample_of,
    standing,
    standing_checks,
    times_limit,
)


@dataclass(frozen=True)
class FitFor:
    """What is said of one container: the uses by their keys, and what it rests on."""

    container: Container
    lot: Lot
    uses: Mapping[str, Fitness]
    checks: Mapping[str, QualityCheck]
    verdict: Verdict
    times_most: int | None


def fitness_of(*, lab: Lab, container_ids: Collection[int], today: date) -> dict[int, FitFor]:
    """Container id → for what it is fit today, in a fixed number of statements; empty ones are left out.

    Never fit against the verdict of the house on drawing from it.
    """
    held = [c for c in containers_with(list(container_ids)) if c.lot_id is not None and c.volume_ul > 0]
    lots = Lot.objects.select_related("solvent").in_bulk([cast(int, c.lot_id) for c in held])
    checks, wet = standing_checks(lots), _wet(lots)
    verdicts, limits = verdicts_of_many(held, today), list(standing(lab))
    zone = ZoneInfo(lab.time_zone)
    found = {}
    for container in held:
        lot = lots[cast(int, container.lot_id)]
        own, verdict = checks.get(lot.pk, {}), verdicts[container.pk]["draw"]
        most = times_limit(limits, lot.solvent_id)
        known = Known(
            sample=sample_of(lot.solvent),
            checks={cast(What, what): _checked(row, zone) for what, row in own.items()},
            times_distilled=lot.times_distilled,
            times_most=None if most is None else int(most.highest or 0),
            times_refuses=most is not None and most.refuses,
            times_source="" if most is None else most.source,
            as_bought=lot.origin == Lot.Origin.PURCHASED and lot.times_distilled == 0,
            returned_wet=lot.pk in wet,
            verdict=_against(verdict),
        )
        uses = _uses(known, limits, lot.solvent, today)
        found[container.pk] = FitFor(container, lot, uses, own, verdict, known.times_most)
    return found


def _uses(known: Known, limits: Sequence[QualityLimit], solvent: Solvent, today: date) -> dict[str, Fitness]:
    said = {}
    for key, use in load_uses().items():
        own = limits_for([one for one in limits if one.what in _WHATS], solvent.pk, key)
        said[key] = fitness(use, known, {what: as_range(row) for what, row in own.items()}, today)
    return said


_WHATS = ("density", "refractive-index", "boiling-range", "water")


def _checked(row: QualityCheck, zone: ZoneInfo) -> Checked:
    """As it was brought to common conditions when it was made."""
    parts: dict[str, Any] = row.reference
    found = Corrected(Decimal(parts["low"]), Decimal(parts["high"]), Decimal(parts["u"]))
    return Checked(row.pk, found, row.happened_at.astimezone(zone).date())


def _against(verdict: Verdict) -> tuple[Reason, ...]:
    """What the house says against drawing from it: nothing of quality makes that milder."""
    if verdict.level == "use":
        return ()
    state: Any = "not-shown" if verdict.level == "test-first" else "not-fit"
    return tuple(
        Reason(f"verdict-{reason.code}", reason.words, state, source=reason.source)
        for reason in verdict.reasons
        if reason.level != "use"
    ) or (Reason("verdict", verdict.words, state),)


def _wet(lot_ids: Collection[int]) -> set[int]:
    """Lots that came back wet, and of which nobody said since that they were dried."""
    entries = dict(
        Movement.objects.filter(lot_id__in=list(lot_ids), kind="return", reversed_by=None).values_list(
            "entry", "lot_id"
        )
    )
    newest = {
        row.entry: row.state for row in ReturnState.objects.filter(entry__in=list(entries)).order_by("id")
    }
    return {entries[entry] for entry, state in newest.items() if state == ReturnState.State.WET}

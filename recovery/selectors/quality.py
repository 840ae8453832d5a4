"""What is known of the quality of solvent: samples, limits of a lab, standing checks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from django.db.models import Q, QuerySet

from inventory.models import Lab, Solvent
from inventory.rules.density import Liquid
from recovery.models import QualityCheck, QualityLimit
from recovery.rules.quality import Range, Sample

TIMES = "times-distilled"


def sample_of(solvent: Solvent) -> Sample:
    """What the rules of quality need to know of a solvent."""
    sources = {str(fact.get("name")): str(fact.get("source", "")) for fact in solvent.facts}
    return Sample(
        key=solvent.key if solvent.lab_id is None else "",
        liquid=Liquid(
            density_20c_kg_m3=solvent.density_20c_kg_m3,
            u_density_20c_kg_m3=solvent.u_density_kg_m3,
            expansion_20c_per_k=solvent.expansion_20c_per_k,
            u_expansion_per_k=solvent.u_expansion_per_k,
            expansion_slope_per_k2=solvent.expansion_slope_per_k2,
        ),
        boiling_c=solvent.boiling_point_c,
        density_source=sources.get("density-20c", ""),
        boiling_source=sources.get("boiling-point", ""),
    )


def standing(lab: Lab) -> QuerySet[QualityLimit]:
    """The limits that hold in a lab."""
    return QualityLimit.objects.filter(lab=lab, ended_at=None)


def as_range(limit: QualityLimit) -> Range:
    return Range(limit.lowest, limit.highest, limit.source)


def limits_for(limits: Iterable[QualityLimit], solvent_id: int, use: str) -> dict[str, QualityLimit]:
    """Property → the limit that counts: for the solvent before for any, for the use before for all."""
    best: dict[str, tuple[tuple[bool, bool], QualityLimit]] = {}
    for limit in limits:
        if limit.solvent_id not in (None, solvent_id) or limit.use not in ("", use):
            continue
        rank = (limit.solvent_id is not None, limit.use != "")
        if limit.what not in best or rank > best[limit.what][0]:
            best[limit.what] = (rank, limit)
    return {what: limit for what, (_, limit) in best.items()}


def times_limit(limits: Iterable[QualityLimit], solvent_id: int) -> QualityLimit | None:
    """How often a solvent may be distilled; None: as often as anybody likes."""
    return limits_for([limit for limit in limits if limit.what == TIMES], solvent_id, "").get(TIMES)


def standing_checks(lot_ids: Iterable[int]) -> dict[int, dict[str, QualityCheck]]:
    """Lot → property → its newest check that was not taken back, by when it was made."""
    rows = QualityCheck.objects.filter(
        Q(withdrawn_by__isnull=True), lot_id__in=list(lot_ids), withdraws=None
    ).order_by("happened_at", "id")
    found: dict[int, dict[str, QualityCheck]] = defaultdict(dict)
    for row in rows:
        found[row.lot_id][row.what] = row
    return found

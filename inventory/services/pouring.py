"""Solvent of one lot goes into a container: adopted if empty, added to its like, blended otherwise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from types import MappingProxyType
from typing import Any

from inventory.models import Container, Lot, LotParent, PlaceKind
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services import safety
from inventory.services.ledger import End, Holds, Line
from inventory.services.places import boundary, container_end

MADE = (Lot.Origin.MADE_HERE.value, Lot.Origin.RECOVERED.value)
NOTHING_SAID: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class Inflow:
    """`volume_ul` of `lot` arrives from `source`; opened facts tell how the liquid was kept until now."""

    kind: str
    lot: Lot
    source: End
    volume_ul: int
    u_volume_ul: int
    as_entered: Mapping[str, Any] = field(default_factory=dict)
    opened_on: date | None = None
    note: str = ""


@dataclass(frozen=True)
class Plan:
    """Lines to post and what the container then holds. `opened_on` None: the day is not known."""

    lines: list[Line]
    holds: Holds
    opened_on: date | None


def plan_inflow(*, into: Container, inflow: Inflow, now: datetime, day: date) -> Plan:
    """What must be booked for an inflow. The container row must be locked by the caller.

    Raises Conflict when the container holds another solvent.
    """
    arrival = Line(
        kind=inflow.kind,
        lot_id=inflow.lot.pk,
        solvent_id=inflow.lot.solvent_id,
        source=inflow.source,
        destination=container_end(into),
        volume_ul=inflow.volume_ul,
        u_volume_ul=inflow.u_volume_ul,
        as_entered=inflow.as_entered,
        note=inflow.note,
    )
    if into.volume_ul == 0:
        opened_on = inflow.opened_on
        if into.lot_id == inflow.lot.pk:
            # More of its own lot gives an emptied container no later opening than it has.
            opened_on = _earlier(safety.counts_open_since(into, day=day), opened_on)
        return Plan([arrival], Holds(into.lot_id, inflow.lot.pk), opened_on)
    assert into.lot_id is not None, "a CHECK constraint ties content to a lot"
    held = Lot.objects.select_related("solvent").get(pk=into.lot_id)
    if held.solvent_id != inflow.lot.solvent_id:
        raise Conflict(
            "into",
            "unlike-solvents",
            Phrase(
                "{code} holds {name}: unlike solvents are never put together.",
                code=into.code,
                name=held.solvent.name,
            ),
            Phrase("Choose an empty container or one with the same solvent."),
        )
    opened_on = _earlier(_open_since(into, held, day), inflow.opened_on)
    opened_on = _not_after_making(opened_on, inflow.lot)
    if held.pk == inflow.lot.pk:
        return Plan([arrival], Holds(held.pk, held.pk), opened_on)
    parts = [(held, into.volume_ul), (inflow.lot, inflow.volume_ul)]
    blend = blend_lot(parts, now=now, day=day)
    return Plan([arrival, *_relabel(into, parts, blend)], Holds(held.pk, blend.pk), opened_on)


def plan_own_lot(
    *, container: Container, now: datetime, day: date, why: Mapping[str, Any], claims: bool = True
) -> tuple[Lot, Plan]:
    """What is in a container becomes a lot of its own, as bad as the one it was; the row must be locked.

    So what is done to it is done to nothing else that came of that lot. why: kept with the movements.
    claims: whether its claim of an inhibitor still stands.
    """
    assert container.lot_id is not None, "a CHECK constraint ties content to a lot"
    held = Lot.objects.get(pk=container.lot_id)
    opened_on = _open_since(container, held, day)
    parts = [(held, container.volume_ul)]
    own = blend_lot(parts, now=now, day=day, claims=claims)
    lines = _relabel(container, parts, own, why)
    return own, Plan(lines, Holds(held.pk, own.pk), None if opened_on is None else min(opened_on, day))


def _open_since(container: Container, held: Lot, day: date) -> date | None:
    return _not_after_making(safety.counts_open_since(container, day=day), held)


def _not_after_making(opened_on: date | None, lot: Lot) -> date | None:
    """Distilled or blended material ages from the day it was made, whatever bottle it stands in."""
    if lot.made_on is not None or lot.origin in MADE:
        return _earlier(opened_on, lot.made_on)
    return opened_on


def _earlier(one: date | None, other: date | None) -> date | None:
    """The earlier of two opening days; an unknown one stays unknown, the worst case."""
    return None if one is None or other is None else min(one, other)


def _relabel(
    into: Container, parts: Sequence[tuple[Lot, int]], blend: Lot, why: Mapping[str, Any] = NOTHING_SAID
) -> list[Line]:
    """The lots leave the container for the blending boundary and come back as one."""
    here, blending = container_end(into), boundary(into.lab, PlaceKind.BLENDING)

    def line(lot: Lot, source: End, destination: End, volume_ul: int) -> Line:
        return Line("blend", lot.pk, lot.solvent_id, source, destination, volume_ul, as_entered=why)

    leaving = [line(lot, here, blending, volume_ul) for lot, volume_ul in parts]
    return [*leaving, line(blend, blending, here, sum(volume_ul for _, volume_ul in parts))]


def blend_lot(parts: Sequence[tuple[Lot, int]], *, now: datetime, day: date, claims: bool = True) -> Lot:
    """A new lot as bad as the worst of its parts (lot, µl) in every fact.

    It counts as topped up with inhibitor only when every part does, and from the day of blending: it must
    pass a test of its own all the same. claims: whether a claimed inhibitor is believed at all.
    """
    lots = [lot for lot, _ in parts]
    inhibited = _worse_inhibitor([_counts_inhibited(lot) for lot in lots]) if claims else None
    ppms = [lot.inhibitor_ppm for lot in lots if lot.inhibitor_ppm is not None]
    overridden = [lot.overridden_on for lot in lots if lot.overridden_on is not None]
    tops = [lot.topped_up_on for lot in lots if lot.topped_up_on is not None]
    blend = Lot.objects.create(
        lab_id=lots[0].lab_id,
        solvent_id=lots[0].solvent_id,
        origin=Lot.Origin.BLEND,
        expiry_on=min((lot.expiry_on for lot in lots if lot.expiry_on), default=None),
        inhibited=inhibited,
        inhibitor=" + ".join(sorted({lot.inhibitor for lot in lots if lot.inhibitor}))[:60],
        inhibitor_ppm=min(ppms) if inhibited and len(ppms) == len(lots) else None,
        made_on=day,
        times_distilled=max(lot.times_distilled for lot in lots),
        topped_up_on=max([day, *tops]) if claims and len(tops) == len(lots) else None,
        overridden_on=max(overridden, default=None),
        override_reason=" / ".join(sorted({lot.override_reason for lot in lots if lot.override_reason})),
        created_at=now,
    )
    LotParent.objects.bulk_create(
        [LotParent(lot=blend, parent=lot, volume_ul=volume_ul) for lot, volume_ul in parts]
    )
    return blend


def _counts_inhibited(lot: Lot) -> bool | None:
    """What a lot's claim is worth: distilling leaves the inhibitor behind, an unknown origin may be that."""
    if lot.origin in MADE:
        return False
    return None if lot.origin == Lot.Origin.NOT_KNOWN else lot.inhibited


def _worse_inhibitor(claims: list[bool | None]) -> bool | None:
    """True only when every part counts as inhibited; not stated is no better than none."""
    if False in claims:
        return False
    return None if None in claims else True


def lots_behind(lot_id: int) -> list[int]:
    """The lot and every lot blended into it, itself first; distilling breaks the line."""
    seen, frontier = [lot_id], [lot_id]
    while frontier:
        frontier = list(
            LotParent.objects.filter(lot_id__in=frontier, lot__origin=Lot.Origin.BLEND)
            .exclude(parent_id__in=seen)
            .values_list("parent_id", flat=True)
            .distinct()
        )
        seen += frontier
    return seen

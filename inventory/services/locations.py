"""Rooms, cabinets and shelves: made, renamed, moved below one another, ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction

from inventory.models import Container, Lab, Location, LocationPath, StorageLimit, User, WasteContainer
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.selectors import storage as look
from inventory.services.events import record
from inventory.services.importing import lock_lab
from inventory.services.loosening import require_signature
from inventory.services.places import fold, location_get
from inventory.services.storage import NO_OVERRIDE, Arrival, Override, StorageWarning, check, waste_arrival

KINDS = ("room", "cabinet", "shelf", "fridge", "other")
NAME_MAX = 120
# Column → field of the body, least and most: m³ of air, and changes of it an hour.
AIR_BOUNDS = {
    "volume_m3": ("room_volume", Decimal("0.5"), Decimal(100_000)),
    "air_changes_per_h": ("air_changes", Decimal(0), Decimal(100)),
}
DEPTH_MAX = 12


@dataclass(frozen=True)
class Changed:
    """A location as it is now, and what speaks against its new place."""

    location: Location
    warnings: tuple[StorageWarning, ...] = ()


def location_add(
    *, lab: Lab, actor: User, now: datetime, name: str, kind: str = "other", parent: Location | None = None
) -> Location:
    """Make a location. Raises Conflict when the name is taken or the parent has ended."""
    with transaction.atomic():
        lock_lab(lab)
        if Location.objects.filter(lab=lab, folded=fold(name)).exists():
            raise _name_taken()
        if parent is not None:
            _check_place(lab, parent, depth=1)
        made = location_get(lab=lab, name=name, kind=kind, parent=parent)
        data = {"name": made.name, "kind": kind, "parent": made.parent_id}
        record(lab=lab, actor=actor, now=now, verb="location-added", subject=made, data=data)
    return made


def _name_taken() -> Conflict:
    return Conflict(
        "name", "name-taken", Phrase("The lab has a location of that name."), Phrase("Use that one.")
    )


def _check_place(lab: Lab, parent: Location, *, depth: int) -> None:
    """Whether something `depth` locations deep may come below `parent`."""
    held = Location.objects.filter(lab=lab, pk=parent.pk, ended_at=None)
    if not held.exists():
        raise InputError(
            "parent", "unknown-location", Phrase("This lab has no such location."), Phrase("See locations/.")
        )
    if len(look.above(parent.pk)) + depth > DEPTH_MAX:
        raise Conflict(
            "parent",
            "too-deep",
            Phrase("Locations lie at most {depth_max} deep.", depth_max=DEPTH_MAX),
            Phrase("Put it higher up."),
        )


def location_change(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    location: Location,
    changes: Mapping[str, Any],
    reason: str = "",
    override: Override = NO_OVERRIDE,
) -> Changed:
    """Change what is given of name, kind, note, parent (None: below nothing) and what is known of a room.

    volume_m3, air_changes_per_h: of a room, for the check of vapour in it; None: not known.

    Moving it takes all that is in it along, against the limits of its new place. What becomes a cabinet no
    longer counts outside cabinets: where such a limit holds, that needs a signature. Raises InputError,
    Conflict, Denied.
    """
    warnings: tuple[StorageWarning, ...] = ()
    with transaction.atomic():
        lock_lab(lab)
        held = Location.objects.select_for_update(of=("self",), no_key=True).get(pk=location.pk)
        if held.ended_at is not None:
            raise Conflict(
                "location", "location-ended", Phrase("{name} is no longer in use.", name=held.name)
            )
        before = _said(held)
        if "name" in changes:
            _rename(held, changes["name"])
        if "kind" in changes and changes["kind"] != held.kind:
            _check_kind(held, changes["kind"], reason, override.allowed)
            held.kind = changes["kind"]
        held.note = changes.get("note", held.note)
        _set_air(held, changes)
        inside = look.above(held.pk)
        if "parent" in changes:
            _move(lab, held, changes["parent"])
        after = _said(held)
        if after == before:
            return Changed(held)
        held.version += 1
        held.save()
        data = {"before": before, "after": after, "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="location-changed", subject=held, data=data)
        if after["parent_id"] != before["parent_id"]:
            arrivals = _all_in(lab, held)
            by: Any = {"lab": lab, "actor": actor, "now": now, "subject": held, "field": "parent"}
            warnings = check(**by, arrivals=arrivals, before=inside | look.below(held.pk), override=override)
    return Changed(held, warnings)


def _said(held: Location) -> dict[str, Any]:
    """What an event tells of a location."""
    plain = {name: getattr(held, name) for name in ("name", "kind", "note", "parent_id")}
    air = {name: getattr(held, name) for name in AIR_BOUNDS}
    return plain | {name: None if value is None else format(value, "f") for name, value in air.items()}


def _set_air(held: Location, changes: Mapping[str, Any]) -> None:
    """Size and fresh air of a room, to two decimals. Raises InputError."""
    for name, (field, low, high) in AIR_BOUNDS.items():
        value = changes.get(name, getattr(held, name))
        if value is not None:
            if not low <= value <= high:
                words = Phrase("{low} to {high} is taken here.", low=low, high=high)
                raise InputError(field, "out-of-range", words, Phrase("Check number and unit."))
            value = value.quantize(Decimal("0.01"))
        setattr(held, name, value)


def _rename(held: Location, name: str) -> None:
    shown = " ".join(name.split())
    if not shown or len(shown) > NAME_MAX:
        raise InputError(
            "name",
            "bad-name",
            Phrase("A location needs a name of at most {name_max} characters.", name_max=NAME_MAX),
        )
    if Location.objects.filter(lab_id=held.lab_id, folded=fold(shown)).exclude(pk=held.pk).exists():
        raise _name_taken()
    held.name, held.folded = shown, fold(shown)


def _check_kind(held: Location, kind: str, reason: str, may_loosen: bool) -> None:
    outside = StorageLimit.objects.filter(
        location__in=look.above(held.pk), ended_at=None, outside_cabinets=True
    )
    if kind == "cabinet" and outside.exists():
        require_signature(may_loosen=may_loosen, reason=reason, what=Phrase("Calling it a cabinet"))


def _move(lab: Lab, held: Location, parent: Location | None) -> None:
    """Put it below another and write its paths anew. The lab is locked, so no other move crosses this one."""
    if (parent and parent.pk) == held.parent_id:
        return
    inside = look.below(held.pk)
    if parent is not None:
        if parent.pk in inside:
            raise Conflict(
                "parent",
                "inside-itself",
                Phrase("{name} lies in {other} itself.", name=parent.name, other=held.name),
                Phrase("Choose another place."),
            )
        _check_place(lab, parent, depth=_depth(held))
    held.parent = parent
    LocationPath.objects.filter(descendant__in=inside).exclude(ancestor__in=inside).delete()
    over = look.above(parent.pk) if parent is not None else set()
    LocationPath.objects.bulk_create(
        [LocationPath(ancestor_id=up, descendant_id=down) for up in sorted(over) for down in sorted(inside)]
    )


def _depth(held: Location) -> int:
    """How many locations deep the deepest in it lies, itself included."""
    inside = look.below(held.pk)
    rows = LocationPath.objects.filter(descendant__in=inside, ancestor__in=inside)
    depths: dict[int, int] = {}
    for down in rows.values_list("descendant_id", flat=True):
        depths[down] = depths.get(down, 0) + 1
    return max(depths.values())


def _all_in(lab: Lab, held: Location) -> list[Arrival | None]:
    """What stands in it and below, as arriving at the location itself."""
    inside = look.below(held.pk)
    tree = look.locations_of(lab)
    filled = Container.objects.filter(location__in=inside, discarded_at=None, volume_ul__gt=0)
    arrivals: list[Arrival | None] = []
    for container in filled.select_related("lot__solvent").defer("lot__solvent__facts").order_by("pk"):
        assert container.lot is not None
        assert container.location_id is not None
        solvent = container.lot.solvent
        stand = look.stand_of(
            solvent,
            code=container.code,
            volume_ul=container.volume_ul,
            capacity_ul=container.capacity_ul,
            material=container.material,
        )
        sheltered = any(tree[pk].kind == "cabinet" for pk in look.way_up(container.location_id, tree))
        stand = replace(stand, in_cabinet=sheltered)
        arrivals.append(Arrival(container.pk, held.pk, (stand,), (look.liquid_of(solvent),)))
    waste = WasteContainer.objects.select_related("lab").filter(location__in=inside, collected_at=None)
    return arrivals + [waste_arrival(one, held.pk) for one in waste.order_by("pk")]


def location_end(*, lab: Lab, actor: User, now: datetime, location: Location, reason: str = "") -> Location:
    """An empty location goes out of use, its limits with it; its name is free again.

    Raises Conflict while anything stands in it, or another location lies in it.
    """
    with transaction.atomic():
        lock_lab(lab)
        held = Location.objects.select_for_update(of=("self",)).get(pk=location.pk)
        if held.ended_at is not None:
            raise Conflict(
                "location", "location-ended", Phrase("{name} is no longer in use already.", name=held.name)
            )
        if Location.objects.filter(parent=held, ended_at=None).exists():
            raise _not_empty(held, Phrase("another location lies in it"))
        if Container.objects.filter(location=held, discarded_at=None).exists():
            raise _not_empty(held, Phrase("containers stand in it"))
        if WasteContainer.objects.filter(location=held, collected_at=None).exists():
            raise _not_empty(held, Phrase("a waste container stands in it"))
        held.ended_at, held.version = now, held.version + 1
        held.folded = f"{held.folded[: NAME_MAX - 30]} (ended, {held.pk})"
        held.save(update_fields=["ended_at", "version", "folded"])
        StorageLimit.objects.filter(location=held, ended_at=None).update(ended_at=now)
        data = {"name": held.name, "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="location-ended", subject=held, data=data)
    return held


def _not_empty(held: Location, why: str) -> Conflict:
    return Conflict(
        "location",
        "not-empty",
        Phrase("{name} is still in use: {why}.", name=held.name, why=why),
        Phrase("Empty it first."),
    )

"""After something came to stand somewhere: is a limit exceeded, a bottle too large, a neighbour a danger?

A limit that warns lets the booking stand and says so; one that refuses undoes it, unless a supervisor
overrides it with a reason. Whatever makes the place no fuller than it was is never refused, and neither is
a draw.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from django.db import models

from inventory.models import Container, Lab, Location, Solvent, User, WasteContainer
from inventory.rules.errors import Conflict, Denied
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.rules.storage import Limit, Stand, counts_in, over_by_ul, sizes_for
from inventory.selectors import storage as look
from inventory.selectors.storage import Kept, Liquid
from inventory.services.events import record

OVERRIDDEN = "storage-overridden"


@dataclass(frozen=True)
class Override:
    """A supervisor's word against a refusal. allowed: whether who asks may give it."""

    reason: str = ""
    allowed: bool = False


NO_OVERRIDE = Override()


@dataclass(frozen=True)
class StorageWarning:
    """Something speaks against where it stands now. limit: id of the limit, None for a neighbour."""

    code: str
    words: str
    effect: str
    limit: int | None
    code_of_rule: str
    source: str

    def plain(self) -> dict[str, Any]:
        """As JSON."""
        return {**asdict(self), "limit": None if self.limit is None else str(self.limit)}


@dataclass(frozen=True)
class Arrival:
    """What came to stand at a location: its content by solvent. waste: it is a waste container."""

    id: int
    location_id: int
    stands: tuple[Stand, ...]
    liquids: tuple[Liquid, ...]
    waste: bool = False


@dataclass(frozen=True)
class _Found:
    warning: StorageWarning
    worse: bool


def litres(volume_ul: int) -> str:
    """For people, to the millilitre: "227.125 L"."""
    return f"{round(volume_ul / 1_000_000, 3):g} L" if volume_ul >= 1000 else f"{volume_ul / 1000:g} mL"


def arrival_of(container: Container, location_id: int | None) -> Arrival | None:
    """A container as it stands now; None when it is empty or stands nowhere."""
    if container.volume_ul == 0 or container.lot_id is None or location_id is None:
        return None
    solvent = Solvent.objects.defer("facts").get(lots=container.lot_id)
    stand = look.stand_of(
        solvent,
        code=container.code,
        volume_ul=container.volume_ul,
        capacity_ul=container.capacity_ul,
        material=container.material,
    )
    return Arrival(container.pk, location_id, (stand,), (look.liquid_of(solvent),))


def waste_arrival(waste: WasteContainer, location_id: int | None) -> Arrival | None:
    """A waste container as it stands now, with every solvent that went into it."""
    if waste.volume_ul == 0 or location_id is None:
        return None
    inside = [liquid for _, _, liquid in look.waste_liquids(lab=waste.lab, wastes=[waste.pk])]
    rows = Solvent.objects.defer("facts").filter(pk__in=[liquid.id for liquid in inside])
    stands = tuple(
        look.stand_of(row, code=waste.code, volume_ul=waste.volume_ul, capacity_ul=waste.capacity_ul)
        for row in rows
    )
    return Arrival(waste.pk, location_id, stands, tuple(inside), waste=True)


def check(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    subject: models.Model,
    arrivals: Sequence[Arrival | None],
    before: Collection[int] = (),
    override: Override = NO_OVERRIDE,
    field: str = "location",
    only_amounts: bool = False,
) -> tuple[StorageWarning, ...]:
    """What speaks against arrivals that have just been booked. Only inside their transaction.

    before: the locations that they, or the liquid in them, were in already; there they make nothing worse.
    only_amounts: the same liquid stood there already. Raises Conflict for a refusal that nobody overrides,
    Denied when who overrides may not.
    """
    held = [arrival for arrival in arrivals if arrival is not None]
    if not held:
        return ()
    found: list[_Found] = []
    for at in sorted({arrival.location_id for arrival in held}):
        found += _check_at(lab, at, [a for a in held if a.location_id == at], before, only_amounts)
    worse = [f.warning for f in found if f.worse]
    override_refusals(worse, lab=lab, actor=actor, now=now, subject=subject, override=override, field=field)
    ordered = sorted(found, key=lambda f: f.warning.effect != "refuse")
    return tuple(dict.fromkeys(f.warning for f in ordered))


def check_inflow(
    held: Container,
    was_filled: bool,
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    before: Collection[int] = (),
    override: Override = NO_OVERRIDE,
    field: str = "container",
) -> tuple[StorageWarning, ...]:
    """What speaks against more liquid in a container, as it stands now, at the place where it stands.

    was_filled: it held some of the same liquid before. Raises as `check`.
    """
    return check(
        lab=lab,
        actor=actor,
        now=now,
        subject=held,
        arrivals=[arrival_of(held, held.location_id)],
        before=before,
        override=override,
        field=field,
        only_amounts=was_filled,
    )


def amounts_at(lab: Lab, arrival: Arrival) -> tuple[StorageWarning, ...]:
    """The limits on an amount that are exceeded where something stands, whether they warn or refuse."""
    found = _check_at(lab, arrival.location_id, [arrival], (), only_amounts=True)
    return tuple(dict.fromkeys(one.warning for one in found))


def override_refusals(
    found: Sequence[StorageWarning],
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    subject: models.Model,
    override: Override,
    field: str,
) -> None:
    """Note the override of those that refuse, or raise Conflict for the first of them."""
    refused = [warning for warning in found if warning.effect == "refuse"]
    if not refused:
        return
    first = refused[0]
    if not override.reason.strip():
        raise Conflict(
            field,
            first.code,
            first.words,
            Phrase("Choose another place, or have a supervisor override it with a reason."),
        )
    if not override.allowed:
        raise Denied(
            "override_reason",
            "override-not-signed",
            Phrase("Only a supervisor may go beyond this storage rule: {words}", words=first.words),
            Phrase("Choose another place, or ask a supervisor to sign in and do it with a reason."),
        )
    what = Phrase("Going beyond a storage rule needs a reason.")
    reason = checked_reason(override.reason, what=what, field="override_reason")
    data = {"reason": reason, "refused": [warning.plain() for warning in refused]}
    record(lab=lab, actor=actor, now=now, verb=OVERRIDDEN, subject=subject, data=data)


def _check_at(
    lab: Lab, at: int, arrivals: Sequence[Arrival], before: Collection[int], only_amounts: bool
) -> list[_Found]:
    way = look.above(at)
    limits = look.limits_in_force(lab=lab, locations=way, lock=True)
    if Location.objects.filter(pk__in=way, kind="cabinet").exists():
        arrivals = [_in_cabinet(arrival) for arrival in arrivals]
    found = _totals(lab, limits, arrivals, before)
    if not only_amounts:
        found += _too_large(limits, arrivals, before)
        found += _neighbours(lab, at, arrivals, before)
    return found


def _in_cabinet(arrival: Arrival) -> Arrival:
    return replace(arrival, stands=tuple(replace(stand, in_cabinet=True) for stand in arrival.stands))


def _totals(
    lab: Lab, limits: Sequence[Kept], arrivals: Sequence[Arrival], before: Collection[int]
) -> list[_Found]:
    """Limits on an amount that the arrivals count in and that are exceeded now."""
    asked = {one.limit.id: one for one in limits if any(_counts(one.limit, arrival) for arrival in arrivals)}
    used = look.used_ul(lab=lab, limits=list(asked))
    # Out of a cabinet into its room: there it begins to count, though the room is the same.
    taken_out = Location.objects.filter(pk__in=before, kind="cabinet").exists() if asked and before else False
    found = []
    for pk, one in asked.items():
        limit, held_ul = one.limit, used.get(pk, 0)
        if held_ul <= limit.limit_ul:
            continue
        words = Phrase(
            "{name}: at most {limit_ul} ({code}); that makes {held_ul}, {held_ul2} too much.",
            name=limit.name,
            limit_ul=litres(limit.limit_ul),
            code=limit.code,
            held_ul=litres(held_ul),
            held_ul2=litres(held_ul - limit.limit_ul),
        )
        warning = StorageWarning("over-limit", words, limit.effect, pk, limit.code, limit.source)
        found.append(_Found(warning, one.location_id not in before or (limit.outside_cabinets and taken_out)))
    return found


def _counts(limit: Limit, arrival: Arrival) -> bool:
    if limit.measure == "waste":
        return arrival.waste
    return limit.measure == "total" and any(counts_in(limit, stand) for stand in arrival.stands)


def _too_large(limits: Sequence[Kept], arrivals: Sequence[Arrival], before: Collection[int]) -> list[_Found]:
    """Containers larger than their liquid and material allow."""
    where = {one.limit.id: one.location_id for one in limits}
    found = []
    for arrival in arrivals:
        for stand in arrival.stands if not arrival.waste else ():
            for limit in sizes_for((one.limit for one in limits), stand):
                if not over_by_ul(limit, [stand]):
                    continue
                words: str = Phrase(
                    "{name}: at most {limit_ul} ({code}); {name2} holds {capacity_ul}, {capacity_ul2} more.",
                    name=limit.name,
                    limit_ul=litres(limit.limit_ul),
                    code=limit.code,
                    name2=stand.name,
                    capacity_ul=litres(stand.capacity_ul),
                    capacity_ul2=litres(stand.capacity_ul - limit.limit_ul),
                )
                if not stand.material:
                    guess = Phrase("Its material is not known, so the smallest size holds.")
                    words = Phrase.joined([words, guess])
                warning = StorageWarning(
                    "container-too-large", words, limit.effect, limit.id, limit.code, limit.source
                )
                found.append(_Found(warning, where[limit.id] not in before))
    return found


def _neighbours(lab: Lab, at: int, arrivals: Sequence[Arrival], before: Collection[int]) -> list[_Found]:
    """What stands in the same cabinet, or on the same shelf, and should not."""
    unit = look.units(look.locations_of(lab))
    near = [pk for pk, shared in unit.items() if shared == unit[at]]
    moved = [arrival.id for arrival in arrivals if not arrival.waste]
    beside = set().union(*look.liquids_at(lab=lab, locations=near, but=moved).values())
    found = []
    for one in dict.fromkeys(liquid for arrival in arrivals for liquid in arrival.liquids):
        for other in sorted(beside, key=lambda liquid: liquid.key):
            clash = look.clash_of(one, other)
            if clash is None:
                continue
            words = Phrase("{one} beside {other}: {clash}", one=one.name, other=other.name, clash=clash.words)
            warning = StorageWarning("stands-apart", words, clash.effect, None, clash.code, clash.source)
            found.append(_Found(warning, unit[at] not in before))
    return found

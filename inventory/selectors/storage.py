"""What stands where against the limits, in a number of queries that does not grow with the stock."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Any

from django.db import connection
from django.db.models import Q

from inventory.models import Container, Lab, Location, LocationPath, Movement, Solvent, StorageLimit
from inventory.rules.storage import Limit, Stand, material_of, over_by_ul, sizes_for
from inventory.rules.storage_groups import Clash, clashes, load_groups
from inventory.rules.table_words import table_words

CABINETS = ("cabinet", "fridge")
# The category of a solvent s as a limit l reads it. One that nobody has confirmed, or of no known category,
# is the worst: as in rules/storage.py.
_CATEGORY = (
    "CASE WHEN l.scheme = 'ghs' THEN CASE WHEN s.state <> 'unconfirmed' "
    "AND s.ghs_category IN ('1', '2', '3', '4', 'none') THEN s.ghs_category ELSE '1' END "
    "ELSE CASE WHEN s.state <> 'unconfirmed' "
    "AND s.nfpa30_class IN ('IA', 'IB', 'IC', 'II', 'IIIA', 'IIIB', 'none') THEN s.nfpa30_class "
    "ELSE 'IA' END END"
)
# Without LIKE, whose percent signs would be taken for parameters.
COUNTS_SQL = f"(l.categories = '' OR REPLACE(l.categories, ',' || {_CATEGORY} || ',', '') <> l.categories)"
OUTSIDE_SQL = (
    "(NOT l.outside_cabinets OR NOT EXISTS (SELECT 1 FROM inventory_locationpath q "
    "JOIN inventory_location k ON k.id = q.ancestor_id "
    "WHERE q.descendant_id = p.descendant_id AND k.kind = 'cabinet'))"
)
# For each limit on an amount that is in force, what each container and waste container adds to it: limit_id,
# lab_id, volume_ul. A waste container counts whole where any solvent in it does: nobody knows how it mixed.
USE_SQL = (
    "SELECT l.id AS limit_id, l.lab_id, c.volume_ul FROM inventory_storagelimit l "  # noqa: S608
    "JOIN inventory_locationpath p ON p.ancestor_id = l.location_id "
    "JOIN inventory_container c ON c.location_id = p.descendant_id "
    "JOIN inventory_lot t ON t.id = c.lot_id JOIN inventory_solvent s ON s.id = t.solvent_id "
    "WHERE l.ended_at IS NULL AND l.measure = 'total' AND c.discarded_at IS NULL AND c.volume_ul > 0 "
    f"AND {COUNTS_SQL} AND {OUTSIDE_SQL} "
    "UNION ALL "
    "SELECT l.id, l.lab_id, w.volume_ul FROM inventory_storagelimit l "
    "JOIN inventory_locationpath p ON p.ancestor_id = l.location_id "
    "JOIN inventory_wastecontainer w ON w.location_id = p.descendant_id "
    "WHERE l.ended_at IS NULL AND l.measure IN ('total', 'waste') AND w.collected_at IS NULL "
    f"AND w.volume_ul > 0 AND {OUTSIDE_SQL} AND (l.measure = 'waste' OR EXISTS ("
    "  SELECT 1 FROM inventory_movement m JOIN inventory_solvent s ON s.id = m.solvent_id "
    "  LEFT JOIN inventory_movement r ON r.reversal_of_id = m.id "
    f"  WHERE m.destination_id = w.place_id AND m.reversal_of_id IS NULL AND r.id IS NULL AND {COUNTS_SQL}))"
)


@dataclass(frozen=True)
class Kept:
    """A limit in force and where it holds."""

    limit: Limit
    location_id: int
    version: int = 1
    key: str = ""


@dataclass(frozen=True)
class Liquid:
    """A solvent as neighbours see it."""

    id: int
    key: str
    name: str
    shipped: bool


@dataclass(frozen=True)
class Use:
    """A limit against what is there. used_ul: for a limit on one container the size of the largest."""

    kept: Kept
    used_ul: int
    too_large: tuple[str, ...] = ()

    @property
    def over_ul(self) -> int:
        return max(0, self.used_ul - self.kept.limit.limit_ul)

    @property
    def share(self) -> float:
        return self.used_ul / self.kept.limit.limit_ul


@dataclass(frozen=True)
class Neighbours:
    """Two liquids in one cabinet, or on one shelf, that should stand apart."""

    location_id: int
    one: Liquid
    other: Liquid
    clash: Clash


@dataclass(frozen=True)
class Overview:
    """locations: id → row. uses by location, worst first; neighbours: refusals first."""

    locations: Mapping[int, Location]
    uses: Mapping[int, list[Use]]
    neighbours: list[Neighbours]


def worded(words: str) -> frozenset[str]:
    """The set that ",1,2," stands for."""
    return frozenset(filter(None, words.split(",")))


def as_text(words: Iterable[str]) -> str:
    """As `worded` reads it; empty stays empty."""
    held = sorted(words)
    return f",{','.join(held)}," if held else ""


def kept(row: StorageLimit) -> Kept:
    """A stored limit as the rules take it."""
    limit = Limit(
        id=row.pk,
        name=table_words(row.name),
        measure=row.measure,
        scheme=row.scheme,
        categories=worded(row.categories),
        materials=worded(row.materials),
        limit_ul=row.limit_ul,
        effect=row.effect,
        code=table_words(row.code),
        source=row.source,
        outside_cabinets=row.outside_cabinets,
    )
    return Kept(limit, row.location_id, row.version, row.key)


def limits_in_force(*, lab: Lab, locations: Collection[int] | None = None, lock: bool = False) -> list[Kept]:
    """The limits of some locations, or of all. lock: no one else may fill them meanwhile."""
    rows = StorageLimit.objects.filter(lab=lab, ended_at=None).order_by("id")
    if locations is not None:
        rows = rows.filter(location_id__in=locations)
    if lock:
        rows = rows.select_for_update(of=("self",))
    return [kept(row) for row in rows]


def used_ul(*, lab: Lab, limits: Collection[int] | None = None) -> dict[int, int]:
    """Limit id → what counts in it now, in µl; limits that nothing counts in are left out."""
    if limits is not None and not limits:
        return {}
    only = "" if limits is None else f" AND limit_id IN ({', '.join(str(int(pk)) for pk in limits)})"
    sql = f"SELECT limit_id, SUM(volume_ul) FROM ({USE_SQL}) AS held "  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(f"{sql} WHERE lab_id = %s{only} GROUP BY limit_id", [lab.pk])
        return {pk: int(total) for pk, total in cursor.fetchall()}


def above(location_id: int | None) -> set[int]:
    """The location itself and all that it lies in; empty for none."""
    if location_id is None:
        return set()
    paths = LocationPath.objects.filter(descendant_id=location_id)
    return set(paths.values_list("ancestor_id", flat=True))


def below(location_id: int) -> set[int]:
    """The location itself and all that lies in it."""
    paths = LocationPath.objects.filter(ancestor_id=location_id)
    return set(paths.values_list("descendant_id", flat=True))


def stand_of(solvent: Solvent, *, code: str, volume_ul: int, capacity_ul: int, material: str = "") -> Stand:
    """Content of one solvent as the rules take it; unconfirmed data count as not known."""
    sure = solvent.state != Solvent.State.UNCONFIRMED
    return Stand(
        name=code,
        volume_ul=volume_ul,
        capacity_ul=capacity_ul,
        ghs=solvent.ghs_category if sure else "",
        nfpa30=solvent.nfpa30_class if sure else "",
        material=material_of(material),
    )


def liquid_of(solvent: Solvent) -> Liquid:
    return Liquid(solvent.pk, solvent.key, solvent.name, solvent.lab_id is None)


def clash_of(one: Liquid, other: Liquid, bond: Any = "beside") -> Clash | None:
    """The gravest reason to keep two liquids apart, or None. The same liquid never speaks against itself."""
    if one.id == other.id:
        return None
    groups = load_groups()
    first, second = (groups.of(liquid.key, shipped=liquid.shipped) for liquid in (one, other))
    return next(iter(clashes(groups, first, second, bond)), None)


def units(locations: Mapping[int, Location]) -> dict[int, int]:
    """Location → what its bottles share: the nearest cabinet or fridge above, else the location alone."""
    found: dict[int, int] = {}
    for pk in locations:
        at: int | None = pk
        while at is not None and locations[at].kind not in CABINETS:
            at = locations[at].parent_id
        found[pk] = pk if at is None else at
    return found


def locations_of(lab: Lab) -> dict[int, Location]:
    return {row.pk: row for row in Location.objects.filter(lab=lab).order_by("folded")}


def liquids_at(
    *, lab: Lab, locations: Collection[int] | None = None, but: Collection[int] = ()
) -> dict[int, set[Liquid]]:
    """Location → the liquids that stand in it, waste included. but: containers left out."""
    where = Q(location__isnull=False) if locations is None else Q(location_id__in=locations)
    held = Container.objects.filter(where, lab=lab, discarded_at=None, volume_ul__gt=0).exclude(pk__in=but)
    columns = ("lot__solvent_id", "lot__solvent__key", "lot__solvent__name", "lot__solvent__lab_id")
    found: dict[int, set[Liquid]] = defaultdict(set)
    for at, *liquid in held.order_by().values_list("location_id", *columns).distinct():
        found[at].add(_liquid(liquid))
    for at, _, liquid in waste_liquids(lab=lab, locations=locations):
        found[at].add(liquid)
    return found


def waste_liquids(
    *, lab: Lab, locations: Collection[int] | None = None, wastes: Collection[int] | None = None
) -> list[tuple[Any, int, Liquid]]:
    """(location, waste container, liquid) of what went into waste containers that are still here."""
    went = Movement.objects.filter(
        lab=lab,
        destination__waste_container__collected_at=None,
        destination__waste_container__volume_ul__gt=0,
        reversal_of=None,
        reversed_by=None,
    )
    if wastes is not None:
        went = went.filter(destination__waste_container__in=wastes)
    elif locations is not None:
        went = went.filter(destination__waste_container__location__in=locations)
    else:
        went = went.filter(destination__waste_container__location__isnull=False)
    where = ("destination__waste_container__location_id", "destination__waste_container__id")
    columns = ("solvent_id", "solvent__key", "solvent__name", "solvent__lab_id")
    rows = went.order_by().values_list(*where, *columns).distinct()
    return [(at, pk, _liquid(liquid)) for at, pk, *liquid in rows]


def _liquid(row: Sequence[Any]) -> Liquid:
    pk, key, name, lab_id = row
    return Liquid(pk, key, name, lab_id is None)


def overview(*, lab: Lab) -> Overview:
    """Every location of a lab with its limits and what counts in them, and who should not be neighbours."""
    locations = locations_of(lab)
    limits = limits_in_force(lab=lab)
    totals = used_ul(lab=lab)
    uses: dict[int, list[Use]] = defaultdict(list)
    sizes = [one for one in limits if one.limit.measure == "container"]
    largest = _sizes(lab, sizes, locations)
    for one in limits:
        if one.limit.measure == "container":
            uses[one.location_id].append(largest.get(one.limit.id, Use(one, 0)))
        else:
            uses[one.location_id].append(Use(one, totals.get(one.limit.id, 0)))
    for found in uses.values():
        found.sort(key=lambda use: (-use.share, use.kept.limit.id))
    return Overview(locations, uses, _neighbours(lab, locations))


def _sizes(lab: Lab, limits: Sequence[Kept], locations: Mapping[int, Location]) -> dict[int, Use]:
    """Limit id → its use by the sizes of the containers that it holds for."""
    if not limits:
        return {}
    columns = (
        "location_id", "code", "volume_ul", "capacity_ul", "material", "lot__solvent__ghs_category",
        "lot__solvent__nfpa30_class", "lot__solvent__state",
    )  # fmt: skip
    least = min(one.limit.limit_ul for one in limits)
    held = Container.objects.filter(
        lab=lab, discarded_at=None, volume_ul__gt=0, capacity_ul__gt=least, location__isnull=False
    )
    found: dict[int, tuple[int, list[str]]] = {}
    for at, code, volume, capacity, material, ghs, nfpa30, state in held.values_list(*columns):
        way = way_up(at, locations)
        sure = state != Solvent.State.UNCONFIRMED
        stand = Stand(
            code, volume, capacity, ghs if sure else "", nfpa30 if sure else "", material_of(material),
            in_cabinet=any(locations[pk].kind == "cabinet" for pk in way),
        )  # fmt: skip
        for limit in sizes_for([one.limit for one in limits if one.location_id in way], stand):
            if over_by_ul(limit, [stand]):
                size, codes = found.get(limit.id, (0, []))
                found[limit.id] = (max(size, capacity), [*codes, code])
    by_id = {one.limit.id: one for one in limits}
    return {pk: Use(by_id[pk], size, tuple(sorted(codes))) for pk, (size, codes) in found.items()}


def way_up(location_id: int, locations: Mapping[int, Location]) -> list[int]:
    """The location itself, then what it lies in, outwards."""
    way, at = [], locations.get(location_id)
    while at is not None:
        way.append(at.pk)
        at = locations.get(at.parent_id) if at.parent_id is not None else None
    return way


def _neighbours(lab: Lab, locations: Mapping[int, Location]) -> list[Neighbours]:
    unit = units(locations)
    held: dict[int, set[Liquid]] = defaultdict(set)
    for at, liquids in liquids_at(lab=lab).items():
        held[unit[at]] |= liquids
    found = []
    for at, liquids in held.items():
        ordered = sorted(liquids, key=lambda liquid: (liquid.key, liquid.id))
        for one, other in combinations_with_replacement(ordered, 2):
            clash = clash_of(one, other)
            if clash is not None:
                found.append(Neighbours(at, one, other, clash))
    return sorted(found, key=lambda n: (n.clash.effect != "refuse", n.location_id, n.one.key, n.other.key))

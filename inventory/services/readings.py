"""What is recorded that bears on the safety of some containers, gathered in a fixed number of statements.

`rules.deciding` says which test counts; what it asks for is read here, for one container or for thousands.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from django.db import connection, models
from django.db.models import Case, F, JSONField, Q, QuerySet, Value, When
from django.db.models.functions import Coalesce

from inventory.models import Container, Lot, LotParent, Movement, Observation, PeroxideTest, Treatment
from inventory.rules.deciding import Giver, Held, Tested, Tests, lots_behind
from inventory.rules.errors import InputError
from inventory.rules.instruments import find_instrument
from inventory.rules.peroxide import Reading
from inventory.rules.reagent_life import expired_after_all

_Row = TypeVar("_Row", PeroxideTest, Observation, Treatment)
UG_PER_MG = 1000
_LONG_AGO = datetime.min.replace(tzinfo=UTC)
# Movements into a container that bring nothing but what the records already took to be in it.
NOT_MIXED_IN = ("receive", "count", "weigh")
COUNTED = ("count", "weigh")
# A count upwards beyond this many standard uncertainties is solvent that nobody recorded (GUM 6.3: k = 2).
# Of one by eye, or by nobody knows what, none is small enough: its uncertainty may hide a refill.
COVERAGE = 2
# Signs that tell of the liquid, and so go where it goes; a cap and a label stay with their bottle.
LIQUID_SIGNS = (
    "crystals", "viscous-layer", "cloudy", "odd-colour", "peroxide-unknown", "dates-doubtful",
)  # fmt: skip
_TESTED = (
    "id", "container_id", "lot_id", "lower_ug_per_l", "upper_ug_per_l", "method", "tested_on",
    "reagent_expired", "reagent__use_by_on", "recorded_at", "lot__made_on", "lot__created_at", "lab_id",
)  # fmt: skip

INFLOW = ("destination_id", "kind", "happened_at", "recorded_at", "volume_ul", "u_volume_ul")
_INFLOW_KINDS: tuple[models.Field[Any, Any], ...] = (
    models.CharField(), models.DateTimeField(), models.DateTimeField(),
    models.BigIntegerField(), models.BigIntegerField(),
)  # fmt: skip


@dataclass(frozen=True)
class Records:
    """All that is recorded of some containers, their lots and the lots behind those.

    signs: of each container, its own and those that came with the liquid. treated: lot → the last day on
    which peroxides were taken out of some of it. unknown: lots of which nobody knows where they came from.
    """

    tests: Tests = field(default_factory=Tests)
    signs: Mapping[int, frozenset[str]] = field(default_factory=dict)
    treated: Mapping[int, date] = field(default_factory=dict)
    unknown: frozenset[int] = frozenset()
    givers: Mapping[int, frozenset[Giver]] = field(default_factory=dict)

    def lots_behind(self, lot_id: int) -> set[int]:
        """The lot and all that were blended into it."""
        return lots_behind(lot_id, self.tests.parents)


def reading_of(test: PeroxideTest) -> Reading:
    """The stored interval in mg/L, dated as the test is."""
    recorded_on = test.recorded_at.astimezone(ZoneInfo(test.lab.time_zone)).date()
    use_by_on = None if test.reagent is None else test.reagent.use_by_on
    expired = expired_after_all(test.reagent_expired, use_by_on, test.tested_on, recorded_on=recorded_on)
    return _reading(test.lower_ug_per_l, test.upper_ug_per_l, test.method, test.tested_on, expired)


def _reading(
    lower_ug: int, upper_ug: int | None, method: str, tested_on: date | None, expired: bool | None
) -> Reading:
    upper = None if upper_ug is None else Decimal(upper_ug) / UG_PER_MG
    return Reading(Decimal(lower_ug) / UG_PER_MG, upper, method, tested_on, expired)


def standing_tests(lot_ids: Iterable[int]) -> QuerySet[PeroxideTest]:
    """Tests of these lots that are neither withdrawn nor withdrawals, oldest first."""
    return _standing(PeroxideTest.objects.filter(lot_id__in=list(lot_ids))).order_by("recorded_at", "id")


def _standing(rows: QuerySet[_Row]) -> QuerySet[_Row]:
    """Those that are neither withdrawn nor withdrawals."""
    return rows.alias(takes_back=no_id("withdraws_id")).filter(takes_back=0, withdrawn_by__isnull=True)


def no_id(column: str) -> Coalesce:
    """0 where a unique column is empty. SQLite takes "is null" on one for rare and reads the whole table."""
    return Coalesce(column, Value(0))


def records_of(containers: Sequence[Container]) -> Records:
    """What is recorded of containers that come with their labs and lots."""
    parents = _parents({c.lot_id for c in containers if c.lot and c.lot.origin == Lot.Origin.BLEND})
    behind = {c.pk: lots_behind(c.lot_id, parents) for c in containers if c.lot_id is not None}
    ids, lots = set(behind), set().union(*behind.values()) if behind else set()
    if not ids:
        return Records(signs=_own_signs([c.pk for c in containers]))
    zones = {c.lab_id: ZoneInfo(c.lab.time_zone) for c in containers}
    poured = _Poured(lots)
    givers = {c.pk: poured.givers(c.place_id, behind.get(c.pk, set())) for c in containers}
    ids |= {giver.container_id for some in givers.values() for giver in some}
    return Records(
        tests=Tests.of(_tests(ids, lots, zones), parents),
        givers=givers,
        signs=_signs(containers, lots, behind, poured),
        treated=_treated(lots),
        unknown=_of_unknown_origin({part for some in parents.values() for part in some}),
    )


def held_by(container: Container) -> Held | None:
    """A container with its lot as the rules want it; None for one that never held anything."""
    lot = container.lot
    return None if lot is None else Held(container.pk, lot.pk, lot.made_on, lot.created_at)


def _parents(blends: Collection[int | None]) -> dict[int, frozenset[int]]:
    """Of blend lots, and of all blends behind them, the lots that went in; distilling breaks the line."""
    if not blends:
        return {}
    marks = ", ".join(["%s"] * len(blends))
    found: dict[int, set[int]] = defaultdict(set)
    with connection.cursor() as cursor:
        cursor.execute(
            f"WITH RECURSIVE behind(lot_id) AS (SELECT id FROM inventory_lot WHERE id IN ({marks}) "  # noqa: S608
            "UNION SELECT p.parent_id FROM behind b JOIN inventory_lotparent p ON p.lot_id = b.lot_id "
            "JOIN inventory_lot l ON l.id = p.parent_id WHERE l.origin = 'blend') "
            "SELECT p.lot_id, p.parent_id FROM behind b JOIN inventory_lotparent p ON p.lot_id = b.lot_id",
            list(blends),
        )
        for lot_id, parent_id in cursor.fetchall():
            found[lot_id].add(parent_id)
    return {lot_id: frozenset(parents) for lot_id, parents in found.items()}


def _tests(ids: Collection[int], lots: Collection[int], zones: Mapping[int, ZoneInfo]) -> list[Tested]:
    """Standing tests made on these containers, or on these lots anywhere."""
    bearing = Q(container_id__in=ids) | Q(lot_id__in=lots)
    rows = _standing(PeroxideTest.objects.filter(bearing)).values_list(*_TESTED)
    return [_tested(row, zones) for row in rows]


def _tested(row: tuple[Any, ...], zones: Mapping[int, ZoneInfo]) -> Tested:
    (
        pk, container_id, lot_id, lower, upper, method, tested_on, expired, use_by_on, at, made_on,
        created_at, lab_id,
    ) = row  # fmt: skip
    recorded_on = at.astimezone(zones[lab_id]).date()
    expired = expired_after_all(expired, use_by_on, tested_on, recorded_on=recorded_on)
    reading = _reading(lower, upper, method, tested_on, expired)
    return Tested(pk, container_id, lot_id, reading, at, recorded_on, made_on, created_at)


def mixed_in(own: Mapping[int, Tested], containers: Iterable[Container]) -> set[int]:
    """Containers into which anything was put after their own dated test, as far as the records can tell.

    own: container → that test. A count upwards beyond its uncertainty is solvent from nobody knows where.
    """
    places = {c.place_id: c for c in containers if c.pk in own and own[c.pk].tested_on is not None}
    if not places:
        return set()
    days = {place_id: _day_of_test(own[c.pk], c) for place_id, c in places.items()}
    found = set()
    crept: dict[int, int] = defaultdict(int)
    for place_id, kind, happened_at, recorded_at, volume_ul, u_volume_ul, as_entered, *_ in _inflow(days):
        held, (start, end) = places[place_id], days[place_id]
        later = happened_at >= end or (happened_at >= start and recorded_at > own[held.pk].recorded_at)
        crept[place_id] += volume_ul if later else 0
        # Many small ones come to as much as one large one.
        if later and crept[place_id] > noise_ul(kind, u_volume_ul, as_entered):
            found.add(held.pk)
    return found


def _inflow(days: Mapping[int, tuple[datetime, datetime]]) -> Iterable[tuple[Any, ...]]:
    """Rows of INFLOW into these places from the first of these days on, in no order.

    All that is poured in after the last of the days is one row, since any of it is mixed in: thousands may
    have been put back.
    """
    after = max(end for _, end in days.values())
    poured = ~Q(kind__in=COUNTED) & Q(happened_at__gte=after)
    told = {"kind": "pour", "happened_at": after, "recorded_at": after, "volume_ul": 1, "u_volume_ul": 0}
    columns = [
        Case(When(poured, then=Value(told[name])), default=F(name), output_field=kind)
        for name, kind in zip(INFLOW[1:], _INFLOW_KINDS, strict=True)
    ]
    # Of two that are alike each counts.
    one_by_one = Case(When(poured, then=Value(0)), default=F("pk"), output_field=models.BigIntegerField())
    return (
        Movement.objects.alias(reverses=no_id("reversal_of_id"))
        .filter(destination_id__in=list(days), happened_at__gte=min(start for start, _ in days.values()))
        .filter(reverses=0, reversed_by=None)
        .exclude(kind="receive")
        .order_by()
        .values_list("destination_id", *columns, counted_as(), one_by_one)
        .distinct()
    )


def counted_as() -> Case:
    """A count as it was entered; None of any other movement, of which there may be thousands to read."""
    return Case(When(kind__in=COUNTED, then=F("as_entered")), output_field=JSONField(null=True))


def noise_ul(kind: str, u_volume_ul: int, as_entered: Mapping[str, Any] | None) -> int:
    """So much of an inflow, in µl, may be nothing but the uncertainty of a count made with an instrument.

    Nothing of any other: what is poured is poured, and an eye sees what it wants to see.
    """
    return COVERAGE * u_volume_ul if kind in COUNTED and _was_measured(as_entered or {}) else 0


def _was_measured(as_entered: Mapping[str, Any]) -> bool:
    """Whether a count was made with an instrument, not by eye."""
    try:
        instrument = find_instrument(as_entered.get("instrument"), field="instrument")
    except InputError:
        return False
    return instrument.kind != "estimate"


def _day_of_test(test: Tested, container: Container) -> tuple[datetime, datetime]:
    """The test's day in the lab's zone, from its first moment to that of the next day."""
    assert test.tested_on is not None
    zone = ZoneInfo(container.lab.time_zone)
    days = (test.tested_on, test.tested_on + timedelta(days=1))
    start, end = (datetime.combine(day, time.min, tzinfo=zone) for day in days)
    return start, end


def _own_signs(ids: Collection[int]) -> dict[int, frozenset[str]]:
    found: dict[int, set[str]] = defaultdict(set)
    rows = _standing(Observation.objects.filter(container_id__in=ids))
    for container_id, sign in rows.values_list("container_id", "sign"):
        found[container_id].add(sign)
    return {pk: frozenset(signs) for pk, signs in found.items()}


def _signs(
    containers: Sequence[Container], lots: Collection[int], behind: Mapping[int, set[int]], poured: _Poured
) -> dict[int, frozenset[str]]:
    """Of each container its own standing signs, and those of its liquid that were seen elsewhere."""
    own: dict[int, set[str]] = defaultdict(set)
    of_lot: dict[int, set[str]] = defaultdict(set)
    bearing = Q(container_id__in=[c.pk for c in containers]) | Q(lot_id__in=lots)
    rows = _standing(Observation.objects.filter(bearing))
    for container_id, lot_id, sign in rows.values_list("container_id", "lot_id", "sign"):
        own[container_id].add(sign)
        if sign in LIQUID_SIGNS and lot_id is not None:
            of_lot[lot_id].add(sign)
    found = {}
    for c in containers:
        seen = [own.get(c.pk, set()), *(of_lot.get(lot, set()) for lot in behind.get(c.pk, ()))]
        found[c.pk] = frozenset(set().union(*seen, poured.signs_into(c.place_id, behind.get(c.pk, set()))))
    return found


class _Poured:
    """Signs that stood on a container when some of these lots was poured out of it, whatever they were of."""

    def __init__(self, lots: Collection[int]) -> None:
        self._into: dict[int, list[tuple[int, int, datetime]]] = defaultdict(list)
        self._container: dict[int, int] = {}
        self._on: dict[int, list[tuple[str, datetime]]] = defaultdict(list)
        pours = Movement.objects.filter(lot_id__in=lots, kind="pour", reversed_by=None)
        rows = pours.values_list(
            "destination_id", "source_id", "lot_id", "recorded_at", "source__container__id"
        )
        for destination_id, source_id, lot_id, at, held_id in rows:
            self._container[source_id] = held_id
            self._into[destination_id].append((source_id, lot_id, at))
        sources = {source_id for into in self._into.values() for source_id, _, _ in into}
        if not sources:
            return
        seen = Observation.objects.filter(container__place_id__in=sources, sign__in=LIQUID_SIGNS)
        found = _standing(seen).values_list("container__place_id", "sign", "recorded_at")
        for place_id, sign, at in found:
            self._on[place_id].append((sign, at))

    def givers(self, place_id: int, lots: set[int]) -> frozenset[Giver]:
        """Containers from which these lots came into a place, straight or through others."""
        found: set[Giver] = set()
        frontier = [(place_id, datetime.max.replace(tzinfo=UTC))]
        while frontier:
            here, by = frontier.pop()
            for source_id, lot_id, at in self._into.get(here, ()):
                giver = Giver(self._container[source_id], lot_id, at)
                if lot_id in lots and at <= by and giver not in found:
                    found.add(giver)
                    frontier.append((source_id, at))
        return frozenset(found)

    def signs_into(self, place_id: int, lots: Collection[int]) -> set[str]:
        """What came into a place with pours of these lots, straight or through other containers."""
        if not self._on:
            return set()
        found: set[str] = set()
        # The latest moment up to which solvent from a place went on to where it is asked for.
        until: dict[int, datetime] = {}
        frontier = [(place_id, datetime.max.replace(tzinfo=UTC))]
        while frontier:
            here, by = frontier.pop()
            for source_id, lot_id, at in self._into.get(here, ()):
                if lot_id in lots and at <= by and at > until.get(source_id, _LONG_AGO):
                    until[source_id] = at
                    frontier.append((source_id, at))
                    found |= {sign for sign, seen_at in self._on.get(source_id, ()) if seen_at <= at}
        return found


def _of_unknown_origin(lots: Collection[int]) -> frozenset[int]:
    if not lots:
        return frozenset()
    rows = Lot.objects.filter(pk__in=lots, origin=Lot.Origin.NOT_KNOWN)
    return frozenset(rows.values_list("pk", flat=True))


def _treated(lots: Collection[int]) -> dict[int, date]:
    """Of each lot the last day on which peroxides were taken out of some of it."""
    found: dict[int, date] = {}
    rows = _standing(
        Treatment.objects.filter(lot_id__in=lots, kind=Treatment.Kind.PEROXIDES_REMOVED)
    ).values_list("lot_id", "treated_on")
    for lot_id, day in rows:
        found[lot_id] = max(day, found.get(lot_id, day))
    return found


def lock_containers(container_ids: Collection[int]) -> None:
    """Lock rows in the one order of the house, by place."""
    if not connection.features.has_select_for_update:
        return  # SQLite: a transaction holds the one write lock from its start
    rows = Container.objects.select_for_update().filter(pk__in=container_ids).order_by("place_id")
    list(rows.values_list("pk", flat=True))


def blends_of(*lot_ids: int) -> set[int]:
    """The lots and every blend that holds some of them."""
    found = frontier = set(lot_ids)
    while frontier:
        frontier = (
            set(
                LotParent.objects.filter(parent_id__in=frontier, lot__origin=Lot.Origin.BLEND).values_list(
                    "lot_id", flat=True
                )
            )
            - found
        )
        found = found | frontier
    return found

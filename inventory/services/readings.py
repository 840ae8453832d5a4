"""Which peroxide reading counts for what is in a container now.

A reading that does not pass follows the liquid wherever it is poured; one that passes speaks only for the
container it was taken from, and only until something else is put in.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import Q, QuerySet, Value
from django.db.models.functions import Coalesce

from inventory.models import Container, Lot, LotParent, Movement, PeroxideTest
from inventory.rules.peroxide import Reading, passes

UG_PER_MG = 1000
# Movements into a container that bring nothing but what the records already took to be in it.
NOT_MIXED_IN = ("receive", "count", "weigh")


def reading_of(test: PeroxideTest) -> Reading:
    """The stored interval in mg/L, dated as the test is."""
    upper = None if test.upper_ug_per_l is None else Decimal(test.upper_ug_per_l) / UG_PER_MG
    return Reading(Decimal(test.lower_ug_per_l) / UG_PER_MG, upper, test.method, test.tested_on)


def standing_tests(lot_ids: Iterable[int]) -> QuerySet[PeroxideTest]:
    """Tests of these lots that are neither withdrawn nor withdrawals, oldest first."""
    return _standing().filter(lot_id__in=list(lot_ids))


def _standing() -> QuerySet[PeroxideTest]:
    return (
        PeroxideTest.objects.alias(takes_back=no_id("withdraws_id"))
        .filter(takes_back=0, withdrawn_by__isnull=True)
        .order_by("recorded_at", "id")
    )


def no_id(column: str) -> Coalesce:
    """0 where a unique column is empty. SQLite takes "is null" on one for rare and reads the whole table."""
    return Coalesce(column, Value(0))


def deciding(tests: Sequence[PeroxideTest], level_mg_per_l: Decimal, zone: ZoneInfo) -> PeroxideTest | None:
    """The test that counts: the last dated one, unless an undated one that may be later does not pass.

    Of two tests on one day the worse one counts: nothing says which came last.
    """
    last_day = max((t.tested_on for t in tests if t.tested_on is not None), default=None)
    if last_day is None:
        return _worst(tests, level_mg_per_l)
    counting = [t for t in tests if t.tested_on == last_day]
    newest = max(t.pk for t in counting)
    undated = [t for t in tests if t.tested_on is None and not _shown_earlier(t, last_day, newest, zone)]
    bad = [t for t in undated if not passes(reading_of(t), level_mg_per_l)]
    return _worst([*counting, *bad], level_mg_per_l)


def _shown_earlier(undated: PeroxideTest, last_day: date, newest: int, zone: ZoneInfo) -> bool:
    """Whether an undated test was surely made before the last dated one: it was on record by then."""
    recorded_on = undated.recorded_at.astimezone(zone).date()
    return recorded_on < last_day or (recorded_on == last_day and undated.pk < newest)


def _worst(tests: Sequence[PeroxideTest], level_mg_per_l: Decimal) -> PeroxideTest | None:
    return max(
        tests, key=lambda t: (not passes(reading_of(t), level_mg_per_l), t.lower_ug_per_l), default=None
    )


def last_reading(container: Container, level_mg_per_l: Decimal) -> Reading | None:
    """The reading by which a container is judged: its own, or a bad one that came with what is in it.

    A passed test of its own stands against an older bad one, until something else was put in.
    """
    if container.lot_id is None:
        return None
    zone = ZoneInfo(container.lab.time_zone)
    made_here = list(_standing().filter(container=container))
    own = deciding([t for t in made_here if t.lot_id == container.lot_id], level_mg_per_l, zone)
    reading = reading_of(own) if own else None
    if own and reading and not passes(reading, level_mg_per_l):
        return reading
    left = _left_behind(
        [t for t in made_here if t.lot_id != container.lot_id], own, container, level_mg_per_l
    )
    if left is not None:
        return reading_of(left)
    mixed = own is not None and _mixed_since(container, own, zone)
    if own and not mixed and _after_making(own, container.lot):
        return reading
    bad = _worst(_bad_behind({container.lot_id}, level_mg_per_l, zone), level_mg_per_l)
    if bad is not None:
        return reading_of(bad)
    return None if mixed else reading


def _left_behind(
    before: Sequence[PeroxideTest], own: PeroxideTest | None, container: Container, level_mg_per_l: Decimal
) -> PeroxideTest | None:
    """A bad reading of what was in the container before: peroxides stay behind when it dries or is emptied.

    A test of what is in it now answers it, when it passed, was recorded later and is dated no earlier.
    Lots that were blended into this one are not asked: their readings came along with the liquid.
    """
    zone = ZoneInfo(container.lab.time_zone)
    bad = deciding(before, level_mg_per_l, zone) if before else None
    if bad is None or passes(reading_of(bad), level_mg_per_l):
        return None
    if own is not None and own.tested_on is not None and own.pk > bad.pk:
        bad_on = bad.tested_on or bad.recorded_at.astimezone(zone).date()
        if own.tested_on >= bad_on:
            return None
    return None if bad.lot_id in _parts_of(container.lot_id) else bad


def _parts_of(lot_id: int | None) -> set[int]:
    """All lots that were blended into one."""
    found: set[int] = set()
    frontier = set() if lot_id is None else {lot_id}
    while frontier:
        frontier = _blended_into(frontier) - found
        found |= frontier
    return found


def _after_making(test: PeroxideTest, lot: Lot | None) -> bool:
    """Whether a dated test was made on the lot as it is, not on what went into it."""
    if test.tested_on is None or lot is None:
        return False
    if lot.made_on is None or test.tested_on > lot.made_on:
        return True
    return test.tested_on == lot.made_on and test.recorded_at >= lot.created_at


def _mixed_since(container: Container, test: PeroxideTest, zone: ZoneInfo) -> bool:
    """Whether anything was put into the container after a dated test, as far as the records can tell."""
    if test.tested_on is None:
        return False
    start = datetime.combine(test.tested_on, time.min, tzinfo=zone)
    end = datetime.combine(test.tested_on + timedelta(days=1), time.min, tzinfo=zone)
    later = Q(happened_at__gte=end) | Q(happened_at__gte=start, recorded_at__gt=test.recorded_at)
    return (
        Movement.objects.alias(reverses=no_id("reversal_of_id"))
        .filter(later, destination_id=container.place_id, reverses=0, reversed_by=None)
        .exclude(kind__in=NOT_MIXED_IN)
        .exists()
    )


def _bad_behind(lot_ids: set[int], level_mg_per_l: Decimal, zone: ZoneInfo) -> list[PeroxideTest]:
    """Bad deciding tests of these lots in any container, and of what was blended into them.

    A blend lot that has passed a test of its own since it was made answers for its parents.
    """
    bad: list[PeroxideTest] = []
    seen, frontier = set(lot_ids), set(lot_ids)
    while frontier:
        answered = set()
        lots = Lot.objects.in_bulk(frontier)
        for (lot_id, _), tests in _by_lot_and_container(frontier).items():
            test = deciding(tests, level_mg_per_l, zone)
            if test is None:
                continue
            if not passes(reading_of(test), level_mg_per_l):
                bad.append(test)
            elif _after_making(test, lots[lot_id]):
                answered.add(lot_id)
        frontier = _blended_into(frontier - answered) - seen
        seen |= frontier
    return bad


def _by_lot_and_container(lot_ids: set[int]) -> dict[tuple[int, int], list[PeroxideTest]]:
    """One bottle's good reading says nothing about another bottle of the same lot."""
    groups: dict[tuple[int, int], list[PeroxideTest]] = defaultdict(list)
    for test in standing_tests(lot_ids):
        groups[test.lot_id, test.container_id].append(test)
    return groups


def _blended_into(lot_ids: set[int]) -> set[int]:
    """Parents of those lots that are blends; distilling breaks the line."""
    return set(
        LotParent.objects.filter(lot_id__in=lot_ids, lot__origin=Lot.Origin.BLEND).values_list(
            "parent_id", flat=True
        )
    )


def lock_containers(container_ids: list[int]) -> None:
    """Lock rows in the one order of the house, by place."""
    if not connection.features.has_select_for_update:
        return  # SQLite: a transaction holds the one write lock from its start
    rows = Container.objects.select_for_update().filter(pk__in=container_ids).order_by("place_id")
    list(rows.values_list("pk", flat=True))


def blends_of(lot_id: int) -> set[int]:
    """The lot and every blend that holds some of it."""
    found = frontier = {lot_id}
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

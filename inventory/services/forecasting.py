"""What the readings of a container say of the day on which the action level may be reached.

A container's readings count since its last reset: it was opened, its lot was made, peroxides were taken out,
or anything was put in. A reset counts from the first dated reading after it. Until then the readings before
it go on bringing the next test forward, or a drop of solvent put back would put a test off.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from inventory.models import Container, Movement
from inventory.rules import forecast as rules
from inventory.rules.deciding import Tested
from inventory.rules.forecast import Forecast, Point
from inventory.rules.outcomes import LevelAmount, action_level, level_amounts
from inventory.services.facts import Gathered, containers_with, gathered
from inventory.services.readings import COUNTED, INFLOW, counted_as, no_id, noise_ul

BAND_SAMPLES = 8
# So many of the last inflows of a container are read before all of them are.
LAST_INFLOWS = 256
NOT_A_FORMER = Forecast("not-a-former", "No forecast. It is not a peroxide former.", cautions=())


@dataclass(frozen=True)
class Mixing:
    """Something was put into a container, or what was in it was made another lot, as by a treatment."""

    on: date
    recorded_at: datetime


@dataclass(frozen=True)
class Outlook:
    """A forecast with what it rests on: tests since the last reset, oldest first, and the level in mg/L.

    levels: all amounts at which the policy asks for something, where they were asked for.
    """

    forecast: Forecast
    tests: tuple[Tested, ...]
    level_mg_per_l: Decimal
    levels: tuple[LevelAmount, ...] = ()


def outlook_of(container: Container, samples: int = BAND_SAMPLES) -> Outlook:
    """The forecast of a container with growth, band and the policy's levels, worked out anew.

    samples: into so many steps the band is cut.
    """
    return outlook_in(gathered(containers_with([container.pk])), samples)


def outlook_in(found: Gathered, samples: int = BAND_SAMPLES) -> Outlook:
    """The same of the one container that was gathered."""
    (held,) = found.containers
    candidates = _candidates(held, found)
    tests = _since_reset(held, candidates, deciding_mixings(held, candidates))
    facts = found.facts[held.pk]
    density = None if facts is None else facts.density_20c_kg_m3
    levels = level_amounts(found.policies[held.lab_id], density)
    return replace(_outlook(held, found, tests, samples=samples), levels=levels)


def forecasts_of(found: Gathered) -> dict[int, Forecast]:
    """The forecasts of the containers gathered that have dated tests, by id; no other has one.

    One statement more for all of them, and only where there are enough tests for a line.
    """
    candidates = {c.pk: tests for c in found.containers if (tests := _candidates(c, found))}
    enough = [c for c in found.containers if len(candidates.get(c.pk, ())) >= rules.READINGS_MIN]
    mixed = mixings(enough) if enough else {}
    return {
        c.pk: _outlook(c, found, _since_reset(c, candidates[c.pk], mixed.get(c.place_id, ()))).forecast
        for c in found.containers
        if c.pk in candidates
    }


def _candidates(container: Container, found: Gathered) -> list[Tested]:
    """Dated standing tests made on this container of what is in it, or of what that was blended from."""
    if container.lot_id is None:
        return []
    lots = found.records.lots_behind(container.lot_id)
    made_here = found.records.tests.by_container.get(container.pk, ())
    return [test for test in made_here if test.lot_id in lots and test.tested_on is not None]


def mixings(containers: Iterable[Container]) -> Mapping[int, Sequence[Mixing]]:
    """What was put into these containers and stands, by place; as `readings.mixed_in` sees it."""
    zones = {c.place_id: ZoneInfo(c.lab.time_zone) for c in containers}
    return _mixings(_inflow(zones).order_by("happened_at", "pk").values_list(*INFLOW, counted_as()), zones)


def deciding_mixings(container: Container, tests: Sequence[Tested]) -> Sequence[Mixing]:
    """Of the mixings of one container, all that can decide where the line of these tests begins.

    Only the latest with enough tests after it does, so that thousands put back before it are not read. What
    is poured in starts the sum of small counts anew: from one that was poured on an earlier day all is known.
    """
    if not tests:
        return ()
    place, zone = container.place_id, ZoneInfo(container.lab.time_zone)
    by = sorted((_day(test), test.recorded_at) for test in tests)[-rules.READINGS_MIN :][0]
    end = datetime.combine(by[0] + timedelta(days=1), time.min, tzinfo=zone)
    newest_first = _inflow([place]).filter(happened_at__lt=end).order_by("-happened_at", "-pk")
    rows = list(newest_first.values_list(*INFLOW, counted_as())[:LAST_INFLOWS])
    if len(rows) == LAST_INFLOWS:
        known = _known_from(rows, by, zone)
        if known is None:
            return mixings([container]).get(place, ())
        rows = rows[:known]
    return _mixings(reversed(rows), {place: zone}).get(place, ())


def _known_from(rows: Sequence[tuple[Any, ...]], by: tuple[date, datetime], zone: ZoneInfo) -> int | None:
    """How many of the newest have to be looked at; None: more than there are. What is after `by` is idle."""
    latest: date | None = None
    for number, (_, kind, happened_at, recorded_at, *_rest) in enumerate(rows, 1):
        if kind in COUNTED:
            continue
        on = happened_at.astimezone(zone).date()
        if latest is not None and on < latest:
            return number
        if latest is None and (on, recorded_at) <= by:
            latest = on
    return None


def _inflow(place_ids: Collection[int]) -> QuerySet[Movement]:
    """What was put into these places and stands."""
    return (
        Movement.objects.alias(reverses=no_id("reversal_of_id"))
        .filter(destination_id__in=list(place_ids), reverses=0, reversed_by=None)
        .exclude(kind="receive")
    )


def _mixings(rows: Iterable[tuple[Any, ...]], zones: Mapping[int, ZoneInfo]) -> dict[int, list[Mixing]]:
    """Of rows of INFLOW, the oldest first."""
    found: dict[int, list[Mixing]] = defaultdict(list)
    crept: dict[int, int] = defaultdict(int)
    for place_id, kind, happened_at, recorded_at, volume_ul, u_volume_ul, as_entered in rows:
        crept[place_id] += volume_ul
        if crept[place_id] > noise_ul(kind, u_volume_ul, as_entered):
            found[place_id].append(Mixing(happened_at.astimezone(zones[place_id]).date(), recorded_at))
            crept[place_id] = 0  # from here on counted anew
    return found


def _since_reset(
    container: Container, tests: Sequence[Tested], mixed: Collection[Mixing]
) -> tuple[Tested, ...]:
    """The tests after each reset that has any after it."""
    lot = container.lot
    days = [day for day in (container.opened_on, lot.made_on if lot else None) if day is not None]
    left = list(tests)
    for day in days:
        left = [test for test in left if _day(test) >= day] or left
    for mixing in mixed:
        since = [test for test in left if _after(test, mixing)]
        left = since if len(since) >= rules.READINGS_MIN else left
    return tuple(sorted(left, key=lambda test: (_day(test), test.id)))


def _day(test: Tested) -> date:
    return cast(date, test.tested_on)


def _after(test: Tested, mixing: Mixing) -> bool:
    """On one day the order of recording decides, as it does for the test that counts."""
    return (_day(test), test.recorded_at) >= (mixing.on, mixing.recorded_at)


def _outlook(container: Container, found: Gathered, tests: tuple[Tested, ...], samples: int = 0) -> Outlook:
    facts = found.facts[container.pk]
    density = None if facts is None else facts.density_20c_kg_m3
    level = action_level(found.policies[container.lab_id], density)
    if facts is not None and facts.peroxide_class == "none":
        return Outlook(NOT_A_FORMER, tests, level)
    told = rules.forecast([point_of(test) for test in tests], level, samples=samples)
    return Outlook(told, tests, level)


def point_of(test: Tested) -> Point:
    """A reading as the forecast takes it; strips or solution past their date set no upper bound."""
    reading = test.reading
    upper = None if reading.reagent_expired is True else reading.upper_mg_per_l
    return Point(_day(test), reading.lower_mg_per_l, upper, reading.method)

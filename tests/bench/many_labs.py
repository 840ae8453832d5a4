"""The sweep over many labs: in one go, in parts, and in parts shared by several worker processes."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import connection

from inventory.models import Container, Job, Lab, Movement, Place
from inventory.services import sweep as service
from inventory.services import sweep_parts
from tests.bench import data, drainer
from tests.bench import sweep as one_lab
from tests.bench.raw import Raw
from tests.bench.results import Result, ratio_at_most
from tests.bench.timing import Stopwatch, alternate

#: labs, and bottles in each
SIZES = {"small": ((4, 100), (60, 100)), "full": ((10, 1000), (100, 1000), (1000, 1000))}
ROUNDS = {"small": 3, "full": 3}
WORKERS = (1, 2, 4)
OPENED = {"due": date(2026, 1, 10), "not": date(2026, 3, 1)}


def measure(size: str) -> list[Result]:
    club = data.the_club()
    kinds = data.tested_bottles(club, OPENED)
    results, labs_made, made = [], 1, dict.fromkeys(kinds, 1)
    for labs, bottles in SIZES[size]:
        more_labs(club.lab, labs - labs_made)
        labs_made, count = labs, labs * bottles
        wanted = {"due": count // one_lab.SHARE_DUE, "not": count - count // one_lab.SHARE_DUE}
        for name, bottle in kinds.items():
            copy_over_labs(bottle, wanted[name] - made[name], f"{name}-{made[name]}-")
        made = wanted
        data.settle(Place, Container, Movement, Lab)
        assert (Lab.objects.count(), Container.objects.count()) == (labs, count)
        results += due(labs, count, ROUNDS[size], goal=(labs, bottles) == SIZES["full"][-1])
    if connection.vendor == "postgresql":
        results += shared(labs, count)
    return results


def more_labs(lab: Lab, count: int) -> None:
    top = Lab.objects.order_by("-pk").values_list("pk", flat=True)[0]
    if count > 0:
        data.copy_row(Lab, lab.pk, count, id=f"{top} + n.i", slug=f"'lab-' || ({top} + n.i)")


def copy_over_labs(bottle: Container, count: int, prefix: str) -> None:
    """`count` more bottles like this one, dealt out to the labs in turn, each with its movement."""
    if count < 1:
        return
    first, labs = Lab.objects.order_by("pk").values_list("pk", flat=True)[0], Lab.objects.count()
    place, container, movement = (data._top(model) for model in (Place, Container, Movement))
    filled = Movement.objects.get(destination_id=bottle.place_id)
    lab = f"{first} + n.i % {labs}"
    data.copy_row(Place, bottle.place_id, count, id=f"{place} + n.i", lab_id=lab)
    ids = {"id": f"{container} + n.i", "place_id": f"{place} + n.i", "code": f"'{prefix}' || n.i"}
    data.copy_row(Container, bottle.pk, count, lab_id=lab, **ids)
    ends = {"destination_id": f"{place} + n.i", "entry": data.new_uuid(), "lab_id": lab}
    data.copy_row(Movement, filled.pk, count, id=f"{movement} + n.i", **ends)


def due(labs: int, count: int, rounds: int, *, goal: bool) -> list[Result]:
    """A twentieth is due and no alert is open: one bare statement beside one sweep, then beside its parts."""
    raw = Raw()
    found: dict[str, Any] = {}

    def floor(watch: Stopwatch) -> None:
        one_lab.empty()
        with watch.running():
            raw.execute(one_lab.ALERT, one_lab.values(raw, one_lab.LATER))
        found["floor"] = one_lab.alerts()

    def whole(watch: Stopwatch) -> None:
        one_lab.empty()
        with watch.running():
            service.sweep(now=one_lab.LATER)
        found["whole"] = one_lab.alerts()

    def parts(watch: Stopwatch) -> None:
        one_lab.empty()
        with watch.running():
            for part in sweep_parts.ranges():
                service.sweep(now=one_lab.LATER, labs=part)
        found["parts"] = one_lab.alerts()

    pairs = [alternate(floor, side, rounds=rounds) for side in (whole, parts)]
    raw.close()
    assert found["floor"] == found["whole"] == found["parts"], "the ways of sweeping opened different alerts"
    assert len(found["floor"]) == count // one_lab.SHARE_DUE
    names = ("sweep of many labs, 5 % due", f"sweep of many labs (in parts of {sweep_parts.LABS_PER_PART})")
    results = [
        Result(name, connection.vendor, count, "ms", pair.floor_ms, pair.ours_ms)
        for name, pair in zip(names, pairs, strict=True)
    ]
    return [ratio_at_most(results[0], 1.5) if goal else results[0], results[1]]


def shared(labs: int, count: int) -> list[Result]:
    """The same parts as jobs, done by 1, 2 and 4 processes; the floor is one process."""
    seconds: dict[int, float] = {}
    for number in WORKERS:
        one_lab.empty()
        Job.objects.all().delete()
        asked = sweep_parts.sweep_or_share({"slot": f"by-{number}"}, one_lab.LATER)
        assert asked == len(sweep_parts.ranges()), "the labs are too few to be shared"
        seconds[number] = drainer.together("jobs", number, one_lab.LATER)
        assert len(one_lab.alerts()) == count // one_lab.SHARE_DUE
        assert not Job.objects.filter(done_at=None).exists()
    return [
        Result(
            f"sweep of many labs by {number} workers",
            connection.vendor,
            count,
            "rows/s",
            count / seconds[1],
            count / seconds[number],
        )
        for number in WORKERS
    ]

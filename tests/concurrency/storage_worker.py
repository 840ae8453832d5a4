"""What a crew does at one waste container and one cabinet."""

from __future__ import annotations

from collections import Counter
from typing import Any
from uuid import UUID

from tests.concurrency import worker  # sets Django up, so it comes first

# isort: split
from inventory.models import Container, Location, Movement, WasteContainer
from inventory.rules.errors import InputError
from inventory.services import limits, locations, reversal, waste, waste_filling
from inventory.services.limits import OwnLimit
from inventory.services.moving import put_away
from inventory.services.waste import WasteFacts
from tests import factories as make


def can(lab: str, litres: int) -> int:
    facts = WasteFacts(stream="halogen-free solvents", capacity_ul=litres * 1_000_000)
    return waste.waste_add(**worker._at(lab), facts=facts).pk


def held(pk: int) -> list[Any]:
    """Volume in mL, whether it was collected, and how many entries stand that filled it."""
    one = WasteContainer.objects.get(pk=pk)
    filled = Movement.objects.filter(destination=one.place, reversal_of=None, reversed_by=None)
    return [one.volume_ul / 1000, one.collected_at is not None, filled.count()]


def fill_often(lab: str, pk: int, bottle: int, times: int) -> dict[str, int]:
    """Additions of 10 mL; returns how each ended."""
    ends = Counter[str]()
    for _ in range(times):
        _try(ends, "filled", lambda: _fill(lab, pk, bottle))
    return ends


def _fill(lab: str, pk: int, bottle: int) -> str:
    one, container = WasteContainer.objects.get(pk=pk), make.fresh(Container.objects.get(pk=bottle))
    put = waste_filling.put_in(**worker._at(lab), waste=one, container=container, amount="10 mL")
    return str(put.posted.entry)


def fill_and_take_back(lab: str, pk: int, bottle: int, times: int) -> dict[str, int]:
    ends = Counter[str]()
    for _ in range(times):
        entries: list[str] = []
        _try(ends, "filled", lambda kept=entries: kept.append(_fill(lab, pk, bottle)))
        for entry in entries:
            back = {**worker._at(lab), "entry": UUID(entry), "reason": "wrong can"}
            _try(ends, "taken-back", lambda back=back: reversal.reverse(**back))
    return ends


def collect_and_bring_back(lab: str, pk: int, times: int) -> dict[str, int]:
    """Collections, each reversed at once where it booked anything."""
    ends = Counter[str]()
    for _ in range(times):
        _try(ends, "collected", lambda: _collect_and_back(lab, pk))
    return ends


def _collect_and_back(lab: str, pk: int) -> None:
    at = worker._at(lab)
    _, posted = waste.collect(**at, waste=WasteContainer.objects.get(pk=pk))
    if posted is not None:
        reversal.reverse(**at, entry=posted.entry, reason="it stands here still")
    else:
        WasteContainer.objects.filter(pk=pk).update(collected_at=None)


def collect_once(lab: str, pk: int) -> dict[str, int]:
    ends = Counter[str]()
    one = WasteContainer.objects.get(pk=pk)
    _try(ends, "taken", lambda: waste.collect(**worker._at(lab), waste=one))
    return ends


def _try(ends: Counter[str], done: str, work: Any) -> None:
    try:
        work()
        ends[done] += 1
    except InputError as refusal:
        ends[refusal.code] += 1


def cabinet(lab: str, litres: int) -> int:
    """A cabinet that refuses more than so much."""
    at = worker._at(lab)
    made = locations.location_add(**at, name=f"Cabinet {Location.objects.count()}", kind="cabinet")
    words: dict[str, Any] = {"name": "Club rule", "code": "club", "source": "the club", "effect": "refuse"}
    own = OwnLimit(limit_ul=litres * 1_000_000, **words)
    limits.limit_own(**at, location=made, limit=own)
    return made.pk


def put_away_all(lab: str, pks: list[int], location: int) -> dict[str, int]:
    at, ends = worker._at(lab), Counter[str]()
    where = Location.objects.get(pk=location)
    for pk in pks:
        bottle = Container.objects.get(pk=pk)
        put = {"container": bottle, "actor": at["actor"], "now": at["now"], "location": where}
        _try(ends, "stands", lambda put=put: put_away(**put))
    return ends


def move_often(lab: str, names: list[str], times: int) -> dict[str, int]:
    """Put each location below the next one, round and round."""
    at, ends = worker._at(lab), Counter[str]()
    found = [Location.objects.get(lab=at["lab"], name=name) for name in names]
    for turn in range(times):
        one, other = found[turn % len(found)], found[(turn + 1) % len(found)]
        move = {"location": one, "changes": {"parent": other}}
        _try(ends, "moved", lambda move=move: locations.location_change(**at, **move))
    return ends


def place(lab: str, name: str) -> int:
    return locations.location_add(**worker._at(lab), name=name).pk


worker.TASKS |= {
    task.__name__: task
    for task in (
        can, held, fill_often, fill_and_take_back, collect_and_bring_back, collect_once, cabinet,
        put_away_all, move_often, place,
    )
}  # fmt: skip

if __name__ == "__main__":
    worker.main()

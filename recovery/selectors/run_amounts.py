"""What was measured in runs, as parts of their balances: many runs in a fixed number of statements."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from inventory.models import LOST_TO, Movement, PlaceKind
from inventory.rules.units import UNITS, affine
from recovery.models import QualityCheck, ReturnState
from recovery.rules.amounts import Combined, Part, combined, part_of

COLUMNS = (
    "source_id", "destination_id", "source__kind", "destination__kind", "solvent_id", "lot_id", "volume_ul",
    "u_volume_ul", "as_entered", "entry",
)  # fmt: skip
UNACCOUNTED = PlaceKind.UNACCOUNTED.value
NOT_TOLD = ReturnState.State.NOT_TOLD.value


@dataclass(frozen=True, slots=True)
class Back:
    """One return. state: of the newest word on it. water: mass fraction measured, with its u."""

    part: Part
    weighed: bool
    lot_id: int
    entry: uuid.UUID
    state: str = NOT_TOLD
    water: tuple[float, float] | None = None


@dataclass(slots=True)
class Amounts:
    """What of one solvent went in and out of one run. held_ul: in it by the records."""

    charged: list[Part] = field(default_factory=list)
    back: list[Back] = field(default_factory=list)
    named: dict[str, list[Part]] = field(default_factory=lambda: defaultdict(list))
    held_ul: int = 0


def amounts_of(runs: Sequence[tuple[int, int]]) -> dict[int, dict[int, Amounts]]:
    """Run id → solvent id → its amounts. runs: (run id, place id) of each.

    What was reversed counts as if it had not been. What was booked as unaccounted is no measurement.
    """
    at = {place_id: run_id for run_id, place_id in runs}
    states, waters = _states(at.values()), _waters(at.values())
    found: dict[int, dict[int, Amounts]] = {run_id: defaultdict(Amounts) for run_id in at.values()}
    for row in _standing(list(at)):
        source, destination, from_kind, to_kind, solvent, lot, volume_ul, u_ul, entered, entry = row
        inward = destination in at
        amounts = found[at[destination if inward else source]][solvent]
        amounts.held_ul += volume_ul if inward else -volume_ul
        other = from_kind if inward else to_kind
        if other == UNACCOUNTED:
            continue
        part = part_of(volume_ul, u_ul, entered)
        if other in LOST_TO:
            amounts.named[other].append(part.scaled(-1.0) if inward else part)
        elif inward:
            amounts.charged.append(part)
        else:
            state = states.get((at[source], entry), NOT_TOLD)
            water = waters.get((at[source], lot))
            amounts.back.append(Back(part, _weighed(entered), lot, entry, state, water))
    return found


class Sums(NamedTuple):
    """Of one solvent in one run, as booked; missing: charged less returned, with what the two share."""

    charged: Combined
    returned: Combined
    missing: Combined


NOT_MEASURED = Sums(*(Combined(0, 0.0),) * 3)


def sums_of(runs: Sequence[tuple[int, int]]) -> dict[tuple[int, int], Sums]:
    """(run id, solvent id) → its sums, of many runs in one statement. runs: (run id, place id) of each."""
    at = {place_id: run_id for run_id, place_id in runs}
    found: dict[tuple[int, int], tuple[list[Part], list[Part]]] = defaultdict(lambda: ([], []))
    for row in _standing(list(at)) if at else ():
        source, destination, from_kind, to_kind, solvent, _lot, volume_ul, u_ul, entered, _entry = row
        inward = destination in at
        if (from_kind if inward else to_kind) not in LOST_TO:
            side = found[at[destination if inward else source], solvent][0 if inward else 1]
            side.append(part_of(volume_ul, u_ul, entered))
    return {key: _sums(*sides) for key, sides in found.items()}


def _sums(charged: list[Part], back: list[Part]) -> Sums:
    plus, minus = [(1, part) for part in charged], [(-1, part) for part in back]
    return Sums(combined(plus), combined((1, part) for part in back), combined([*plus, *minus]))


def _standing(places: list[int]) -> Iterable[Any]:
    """Movements in and out of these places that were not reversed, in their order."""
    rows = Movement.objects.touching(places).order_by("id")
    for *row, reverses, reversed_by in rows.values_list(*COLUMNS, "reversal_of_id", "reversed_by__id"):
        # Sorted out here: SQLite would rather start from the index of what is no reversal.
        if reverses is None and reversed_by is None:
            yield row


def _weighed(entered: Any) -> bool:
    unit = UNITS.get(str((entered or {}).get("unit", "")))
    return unit is not None and unit.dimension == "mass"


def _states(run_ids: Iterable[int]) -> dict[tuple[int, uuid.UUID], str]:
    rows = ReturnState.objects.filter(run_id__in=list(run_ids)).order_by("id")
    return {(run_id, entry): state for run_id, entry, state in rows.values_list("run_id", "entry", "state")}


def _waters(run_ids: Iterable[int]) -> dict[tuple[int, int], tuple[float, float]]:
    """(run, lot) → mass fraction of water that was measured of it last, and its standard uncertainty."""
    rows = QualityCheck.objects.filter(
        run_id__in=list(run_ids), what=QualityCheck.Property.WATER, withdraws=None, withdrawn_by=None
    ).order_by("id")
    found = {}
    for run_id, lot_id, low, high, u, unit in rows.values_list(
        "run_id", "lot_id", "low", "high", "u_value", "unit"
    ):
        if UNITS.get(unit) is not None and UNITS[unit].dimension == "fraction":
            share = float(affine(unit, "%")[0]) / 100
            spread = float(u) if u is not None else float(high - low) / 12**0.5
            found[run_id, lot_id] = (float(low + high) / 2 * share, spread * share)
    return found

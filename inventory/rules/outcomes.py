"""What a reading comes to under a policy's levels.

A level is passed when the reading's upper bound is known and below it, and reached when its lower bound is
not. A reading that reaches a level comes to the gravest level that its upper bound does not rule out, so a
strip at the end of its scale counts as the worst. One that does neither decides nothing: as if untested.
What is merely "detected" says nothing of amounts: it has its own outcome, and higher levels stay undecided.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal
from types import MappingProxyType
from typing import Literal

from inventory.rules.levels import RANK, USE_WORDS, Level, Use, for_use
from inventory.rules.peroxide import METHODS, NOT_STATED, ZERO, Reading
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import Policy, forbids_drawing
from inventory.rules.policy_rows import LevelRow

STEP_MG_PER_L = Decimal("0.001")  # readings are kept in whole µg/L
# No solvent here is lighter or heavier; a density that is missing or outside counts as the least, which gives
# the lowest level in mg/L for one in mass ppm.
DENSITY_LEAST_KG_M3 = Decimal(500)
DENSITY_MOST_KG_M3 = Decimal(3000)
KG_M3_PER_KG_L = 1000

# A level in few words, as a picture has room for.
_SHORT: Mapping[Level, Phrase] = MappingProxyType(
    {
        "use": Phrase("use"),
        "test-first": Phrase("test before use"),
        "do-not-distil": Phrase("do not distil"),
        "do-not-use": Phrase("do not use"),
        "do-not-touch": Phrase("do not touch"),
    }
)

ReadingCode = Literal["reading-at-or-above-level", "reading-not-decisive"]


@dataclass(frozen=True)
class Outcome:
    """What a reading comes to for one use. code None: it passes every level that bears on the use.

    row: the level that decides; words: that level for people.
    """

    level: Level
    code: ReadingCode | None
    row: LevelRow | None
    words: str = ""


def amount_mg_per_l(row: LevelRow, density_20c_kg_m3: Decimal | None) -> Decimal:
    """The amount of a level in mg/L, rounded down where it comes from mass ppm; 0 for "detected"."""
    amount = row.amount or ZERO
    if row.unit == "mg/L":
        return amount
    density = density_20c_kg_m3
    if density is None or not density.is_finite() or not DENSITY_LEAST_KG_M3 <= density <= DENSITY_MOST_KG_M3:
        density = DENSITY_LEAST_KG_M3
    return (amount * density / KG_M3_PER_KG_L).quantize(STEP_MG_PER_L, ROUND_FLOOR)


def action_level(policy: Policy, density_20c_kg_m3: Decimal | None = None) -> Decimal:
    """The least result, in mg/L and whole µg/L, that no longer lets people take some out."""
    return min(_least_failing(row, density_20c_kg_m3) for row in policy.levels if forbids_drawing(row))


def outcome(reading: Reading, policy: Policy, use: Use, density_20c_kg_m3: Decimal | None = None) -> Outcome:
    """What a reading comes to for one use, whatever its age."""
    rows = [row for row in policy.levels if row.applies_to(use) and for_use(row.then, use) != "use"]
    reached = [row for row in rows if _reaches(reading, row, density_20c_kg_m3)]
    counted = [row for row in reached if row.edge != "detected"]
    if counted:
        reached += [row for row in rows if _not_ruled_out(reading, row, density_20c_kg_m3)]
    undecided = [row for row in rows if row not in reached and not _passes(reading, row, density_20c_kg_m3)]
    worst = max(reached, key=lambda row: RANK[row.then], default=None)
    if worst is not None:
        return Outcome(worst.then, "reading-at-or-above-level", worst, level_words(worst))
    if undecided:
        return Outcome("test-first", "reading-not-decisive", undecided[0], level_words(undecided[0]))
    return Outcome("use", None, None)


def passes_levels(
    reading: Reading, policy: Policy, density_20c_kg_m3: Decimal | None = None, use: Use = "draw"
) -> bool:
    """True only when the reading is shown to be below every level that bears on the use."""
    return outcome(reading, policy, use, density_20c_kg_m3).code is None


@dataclass(frozen=True)
class LevelAmount:
    """An amount at which a policy asks for something; words: what, as "do not use: 25 mg/L or more"."""

    amount_mg_per_l: Decimal
    words: str
    forbids_drawing: bool


def level_amounts(policy: Policy, density_20c_kg_m3: Decimal | None = None) -> tuple[LevelAmount, ...]:
    """The policy's levels that name an amount, the least first; those for some uses say for which."""
    found = []
    for row in policy.levels:
        if row.amount is None or row.then == "use":
            continue
        uses = () if row.then == "do-not-distil" else sorted(USE_WORDS[use] for use in row.uses or ())
        what: str = _SHORT[row.then]
        if uses:
            what = Phrase("{what} ({uses})", what=what, uses=Phrase.joined(uses, ", "))
        words = Phrase("{what}: {level}", what=what, level=level_words(row))
        amount = amount_mg_per_l(row, density_20c_kg_m3)
        found.append(LevelAmount(amount, words, forbids_drawing(row)))
    return tuple(sorted(found, key=lambda level: level.amount_mg_per_l))


def level_words(row: LevelRow) -> str:
    """A level for people, as "25 mg/L or more"."""
    if row.edge == "detected":
        return Phrase("any peroxide")
    unit = Phrase("mass ppm") if row.unit == "mass-ppm" else row.unit
    amount = f"{row.amount:f} {unit}" if row.amount is not None else ""
    if row.edge == "from":
        return Phrase("{amount} or more", amount=amount)
    return Phrase("more than {amount}", amount=amount)


def _least_failing(row: LevelRow, density: Decimal | None) -> Decimal:
    amount = amount_mg_per_l(row, density)
    return max(amount, STEP_MG_PER_L) if row.edge == "from" else amount + STEP_MG_PER_L


def _reaches(reading: Reading, row: LevelRow, density: Decimal | None) -> bool:
    if row.edge == "detected":
        return reading.lower_mg_per_l > ZERO or reading.method == NOT_STATED
    return _at(reading.lower_mg_per_l, row, density)


def _not_ruled_out(reading: Reading, row: LevelRow, density: Decimal | None) -> bool:
    upper = reading.upper_mg_per_l
    return row.edge != "detected" and (upper is None or _at(upper, row, density))


def _passes(reading: Reading, row: LevelRow, density: Decimal | None) -> bool:
    upper = reading.upper_mg_per_l
    if upper is None:
        return False
    if row.edge == "detected":
        # A negative result reaches up to the least amount that the method shows, and proves no more.
        first = METHODS[reading.method].at_density(density).first_step_mg_per_l
        return reading.lower_mg_per_l == ZERO and first is not None and upper < first + STEP_MG_PER_L
    return not _at(upper, row, density)


def _at(value_mg_per_l: Decimal, row: LevelRow, density: Decimal | None) -> bool:
    level = amount_mg_per_l(row, density)
    return value_mg_per_l >= level if row.edge == "from" else value_mg_per_l > level

"""Whether a waste container holds what should be told to whoever collects it: peroxides found, or signs seen.

Of every lot that went in, and of all that it was blended from. A test that passed later takes nothing back:
what is said here is for people who cannot look into the container.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from inventory.models import Movement, Observation, PlaceKind, Solvent, WasteContainer
from inventory.rules.levels import Level
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import Policy
from inventory.rules.signs import sign_named
from inventory.rules.verdict import reading_level
from inventory.services.facts import policy_of
from inventory.services.pouring import lots_behind
from inventory.services.readings import LIQUID_SIGNS, reading_of, standing_tests
from inventory.services.waste import contents

GRAVE: tuple[Level, ...] = ("do-not-use", "do-not-touch")
TOLD = Phrase("Tell the contractor before it is moved: common practice, no source")


@dataclass(frozen=True)
class Suspicion:
    """code: of the reading or sign; words name the solvent."""

    code: str
    words: str
    source: str


def suspicions(waste: WasteContainer) -> list[Suspicion]:
    """Why what is in it is suspect; none when nothing speaks against it."""
    if not contents(waste):
        return []
    behind = {found for lot in _lots_in(waste) for found in lots_behind(lot)}
    found = [*_readings(behind, policy_of(waste.lab)), *_signs(behind)]
    return list(dict.fromkeys(found))


def _lots_in(waste: WasteContainer) -> set[int]:
    """Lots that went in, and all that was in a run from which some did: there they were together."""
    into = Movement.objects.filter(destination_id=waste.place_id, reversal_of=None, reversed_by=None)
    runs = into.filter(source__kind=PlaceKind.RUN).values("source_id")
    charged = Movement.objects.filter(destination_id__in=runs, reversal_of=None, reversed_by=None)
    return {*into.values_list("lot_id", flat=True), *charged.values_list("lot_id", flat=True)}


def _readings(lots: Collection[int], policy: Policy) -> Iterable[Suspicion]:
    tests = standing_tests(lots).select_related("lot__solvent", "lab", "reagent").defer("lot__solvent__facts")
    for test in tests:
        solvent = test.lot.solvent
        level = reading_level(reading_of(test), policy, "draw", solvent.density_20c_kg_m3)
        if level in GRAVE:
            words = Phrase(
                "{solvent} that went in showed peroxides: {reading} on {day}.",
                solvent=solvent.name,
                reading=test.as_entered,
                day=test.tested_on or Phrase("an unknown day"),
            )
            yield Suspicion("reading-at-or-above-level", words, TOLD)


def _signs(lots: Collection[int]) -> Iterable[Suspicion]:
    seen = Observation.objects.filter(
        lot_id__in=lots, sign__in=LIQUID_SIGNS, withdraws=None, withdrawn_by__isnull=True
    )
    names = dict(Solvent.objects.filter(lots__in=lots).values_list("lots__pk", "name"))
    for lot_id, code in seen.order_by("id").values_list("lot_id", "sign"):
        sign = sign_named(code)
        if sign.former in GRAVE:
            name = names.get(lot_id) or Phrase("Solvent")
            words = Phrase("{solvent} that went in: {sign}", solvent=name, sign=sign.words)
            yield Suspicion(f"sign-{code}"[:60], words, sign.source)

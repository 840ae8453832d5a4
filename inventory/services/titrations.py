"""A titration at the bench becomes a peroxide test, with all that it was worked out from."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from inventory.models import Container, Lab, Reagent, Solvent, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.peroxide import Reading
from inventory.rules.phrases import Phrase
from inventory.rules.titration import Measure, interval
from inventory.rules.titration_entry import Entered, Solution, read_titration
from inventory.services import safety
from inventory.services.safety import TestRecorded

KG_M3_PER_KG_L = 1000


def test_by_titration(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    titration: Mapping[str, Any],
    tested_on: date | None,
    method: str | None = None,
    reagent: Reagent | None = None,
    note: str = "",
) -> TestRecorded:
    """Work a titration out and record it: value ± 2 u, never told to be less than can be seen.

    method: what the caller calls it, refused when the sample says otherwise. Strength comes from the entry or
    from `reagent`, the density from the catalogue. Raises InputError naming `titration.…`; Conflict.
    """
    if container.lot is None:
        raise Conflict(
            "container", "container-empty", Phrase("{code} never held anything to test.", code=container.code)
        )
    if "density" in titration:
        raise InputError(
            "titration.density",
            "not-taken-here",
            Phrase("The density is that of the solvent."),
            Phrase("Leave it out."),
        )
    done = read_titration(
        titration,
        field="titration",
        solution=_solution(reagent),
        density_kg_per_l=density_of(container.lot.solvent),
    )
    if method not in (None, done.method):
        raise InputError(
            "method",
            "method-does-not-fit",
            Phrase("This is a titration of kind {method}.", method=done.method),
            Phrase("Leave it out."),
        )
    found = interval(done.result, method=done.method)
    return safety.test_record(
        lab=lab,
        actor=actor,
        now=now,
        container=container,
        reading=Reading(found.lower_mg_per_l, found.upper_mg_per_l, done.method, tested_on),
        method=done.method,
        tested_on=tested_on,
        as_entered=_shown(done),
        reagent=reagent,
        working=done.working,
        note=note,
    )


def density_of(solvent: Solvent) -> Measure:
    """Density at 20 °C in kg/L with its standard uncertainty."""
    return Measure(solvent.density_20c_kg_m3 / KG_M3_PER_KG_L, solvent.u_density_kg_m3 / KG_M3_PER_KG_L)


def _solution(reagent: Reagent | None) -> Solution | None:
    if reagent is None or reagent.concentration_mol_per_l is None:
        return None
    u: Decimal | None = reagent.u_concentration_mol_per_l
    return Solution(reagent.concentration_mol_per_l, u, reagent.name)


def _shown(done: Entered) -> str:
    """The result on one line, for lists."""
    found = done.working["hydrogen_peroxide"]
    return f"titration: {found['value']} mg/L, standard uncertainty {found['uncertainty']}"

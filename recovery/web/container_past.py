"""What a container's page shows of its readings and of how often its content was distilled."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from inventory.models import Container
from inventory.rules.errors import Conflict
from inventory.rules.peroxide import METHODS
from inventory.selectors.timeline import Happening, Place
from inventory.services.facts import Gathered
from inventory.services.forecasting import outlook_in, point_of
from inventory.web.desk import Desk
from recovery.selectors.trace import times_distilled_in
from recovery.services.heel import is_former
from recovery.services.quality_fit import FitFor, fitness_of


@dataclass(frozen=True)
class Read:
    """One test that the growth rests on, as an interval in mg/L; no upper end: nobody can say."""

    on: date
    lower: Decimal
    upper: Decimal | None
    method: str


def past_of(desk: Desk, found: Gathered) -> dict[str, Any]:
    """Readings and forecast of the one gathered, if a peroxide former is in it, and its times distilled."""
    (held,) = found.containers
    return {**_growth(desk, found, held), "distilled": _distilled(held), "fit": _fit(desk, held)}


def _fit(desk: Desk, held: Container) -> FitFor | None:
    """For what it is fit, where it was distilled or poured together here; the rest is its maker's word."""
    if held.lot is None or held.volume_ul == 0 or not desk.caller.may("safety.read"):
        return None
    if held.lot.origin == held.lot.Origin.PURCHASED and not held.lot.times_distilled:
        return None
    return fitness_of(lab=desk.lab, container_ids=[held.pk], today=desk.today).get(held.pk)


def _growth(desk: Desk, found: Gathered, held: Container) -> dict[str, Any]:
    if held.lot is None or not is_former(held.lot.solvent) or not desk.caller.may("safety.read"):
        return {}
    outlook = outlook_in(found)
    points = [point_of(test) for test in outlook.tests]
    rows = [
        Read(
            point.day,
            point.lower_mg_per_l,
            point.upper_mg_per_l,
            METHODS[point.method].name if point.method in METHODS else point.method,
        )
        for point in reversed(points)
    ]
    return {"outlook": outlook, "readings": rows}


def _distilled(held: Container) -> list[tuple[int, int]]:
    """How often → µl of it; nothing where it was never distilled here."""
    if held.lot is None or held.lot.times_distilled == 0:
        return []
    try:
        return sorted(times_distilled_in(container=held).items())
    except Conflict:
        return []


def mark(row: Happening) -> str:
    """Where a row of the timeline stands, for an address: the rows after it come on the next page."""
    at, recorded_at, kind, pk = row.place
    return f"{at.isoformat()}~{recorded_at.isoformat()}~{kind}~{pk}"


def placed(text: str) -> Place | None:
    """The place that an address names; one that was tampered with starts anew."""
    at, _, rest = text.partition("~")
    recorded_at, _, rest = rest.partition("~")
    kind, _, pk = rest.partition("~")
    try:
        moments = datetime.fromisoformat(at), datetime.fromisoformat(recorded_at)
    except ValueError:
        return None
    if any(moment.tzinfo is None for moment in moments) or not re.fullmatch(r"\d{1,18}", pk, re.ASCII):
        return None
    return *moments, kind, int(pk)

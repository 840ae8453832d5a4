"""From what a person typed to whole microlitres at 20 °C, with the solvent's density and expansion."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from inventory.models import Container, Movement, PlaceKind, Solvent
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.volume import Entry, Liquid, Measured, measure, parse_entry

# A phone's clock may be a little ahead of the server's.
CLOCK_SLACK = timedelta(minutes=5)


def liquid_of(solvent: Solvent) -> Liquid:
    """What `rules.volume` needs to know of a solvent."""
    return Liquid(
        density_20c_kg_m3=solvent.density_20c_kg_m3,
        u_density_20c_kg_m3=solvent.u_density_kg_m3,
        expansion_20c_per_k=solvent.expansion_20c_per_k,
        u_expansion_per_k=solvent.u_expansion_per_k,
        expansion_slope_per_k2=solvent.expansion_slope_per_k2,
    )


def measured(raw: str | Mapping[str, Any] | Entry, solvent: Solvent, *, field: str = "volume") -> Measured:
    """Canonical volume of an amount of `solvent`, as typed, as a mapping, or already parsed.

    The result is for reading only: amounts in plain text are worked out once and shared.
    """
    liquid = liquid_of(solvent)
    if isinstance(raw, Entry):
        return measure(raw, liquid, field=field)
    if isinstance(raw, str):
        return _measured_text(raw, liquid, field)
    if isinstance(raw, Mapping) and all(type(part) is str for pair in raw.items() for part in pair):
        return _measured_text(tuple(raw.items()), liquid, field)
    return measure(parse_entry(raw, field=field), liquid, field=field)


@lru_cache(maxsize=2048)
def _measured_text(raw: str | tuple[tuple[str, str], ...], liquid: Liquid, field: str) -> Measured:
    """The same few amounts are drawn again and again; only text, so that 1 and true are never mixed up."""
    entry = parse_entry(raw if isinstance(raw, str) else dict(raw), field=field)
    return measure(entry, liquid, field=field)


def moment(
    now: datetime, happened_at: datetime | None, *containers: Container, field: str = "happened_at"
) -> datetime:
    """When it happened: now unless said otherwise, never in the future.

    containers: those that it happens to; nothing moves in or out of one before it was counted.
    """
    if happened_at is None:
        return now
    if happened_at.tzinfo is None:
        raise InputError(
            field,
            "no-time-zone",
            Phrase("The time lacks its zone."),
            Phrase("Write it as 2026-03-01T14:30:00Z."),
        )
    if happened_at > now + CLOCK_SLACK:
        raise InputError(
            field, "in-the-future", Phrase("That has not happened yet."), Phrase("Check the date and time.")
        )
    happened = min(happened_at, now)
    for container in containers:
        began_at = container.counting_began_at
        if happened < began_at - CLOCK_SLACK:
            raise _too_early(container, field)
        happened = min(max(happened, began_at), now)
    return happened


def _too_early(container: Container, field: str) -> InputError:
    began_at = container.counting_began_at.astimezone(ZoneInfo(container.lab.time_zone))
    bought = Movement.objects.filter(
        destination_id=container.place_id, kind="receive", source__kind=PlaceKind.SUPPLIER
    ).exists()
    parts = {"code": container.code, "at": began_at}
    code, words = (
        "before-counting",
        Phrase(
            "{code} has been counted since {at:%Y-%m-%d %H:%M}; before that nothing moved in or out of it.",
            **parts,
        ),
    )
    if bought:
        code, words = (
            "before-receipt",
            Phrase(
                "{code} was received on {at:%Y-%m-%d %H:%M}; before that nothing moved in or out of it.",
                **parts,
            ),
        )
    return InputError(
        field,
        code,
        words,
        Phrase("Check the date and time."),
    )

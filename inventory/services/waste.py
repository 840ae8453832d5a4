"""Waste containers: made, changed and collected; how they are filled stands in `waste_filling`.

What a waste container holds is what its movements add up to, of any number of lots. `on_posted` keeps that
sum in the transaction of each booking; its row is locked after containers and before flow cells, so that
nobody waits in a ring.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F, Q, Sum

from inventory.models import (
    Container,
    Lab,
    Location,
    Movement,
    Place,
    PlaceKind,
    User,
    WasteContainer,
)
from inventory.rules.codes import make_code
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.waste import collect_by
from inventory.selectors import storage as look
from inventory.services import ledger
from inventory.services.containers import code_is, day_in_lab
from inventory.services.events import record
from inventory.services.ledger import End, Line, Posted
from inventory.services.loosening import require_signature
from inventory.services.measuring import CLOCK_SLACK, moment
from inventory.services.places import boundary, lock_wastes
from inventory.services.storage import (
    NO_OVERRIDE,
    Override,
    StorageWarning,
    check,
    litres,
    waste_arrival,
)

CODE_PREFIX = "W"
DAYS_MAX = 3650
# No rule was told, so the shortest that a whole lab may be under.
DAYS_DEFAULT = 90
DAYS_DEFAULT_SOURCE = Phrase("Not told: the shortest shipped keeping time of a whole lab is assumed")
#: as containers say it that were recorded before
_EARLIER = ("Not told: the shortest of the shipped keeping times is assumed",)


def days_source_words(text: str) -> str:
    """Where the days of a waste container are from, as kept; our own words as a phrase."""
    return DAYS_DEFAULT_SOURCE if text in (DAYS_DEFAULT_SOURCE, *_EARLIER) else text


@dataclass(frozen=True, kw_only=True)
class WasteFacts:
    """What is known of a waste container. started_on None: nothing is in it yet."""

    stream: str
    capacity_ul: int
    code: str = ""
    location: Location | None = None
    full_percent: int = 80
    started_on: date | None = None
    days_max: int = DAYS_DEFAULT
    days_source: str = DAYS_DEFAULT_SOURCE
    note: str = ""


def waste_end(waste: WasteContainer) -> End:
    return End(waste.place_id, PlaceKind.WASTE_CONTAINER.value)


def waste_add(*, lab: Lab, actor: User, now: datetime, facts: WasteFacts) -> WasteContainer:
    """Make an empty waste container. Raises InputError naming the field, Conflict when its code is taken."""
    today = day_in_lab(lab, now)
    _check_facts(facts.stream, facts.full_percent, facts.days_max, facts.started_on, today)
    if facts.capacity_ul <= 0:
        raise InputError("capacity", "not-positive", Phrase("The container needs a size above zero."))
    started_on = facts.started_on or today
    try:
        with transaction.atomic():
            place = Place.objects.create(lab=lab, kind=PlaceKind.WASTE_CONTAINER)
            made = WasteContainer.objects.create(
                lab=lab,
                place=place,
                code=_free_code(lab, facts.code, place.pk),
                stream=facts.stream.strip(),
                location=facts.location,
                capacity_ul=facts.capacity_ul,
                full_percent=facts.full_percent,
                started_on=started_on,
                days_max=facts.days_max,
                days_source=facts.days_source,
                collect_by=collect_by(started_on, facts.days_max),
                note=facts.note,
                created_at=now,
            )
            data = {"code": made.code, "stream": made.stream}
            record(lab=lab, actor=actor, now=now, verb="waste-container-added", subject=made, data=data)
    except IntegrityError as error:
        if WasteContainer.objects.filter(code_is(facts.code.strip()), lab=lab).exists():
            raise _code_taken(facts.code.strip()) from error
        raise
    return made


def _free_code(lab: Lab, wanted: str, place_id: int) -> str:
    """The code told, or one of our own. A bottle never has the same: both are read off labels."""
    code = wanted.strip() or make_code(place_id, CODE_PREFIX)
    if len(code) > 24:
        raise InputError(
            "code", "too-long", Phrase("A code has at most 24 characters."), Phrase("Shorten it.")
        )
    for kind in (WasteContainer, Container):
        if kind.objects.filter(code_is(code), lab=lab).exists():
            raise _code_taken(code)
    return code


def _code_taken(code: str) -> Conflict:
    return Conflict(
        "code", "code-taken", Phrase("{code} stands here already.", code=code), Phrase("Choose another code.")
    )


def _check_facts(stream: str, full_percent: int, days_max: int, started_on: date | None, today: date) -> None:
    if not stream.strip() or len(stream) > 120:
        raise InputError(
            "stream",
            "missing",
            Phrase("A waste container needs a stream of at most 120 characters."),
            Phrase("Say what belongs in it."),
        )
    if not 1 <= full_percent <= 100:
        raise InputError(
            "full_percent", "out-of-range", Phrase("Nearly full is 1 to 100 percent."), Phrase("Check it.")
        )
    if not 1 <= days_max <= DAYS_MAX:
        raise InputError(
            "days_max",
            "out-of-range",
            Phrase("Waste is kept 1 to {days_max} days.", days_max=DAYS_MAX),
            Phrase("Check it."),
        )
    if started_on is not None and started_on > today:
        raise InputError(
            "started_on",
            "in-the-future",
            Phrase("{started_on} has not come yet.", started_on=started_on),
            Phrase("Check the date."),
        )


def waste_edit(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    waste: WasteContainer,
    changes: Mapping[str, Any],
    reason: str = "",
    override: Override = NO_OVERRIDE,
) -> tuple[WasteContainer, tuple[StorageWarning, ...]]:
    """Change what is given of stream, location, full_percent, started_on, days_max, days_source and note.

    Whatever lets it stay longer, or be fuller before anybody is told, needs a signature. Raises InputError,
    Conflict, Denied.
    """
    with transaction.atomic():
        held = open_waste(waste)
        names = ("stream", "location_id", "full_percent", "started_on", "days_max", "days_source", "note")
        before = {name: getattr(held, name) for name in names}
        last_day = held.collect_by
        for name, value in changes.items():
            setattr(held, name, value)
        _check_facts(held.stream, held.full_percent, held.days_max, held.started_on, day_in_lab(lab, now))
        held.collect_by = collect_by(held.started_on, held.days_max)
        if held.collect_by > last_day or held.full_percent > before["full_percent"]:
            require_signature(
                may_loosen=override.allowed, reason=reason, what=Phrase("Keeping waste longer, or fuller,")
            )
        after = {name: getattr(held, name) for name in names}
        if after == before:
            return held, ()
        held.version += 1
        held.save()
        data = {"before": _plain(before), "after": _plain(after), "reason": reason.strip()}
        by: Any = {"lab": lab, "actor": actor, "now": now, "subject": held}
        record(**by, verb="waste-container-changed", data=data)
        warnings: tuple[StorageWarning, ...] = ()
        if after["location_id"] != before["location_id"]:
            arrival = waste_arrival(held, held.location_id)
            was_in = look.above(before["location_id"])
            warnings = check(**by, arrivals=[arrival], before=was_in, override=override)
    return held, warnings


def _plain(facts: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value.isoformat() if isinstance(value, date) else value for name, value in facts.items()}


def open_waste(waste: WasteContainer) -> WasteContainer:
    """The row, locked. Raises Conflict when it has been collected."""
    lock_wastes([waste.place_id])
    held = WasteContainer.objects.select_related("lab").get(pk=waste.pk)
    if held.collected_at is not None:
        raise Conflict(
            "waste",
            "collected",
            Phrase("{code} has been collected.", code=held.code),
            Phrase("Use another one."),
        )
    return held


def contents(waste: WasteContainer) -> dict[tuple[int, int], int]:
    """(solvent, lot) → what is in it in µl, by the movements."""
    moved = Movement.objects.filter(Q(source_id=waste.place_id) | Q(destination_id=waste.place_id))
    found: dict[tuple[int, int], int] = defaultdict(int)
    rows = moved.order_by().values_list("solvent_id", "lot_id", "destination_id").annotate(Sum("volume_ul"))
    for solvent_id, lot_id, destination_id, total_ul in rows:
        found[(solvent_id, lot_id)] += total_ul if destination_id == waste.place_id else -total_ul
    return {key: total_ul for key, total_ul in sorted(found.items()) if total_ul}


def collect(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    waste: WasteContainer,
    happened_at: datetime | None = None,
    note: str = "",
) -> tuple[WasteContainer, Posted | None]:
    """The contractor takes it with all that is in it. Raises Conflict when that has happened already."""
    happened = moment(now, happened_at)
    with transaction.atomic():
        held = open_waste(waste)
        used = Movement.objects.filter(Q(source_id=held.place_id) | Q(destination_id=held.place_id))
        if used.filter(happened_at__gt=happened + CLOCK_SLACK, reversed_by=None, reversal_of=None).exists():
            raise Conflict(
                "happened_at",
                "used-since",
                Phrase("{code} was used after that.", code=held.code),
                Phrase("Check the date and time."),
            )
        end = boundary(lab, PlaceKind.WASTE)
        lines = [
            # u_volume_ul stays 0: nothing was measured, the recorded balance leaves exactly.
            Line("collect", lot_id, solvent_id, waste_end(held), end, volume_ul, note=note)
            for (solvent_id, lot_id), volume_ul in contents(held).items()
        ]
        posted = None
        if lines:
            posted = ledger.post(lab=lab, actor=actor, now=now, happened_at=happened, lines=lines, holds={})
        WasteContainer.objects.filter(pk=held.pk).update(collected_at=happened, version=F("version") + 1)
        data = {"code": held.code, "volume_ul": held.volume_ul, "note": note}
        record(lab=lab, actor=actor, now=now, verb="waste-collected", subject=held, data=data)
    held.refresh_from_db()
    return held, posted


def on_posted(*, lab: Lab, lines: Iterable[Line], **_: Any) -> None:
    """Receiver of `ledger.posted`: the volumes of waste containers follow what was booked.

    Raises Conflict when one would hold more than its size or less than nothing, or has been collected. A
    collection that is reversed brings it back.
    """
    change: dict[int, int] = defaultdict(int)
    reversal = False
    for line in lines:
        reversal = reversal or line.reversal_of_id is not None
        if line.source.kind == PlaceKind.WASTE_CONTAINER:
            change[line.source.place_id] -= line.volume_ul
        if line.destination.kind == PlaceKind.WASTE_CONTAINER:
            change[line.destination.place_id] += line.volume_ul
    for place_id in sorted(change):
        _change(lab, place_id, change[place_id], reversal=reversal)


def _change(lab: Lab, place_id: int, delta_ul: int, *, reversal: bool) -> None:
    here = WasteContainer.objects.filter(lab=lab, place_id=place_id)
    fits = here.filter(volume_ul__gte=-delta_ul, volume_ul__lte=F("capacity_ul") - delta_ul)
    values: dict[str, Any] = {"volume_ul": F("volume_ul") + delta_ul, "version": F("version") + 1}
    if reversal and delta_ul > 0:
        changed = fits.update(**values, collected_at=None)
    else:
        changed = fits.filter(collected_at=None).update(**values)
    if changed != 1:
        raise _refusal(here.get(), delta_ul)


def _refusal(held: WasteContainer, delta_ul: int) -> Conflict:
    if held.collected_at is not None:
        return Conflict(
            "waste",
            "collected",
            Phrase("{code} has been collected.", code=held.code),
            Phrase("Use another one."),
        )
    if delta_ul < 0:
        return Conflict(
            "entry", "moved-on", Phrase("Part of what is in {code} has moved since.", code=held.code)
        )
    room = litres(held.capacity_ul - held.volume_ul)
    return Conflict(
        "volume",
        "over-capacity",
        Phrase("{code} has room for {room} more.", code=held.code, room=room),
        Phrase("Use another waste container."),
    )


def waste_named(*, lab: Lab, ref: str, field: str = "waste") -> WasteContainer:
    """A waste container by its code, in any capitals. Raises InputError."""
    code = ref.strip()
    found = WasteContainer.objects.select_related("lab").filter(lab=lab)
    one = found.filter(code=code).first() or found.filter(code_is(code)).first()
    if one is None:
        raise InputError(field, "unknown-waste-container", Phrase("This lab has no such waste container."))
    return one

"""Stills, condensers, evaporators: what they are, what was done to them, what stays in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F, Value
from django.db.models.functions import Lower
from django.db.models.lookups import Exact

from inventory.models import Lab, Location, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import parse_quantity
from inventory.services.events import record
from inventory.services.measuring import moment
from recovery.models import Apparatus, ApparatusRecord
from recovery.services.run_hooks import recorded

KINDS = tuple(Apparatus.Kind.values)
RECORDS = tuple(ApparatusRecord.What.values)
# What begins a new baseline of losses.
NEW_BASELINE = (ApparatusRecord.What.REPAIRED.value, ApparatusRecord.What.CHANGED.value)
HOLD_UP_MAX_UL = 100_000_000
NAMES = ("name", "kind", "location", "hold_up_ul", "note")
IN_A_RUN_MAX = 10


def apparatus_add(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    name: str,
    kind: str,
    location: Location | None = None,
    hold_up_ul: int | None = None,
    note: str = "",
) -> Apparatus:
    """An apparatus of the lab. hold_up_ul: what stays on its walls and in its joints, None: not known.

    Raises InputError naming the field, Conflict for a name that is taken.
    """
    row = Apparatus(lab=lab, name=_name(name), kind=kind, location=location, hold_up_ul=hold_up_ul)
    row.note, row.actor, row.created_at = note, actor, now
    _check(row)
    with transaction.atomic():
        # Two people who add the same name at once: the second waits here, and then sees the first.
        Lab.objects.select_for_update(of=("self",), no_key=True).get(pk=lab.pk)
        _check_name(row)
        row.save()
        record(lab=lab, actor=actor, now=now, verb="apparatus-added", subject=row, data=_plain(row))
    return row


def apparatus_change(
    *, lab: Lab, actor: User, now: datetime, apparatus: Apparatus, changes: Mapping[str, Any]
) -> Apparatus:
    """Change what is given of `NAMES`; both states are kept in an event. Raises InputError, Conflict."""
    with transaction.atomic():
        Lab.objects.select_for_update(of=("self",), no_key=True).get(pk=lab.pk)
        held = _locked(apparatus)
        before = _plain(held)
        for field in NAMES:
            if field in changes:
                setattr(held, field, _name(changes[field]) if field == "name" else changes[field])
        _check(held)
        _check_name(held)
        after = _plain(held)
        if after != before:
            held.version += 1
            held.save()
            said = {"before": before, "after": after}
            record(lab=lab, actor=actor, now=now, verb="apparatus-changed", subject=held, data=said)
    return held


def apparatus_end(
    *, lab: Lab, actor: User, now: datetime, apparatus: Apparatus, reason: str = ""
) -> Apparatus:
    """No run is done in it any more; what was done in it stays."""
    with transaction.atomic():
        held = _locked(apparatus)
        held.ended_at, held.version = now, held.version + 1
        held.save(update_fields=["ended_at", "version"])
        said = {"reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="apparatus-ended", subject=held, data=said)
    return held


def record_add(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    apparatus: Apparatus,
    what: str,
    happened_at: datetime | None = None,
    note: str = "",
) -> ApparatusRecord:
    """Note what was done to an apparatus, or found of it. Raises InputError."""
    if what not in RECORDS:
        raise InputError(
            "what",
            "unknown-record",
            Phrase("“{what}” is not known.", what=what),
            Phrase("Use {known}.", known=", ".join(RECORDS)),
        )
    if what == ApparatusRecord.What.OTHER and not note.strip():
        raise InputError(
            "note", "missing", Phrase("What was done is not said."), Phrase("Say it in the note.")
        )
    happened = moment(now, happened_at)
    with transaction.atomic():
        row = ApparatusRecord.objects.create(
            lab=lab,
            apparatus=_locked(apparatus, ended_too=True),
            what=what,
            happened_at=happened,
            note=note.strip(),
            actor=actor,
            recorded_at=now,
        )
        said = {"record": row.pk, "what": what}
        record(lab=lab, actor=actor, now=now, verb="apparatus-recorded", subject=apparatus, data=said)
        recorded.send(sender=record_add, lab=lab, apparatus=apparatus, now=now)
    return row


def record_withdraw(
    *, lab: Lab, actor: User, now: datetime, row: ApparatusRecord, reason: str
) -> ApparatusRecord:
    """Take a record back by a newer one that names it. Raises InputError, Conflict when that was done."""
    if not reason.strip():
        raise InputError(
            "reason", "missing", Phrase("Taking a record back needs a reason."), Phrase("Say what was wrong.")
        )
    with transaction.atomic():
        _locked(row.apparatus, ended_too=True)
        if row.withdraws_id is not None:
            raise Conflict(
                "record",
                "is-a-withdrawal",
                Phrase("A withdrawal is not withdrawn."),
                Phrase("Record it anew."),
            )
        if ApparatusRecord.objects.filter(withdraws=row).exists():
            raise Conflict("record", "withdrawn-before", Phrase("This record was taken back already."))
        made = ApparatusRecord.objects.create(
            lab=lab,
            apparatus_id=row.apparatus_id,
            what=row.what,
            happened_at=row.happened_at,
            note=reason.strip(),
            withdraws=row,
            actor=actor,
            recorded_at=now,
        )
        said = {"record": row.pk, "what": row.what, "reason": reason.strip()}
        verb = "apparatus-record-withdrawn"
        record(lab=lab, actor=actor, now=now, verb=verb, subject=row.apparatus, data=said)
        recorded.send(sender=record_withdraw, lab=lab, apparatus=row.apparatus, now=now)
    return made


def apparatus_named(*, lab: Lab, refs: Sequence[str], field: str = "apparatus") -> list[Apparatus]:
    """Those in use with these ids or names, each once. Raises InputError naming `field.N`."""
    if len(refs) > IN_A_RUN_MAX:
        raise InputError(
            field,
            "too-many",
            Phrase("A run is done in at most {in_a_run_max}.", in_a_run_max=IN_A_RUN_MAX),
            Phrase("Name fewer."),
        )
    rows = list(Apparatus.objects.filter(lab=lab, ended_at=None))
    known = {row.name.casefold(): row for row in rows} | {str(row.pk): row for row in rows}
    found: dict[int, Apparatus] = {}
    for number, ref in enumerate(refs):
        one = known.get(ref) or known.get(" ".join(ref.split()).casefold())
        if one is None:
            raise InputError(
                f"{field}.{number}",
                "unknown-apparatus",
                Phrase("This lab has no apparatus “{ref}” in use.", ref=ref[:40]),
                Phrase("Send its id or its name; make it under apparatus/ first."),
            )
        found[one.pk] = one
    return list(found.values())


def hold_up_read(raw: str | Mapping[str, Any] | None) -> int | None:
    """A hold-up as told, in whole microlitres; None: not known. Raises InputError naming `hold_up`."""
    if raw is None:
        return None
    return int(parse_quantity(raw, field="hold_up", dimension="volume").to("uL").to_integral_value())


def _locked(apparatus: Apparatus, *, ended_too: bool = False) -> Apparatus:
    held = Apparatus.objects.select_for_update(of=("self",)).get(pk=apparatus.pk)
    if held.ended_at is not None and not ended_too:
        raise Conflict(
            "apparatus",
            "apparatus-ended",
            Phrase("{name} is used no longer.", name=held.name),
            Phrase("Add another one."),
        )
    return held


def _name(name: str) -> str:
    shown = " ".join(name.split())
    if not shown or len(shown) > 120:
        raise InputError("name", "bad-name", Phrase("An apparatus needs a name of at most 120 characters."))
    if shown.isascii() and shown.isdigit():
        raise InputError(
            "name", "bad-name", Phrase("A name of digits only is taken for an id."), Phrase("Add a word.")
        )
    return shown


def _check_name(row: Apparatus) -> None:
    """Ended ones keep their names, so that an old run never reads as done in a new still."""
    same = Apparatus.objects.filter(Exact(Lower(F("name")), Lower(Value(row.name))), lab=row.lab)
    if same.exclude(pk=row.pk).exists():
        raise Conflict(
            "name",
            "name-taken",
            Phrase("There is an apparatus “{name}”.", name=row.name),
            Phrase("Choose another name."),
        )


def _check(row: Apparatus) -> None:
    if row.kind not in KINDS:
        raise InputError(
            "kind",
            "unknown-kind",
            Phrase("“{kind}” is not known.", kind=row.kind),
            Phrase("Use {known}.", known=", ".join(KINDS)),
        )
    if row.hold_up_ul is not None and not 0 <= row.hold_up_ul <= HOLD_UP_MAX_UL:
        raise InputError(
            "hold_up",
            "out-of-range",
            Phrase("That is no hold-up."),
            Phrase("Give 0 to 100 L, or leave it out."),
        )


def _plain(row: Apparatus) -> dict[str, Any]:
    return {
        "name": row.name,
        "kind": row.kind,
        "location": row.location_id,
        "hold_up_ul": row.hold_up_ul,
        "note": row.note,
    }

"""Kinds of run and fields of a lab's own, beside the shipped ones: added, changed, ended, never deleted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from inventory.models import Lab, User
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from recovery.models import RunField, RunKind
from recovery.rules.kinds_file import check_asked
from recovery.rules.run_kinds import AskedFor, FieldData, KindData, check_field, check_key
from recovery.selectors.kinds import fields_by_key, fields_of, kinds_of
from recovery.services.shipped import field_columns, kind_columns

NOT_DISTILLING = Phrase(
    "A kind of run that is taken as not distilling unless somebody says so passes no gate."
)


def field_data(row: RunField) -> FieldData:
    """A row as the rules read it."""
    return FieldData(
        key=row.key,
        name=row.name,
        quantity=row.quantity,
        unit=row.unit,
        lowest=row.lowest,
        highest=row.highest,
        choices=tuple((key, name) for key, name in row.choices),
        help=row.help_text,
        source=row.source,
    )


def asked_for(row: RunKind) -> tuple[AskedFor, ...]:
    """What a kind asks for, in order."""
    return tuple(AskedFor(one["field"], one["default"], one["required"]) for one in row.fields)


def kind_named(*, lab: Lab, ref: str, field: str = "kind") -> RunKind:
    """The kind in use with that id or key. Raises InputError naming `field`."""
    match = Q(pk=int(ref)) if ref.isascii() and ref.isdigit() and len(ref) < 19 else Q(key=ref)
    found = kinds_of(lab).filter(match, ended_at=None).first()
    if found is None:
        known = ", ".join(kinds_of(lab).filter(ended_at=None).values_list("key", flat=True)[:20])
        raise InputError(
            field,
            "unknown-kind",
            Phrase("“{ref}” is no kind of run here.", ref=ref[:40]),
            Phrase("Use {known}.", known=known),
        )
    return found


# -- fields


def field_add(*, lab: Lab, actor: User, now: datetime, data: FieldData) -> RunField:
    """A fact of the lab's own. Raises InputError naming what is at fault, Conflict for a taken key."""
    check_field(data)
    if not data.source.strip():
        data = replace(data, source=f"{lab.name}")
    with transaction.atomic():
        _check_free(fields_of(lab).filter(key=data.key), data.key)
        row = RunField.objects.create(lab=lab, key=data.key, **field_columns(data))
        record(lab=lab, actor=actor, now=now, verb="run-field-added", subject=row, data=_plain_field(row))
    return row


def field_change(
    *, lab: Lab, actor: User, now: datetime, field: RunField, changes: Mapping[str, Any]
) -> RunField:
    """Change name, bounds, choices, help or source of the lab's own field.

    What was told before stays as it was told. Quantity and unit stay, or old numbers would mean something
    else. Raises InputError, Conflict.
    """
    with transaction.atomic():
        held = _own_field(lab, field)
        before = _plain_field(held)
        names = {"help": "help_text"}
        for name, value in changes.items():
            setattr(held, names.get(name, name), value)
        data = check_field(field_data(held))
        held.choices = [list(pair) for pair in data.choices]
        after = _plain_field(held)
        if after != before:
            held.version += 1
            held.save()
            said = {"before": before, "after": after}
            record(lab=lab, actor=actor, now=now, verb="run-field-changed", subject=held, data=said)
    return held


def field_end(*, lab: Lab, actor: User, now: datetime, field: RunField) -> RunField:
    """The field is asked for no longer. Raises Conflict while one of the lab's kinds asks for it."""
    with transaction.atomic():
        held = _own_field(lab, field)
        asking = [row.name for row in kinds_of(lab).filter(lab=lab, ended_at=None) if _asks(row, held.key)]
        if asking:
            raise Conflict(
                "field",
                "asked-for",
                Phrase("“{name}” is asked for by {known}.", name=held.name, known=", ".join(asking)),
                Phrase("Take it out of those kinds first."),
            )
        held.ended_at, held.version = now, held.version + 1
        held.save(update_fields=["ended_at", "version"])
        record(lab=lab, actor=actor, now=now, verb="run-field-ended", subject=held, data={"key": held.key})
    return held


def _asks(row: RunKind, key: str) -> bool:
    return any(one["field"] == key for one in row.fields)


def _own_field(lab: Lab, field: RunField) -> RunField:
    held = RunField.objects.select_for_update(of=("self",)).get(pk=field.pk)
    _check_own(lab, held, "field")
    return held


def _plain_field(row: RunField) -> dict[str, Any]:
    columns = field_columns(field_data(row))
    return {"key": row.key} | {
        name: str(value) if name in ("lowest", "highest") and value is not None else value
        for name, value in columns.items()
    }


# -- kinds


def kind_add(
    *, lab: Lab, actor: User, now: datetime, data: KindData, reason: str = "", may_loosen: bool = False
) -> RunKind:
    """A kind of the lab's own.

    One that does not distil unless somebody says so takes the gate before a still away from all runs of it:
    a supervisor signs. Raises InputError, Conflict for a key that is taken, Denied.
    """
    _check_kind(lab, data)
    if not data.distils:
        _sign(may_loosen, reason)
    with transaction.atomic():
        _check_free(kinds_of(lab).filter(key=data.key), data.key)
        row = RunKind.objects.create(lab=lab, key=data.key, **kind_columns(data))
        said = _plain_kind(row) | ({} if data.distils else {"reason": reason.strip()})
        record(lab=lab, actor=actor, now=now, verb="run-kind-added", subject=row, data=said)
    return row


def copy_of(row: RunKind, key: str, name: str) -> KindData:
    """A kind as the beginning of another one."""
    return KindData(
        check_key(key),
        name or row.name,
        row.distils,
        asked_for(row),
        row.help_text,
        f"begun as a copy of “{row.key}”",
    )


def kind_change(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    kind: RunKind,
    changes: Mapping[str, Any],
    reason: str = "",
    may_loosen: bool = False,
) -> RunKind:
    """Change name, fields, distils, help or source of the lab's own kind.

    Runs that were started stay as they are. Raises InputError, Conflict, Denied as `kind_add` does.
    """
    with transaction.atomic():
        held = _own_kind(lab, kind)
        before = _plain_kind(held)
        was = KindData(held.key, held.name, held.distils, asked_for(held), held.help_text, held.source)
        data = replace(was, **changes)
        _check_kind(lab, data)
        if was.distils and not data.distils:
            _sign(may_loosen, reason)
        for name, value in kind_columns(data).items():
            setattr(held, name, value)
        after = _plain_kind(held)
        if after != before:
            held.version += 1
            held.save()
            said = {"before": before, "after": after, "reason": reason.strip()}
            record(lab=lab, actor=actor, now=now, verb="run-kind-changed", subject=held, data=said)
    return held


def kind_end(*, lab: Lab, actor: User, now: datetime, kind: RunKind) -> RunKind:
    """No run is started as one of this kind any more."""
    with transaction.atomic():
        held = _own_kind(lab, kind)
        held.ended_at, held.version = now, held.version + 1
        held.save(update_fields=["ended_at", "version"])
        record(lab=lab, actor=actor, now=now, verb="run-kind-ended", subject=held, data={"key": held.key})
    return held


def _check_kind(lab: Lab, data: KindData) -> None:
    check_key(data.key)
    if not data.name.strip():
        raise InputError(
            "name", "missing", Phrase("A kind of run needs a name."), Phrase("Say what is done.")
        )
    check_asked(data.fields, {key: field_data(row) for key, row in fields_by_key(lab).items()})


def _sign(may_loosen: bool, reason: str) -> None:
    if not may_loosen:
        raise Denied(
            "distils",
            "loosening-not-signed",
            NOT_DISTILLING,
            Phrase("Ask a supervisor to sign in and do it with a reason, or let it distil."),
        )
    checked_reason(reason, what=NOT_DISTILLING)


def _own_kind(lab: Lab, kind: RunKind) -> RunKind:
    held = RunKind.objects.select_for_update(of=("self",)).get(pk=kind.pk)
    _check_own(lab, held, "kind")
    return held


def _check_own(lab: Lab, held: RunField | RunKind, what: str) -> None:
    """Raises Conflict for what is shipped and what has ended. what: `field` or `kind`."""
    if held.lab_id != lab.pk:
        raise Conflict(
            "",
            "is-shipped",
            Phrase("“{name}” comes with the program.", name=held.name),
            Phrase("Make a copy and change that."),
        )
    if held.ended_at is not None:
        raise Conflict(
            what,
            f"{what}-ended",
            Phrase("“{name}” is used no longer.", name=held.name),
            Phrase("Add another one."),
        )


def _check_free(taken: QuerySet[Any], key: str) -> None:
    if taken.exists():
        raise Conflict(
            "key", "key-taken", Phrase("“{key}” is there already.", key=key), Phrase("Choose another key.")
        )


def _plain_kind(row: RunKind) -> dict[str, Any]:
    names: Sequence[str] = ("key", "name", "distils", "fields", "help_text", "source")
    return {name: getattr(row, name) for name in names}

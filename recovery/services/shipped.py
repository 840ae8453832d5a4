"""The kinds of run and their fields that come with the package, put into the database after every migrate."""

from __future__ import annotations

from typing import Any

from django.db import transaction

from recovery.models import RunField, RunKind
from recovery.rules.kinds_file import load_fields, load_kinds
from recovery.rules.run_kinds import FieldData, KindData


def load(*, using: str = "default") -> None:
    """Write the shipped rows, new ones and changed ones; a lab's own rows are never touched."""
    fields, kinds = RunField.objects.using(using), RunKind.objects.using(using)
    with transaction.atomic(using=using):
        _sync(fields.filter(lab=None), {key: field_columns(data) for key, data in load_fields().items()})
        _sync(kinds.filter(lab=None), {key: kind_columns(data) for key, data in load_kinds().items()})


def _sync(rows: Any, wanted: dict[str, dict[str, Any]]) -> None:
    """Few statements where nothing has changed, since every start-up comes through here."""
    known = {row.key: row for row in rows}
    new = [rows.model(key=key, **columns) for key, columns in wanted.items() if key not in known]
    rows.bulk_create(new)
    for key, row in known.items():
        columns = wanted.get(key, {})
        changed = {name: value for name, value in columns.items() if getattr(row, name) != value}
        if changed:
            rows.filter(pk=row.pk).update(**changed, version=row.version + 1)


def field_columns(data: FieldData) -> dict[str, Any]:
    """Columns of `RunField`, but for key and lab."""
    return {
        "name": data.name,
        "quantity": data.quantity,
        "unit": data.unit,
        "lowest": data.lowest,
        "highest": data.highest,
        "choices": [list(pair) for pair in data.choices],
        "help_text": data.help,
        "source": data.source,
    }


def kind_columns(data: KindData) -> dict[str, Any]:
    """Columns of `RunKind`, but for key and lab."""
    return {
        "name": data.name,
        "distils": data.distils,
        "fields": [asked.plain() for asked in data.fields],
        "help_text": data.help,
        "source": data.source,
    }

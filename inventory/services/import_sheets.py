"""A sheet that is being brought in, kept between the steps: sent once, looked at, read otherwise, entered.

What the browser sends afterwards are only choices; the file itself never comes back from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction

from inventory.models import ImportSheet, Lab, User
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.fields import FIELDS, Target
from inventory.rules.sheets.mapping import from_dict
from inventory.rules.sheets.reading import read_table

# By the pages; a longer list goes in by the command or the API, where nobody waits for a page.
BYTES_MAX = 4_000_000
KEPT_FOR = timedelta(days=7)
# Of one person in one lab; the oldest gives way.
SHEETS_MAX = 10


def sheet_keep(
    *, lab: Lab, actor: User, now: datetime, target: str, data: bytes, filename: str = ""
) -> ImportSheet:
    """Keep a sheet for `KEPT_FOR`; the same one sent twice is kept once.

    Raises InputError naming target or file when it is no table.
    """
    if target not in FIELDS:
        raise InputError(
            "target",
            "unknown-choice",
            Phrase("“{target}” is no kind of list.", target=target),
            Phrase("Use stock or runs."),
        )
    if len(data) > BYTES_MAX:
        detail = Phrase(
            "The file has {count} bytes; a page takes at most {bytes_max}.",
            count=len(data),
            bytes_max=BYTES_MAX,
        )
        raise InputError("file", "file-too-large", detail, Phrase("Split it, or send it through the API."))
    if not read_table(data).rows:
        raise InputError(
            "file",
            "file-empty",
            Phrase("The file has a first line and no row."),
            Phrase("Check that it was saved."),
        )
    with transaction.atomic():
        own = ImportSheet.objects.filter(lab=lab, actor=actor).order_by("-pk")
        same = own.filter(target=target, filename=filename[:200], data=data, expires_at__gt=now).first()
        if same is not None:
            return same
        kept = ImportSheet.objects.create(
            lab=lab,
            actor=actor,
            target=target,
            filename=filename[:200],
            data=data,
            created_at=now,
            expires_at=now + KEPT_FOR,
        )
        surplus = list(own.values_list("pk", flat=True)[SHEETS_MAX:])
        ImportSheet.objects.filter(pk__in=surplus).delete()
    return kept


def sheet_read_as(*, sheet: ImportSheet, choices: Mapping[str, Any]) -> ImportSheet:
    """Keep how a person wants a sheet to be read, as `options` takes it. Raises InputError."""
    _checked(choices)
    sheet.choices = dict(choices)
    sheet.save(update_fields=["choices"])
    return sheet


def _checked(choices: Mapping[str, Any]) -> None:
    if choices.get("mapping") is not None:
        from_dict(choices["mapping"])
    if choices.get("counted_on"):
        date.fromisoformat(choices["counted_on"])


def options(sheet: ImportSheet) -> dict[str, Any]:
    """What the importing services take beside who and when."""
    chosen = sheet.choices
    found: dict[str, Any] = {
        "data": bytes(sheet.data),
        "filename": sheet.filename,
        "mapping": chosen.get("mapping"),
        "all_or_none": bool(chosen.get("all_or_none")),
    }
    if target_of(sheet) == "stock" and chosen.get("counted_on"):
        found["counted_on"] = date.fromisoformat(chosen["counted_on"])
    return found


def target_of(sheet: ImportSheet) -> Target:
    return "runs" if sheet.target == "runs" else "stock"


def prune(*, now: datetime) -> int:
    """Forget sheets whose time is over. Returns how many."""
    return ImportSheet.objects.filter(expires_at__lte=now).delete()[0]

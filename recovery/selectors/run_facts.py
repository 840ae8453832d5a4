"""What is known of runs beside their volumes: facts as they stand, and what they were done in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import Max, QuerySet

from inventory.models import Lab
from recovery.models import RunApparatus, RunFact, RunField, RunKind
from recovery.selectors.kinds import fields_of


@dataclass(frozen=True, slots=True)
class FactNow:
    """The newest word on a field. number, u_number: in `unit`, None where the fact is no number."""

    id: int
    key: str
    name: str
    quantity: str
    unit: str
    as_entered: dict[str, Any]
    number: Decimal | None
    u_number: Decimal | None
    recorded_at: datetime
    actor: str


@dataclass(frozen=True, slots=True)
class Asked:
    """A field that the kind of a run asks for. default: as entered, taken where nothing is told."""

    key: str
    name: str
    default: Any
    required: bool
    told: bool


def newest(rows: QuerySet[RunFact]) -> QuerySet[RunFact]:
    """Of each field of each run the newest row, taken back or not."""
    last = rows.order_by().values("run_id", "field_id").annotate(last=Max("id")).values("last")
    return RunFact.objects.filter(pk__in=last)


def facts_now(run_ids: Iterable[int]) -> dict[int, dict[str, FactNow]]:
    """Run id → key of a field → what is known of it, in one statement however many runs."""
    columns = (
        "run_id", "id", "field__key", "field__name", "field__quantity", "field__unit", "as_entered", "number",
        "u_number", "recorded_at", "actor__username",
    )  # fmt: skip
    rows = RunFact.objects.filter(run_id__in=list(run_ids)).order_by("run_id", "id").values_list(*columns)
    found: dict[int, dict[str, FactNow]] = defaultdict(dict)
    for run_id, *rest in rows:
        fact = FactNow(*rest)
        found[run_id].pop(fact.key, None)
        if fact.as_entered:
            found[run_id][fact.key] = fact
    return found


def apparatus_of(run_ids: Iterable[int]) -> dict[int, list[tuple[int, str, str]]]:
    """Run id → (id, name, kind) of what it was done in, in one statement."""
    found: dict[int, list[tuple[int, str, str]]] = defaultdict(list)
    rows = RunApparatus.objects.filter(run_id__in=list(run_ids)).order_by("run_id", "apparatus_id")
    columns = ("run_id", "apparatus_id", "apparatus__name", "apparatus__kind")
    for run_id, *one in rows.values_list(*columns):
        found[run_id].append((one[0], one[1], one[2]))
    return found


def asked(lab: Lab, kind: RunKind | None, told: Iterable[str]) -> list[Asked]:
    """What the kind of a run asks for, in its order, and whether it was told."""
    if kind is None:
        return []
    names: dict[str, RunField] = {row.key: row for row in fields_of(lab)}
    known = set(told)
    return [
        Asked(one["field"], names[one["field"]].name, one["default"], one["required"], one["field"] in known)
        for one in kind.fields
        if one["field"] in names
    ]

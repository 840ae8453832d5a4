"""What charges and the gate's own addresses share: a supervisor's override, a clearance as it goes out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from inventory.access import Caller
from inventory.api.fields import Body, NoteField
from inventory.api.quantities import volume_out
from inventory.api.rows import decimal_text, id_or_none
from inventory.rules.levels import LEVEL_WORDS
from recovery.models import Clearance
from recovery.services.gate import Signature

CLEARANCE_COLUMNS = (
    "id", "run_id", "container_id", "container__code", "lot_id", "entry", "volume_ul", "level", "allowed",
    "reasons", "test_id", "heel_percent", "heel_ul", "heel_source", "override_reason", "actor__username",
    "recorded_at",
)  # fmt: skip


class Override(Body):
    """Lets through what the verdict does not allow. Needs `runs.override`, which no token has."""

    reason = NoteField(max_length=500)


def signature_of(caller: Caller, data: dict[str, Any]) -> Signature | None:
    """The override in a body, taken out of it. Raises Denied when it is not the caller's to give."""
    given = data.pop("override", None)
    if given is None:
        return None
    caller.require("runs.override")
    return Signature(given.get("reason", ""), allowed=True)


def clearance_out(row: Sequence[Any]) -> dict[str, Any]:
    """One row of `CLEARANCE_COLUMNS`."""
    found = dict(zip(CLEARANCE_COLUMNS, row, strict=True))
    return {
        "id": str(found["id"]),
        "run": str(found["run_id"]),
        "container": {"id": str(found["container_id"]), "code": found["container__code"]},
        "lot": str(found["lot_id"]),
        "entry": found["entry"],
        "volume": volume_out(found["volume_ul"]),
        "level": found["level"],
        "words": LEVEL_WORDS.get(found["level"], found["level"]),
        "allowed": found["allowed"],
        "reasons": [kept_reason(reason) for reason in found["reasons"]],
        "test": id_or_none(found["test_id"]),
        "heel": {"volume": volume_out(found["heel_ul"]), "source": found["heel_source"]},
        "heel_percent": decimal_text(found["heel_percent"]),
        "override_reason": found["override_reason"],
        "actor": found["actor__username"],
        "recorded_at": found["recorded_at"],
    }


def kept_reason(reason: Mapping[str, str]) -> dict[str, Any]:
    """A reason as a clearance keeps it."""
    named = {name: reason[name] for name in ("code", "words", "fact", "source", "level")}
    return {**named, "container": {"id": reason["container"], "code": reason["label"]}}


def clearance_of(entry: Any) -> dict[str, Any] | None:
    """The clearance of a charge that was just booked; None where none was needed."""
    row = Clearance.objects.filter(entry=entry).values_list(*CLEARANCE_COLUMNS).first()
    return None if row is None else clearance_out(row)


def overrides_of(run_ids: Iterable[int]) -> dict[str, list[dict[str, Any]]]:
    """What a supervisor let through, by the id of the run as text, oldest first; one query."""
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    rows = Clearance.objects.filter(run_id__in=list(run_ids)).exclude(override_reason="").order_by("id")
    columns = ("run_id", "id", "container_id", "container__code", "override_reason", "actor__username")
    for run_id, pk, container_id, code, reason, actor, recorded_at in rows.values_list(
        *columns, "recorded_at"
    ):
        found[str(run_id)].append(
            {
                "clearance": str(pk),
                "container": {"id": str(container_id), "code": code},
                "reason": reason,
                "actor": actor,
                "recorded_at": recorded_at,
            }
        )
    return found

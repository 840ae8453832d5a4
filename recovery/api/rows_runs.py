"""From rows of runs to the plain values that go out: sums, facts, apparatus, what was overridden."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from inventory.api.quantities import volume_out
from inventory.api.rows import decimal_text, solvent_ref
from inventory.models import Lab
from recovery.api.clearing import overrides_of
from recovery.models import Run, RunSum
from recovery.rules.kept_phrases import KEPT
from recovery.rules.run_kinds import number_text
from recovery.selectors.run_facts import FactNow, apparatus_of, asked, facts_now

STEP = Decimal("0.0001")
STATES = ("draft", "open", "closed", "given-up")
RUN_COLUMNS = (
    "id", "purpose", "operator_name", "started_at", "month", "closed_at", "is_history", "remarks", "findings",
    "place_id", "version", "distils", "to_dryness", "heel_ul", "heel_source", "is_draft", "kind_id",
    "kind__key", "kind__name", "location_id", "location__name",
)  # fmt: skip


def state_of(is_draft: bool, closed_at: Any) -> str:
    """One of `STATES`; a draft that was closed was given up."""
    if closed_at is not None:
        return "given-up" if is_draft else "closed"
    return "draft" if is_draft else "open"


def run_out(row: Any) -> dict[str, Any]:
    """One row of `RUN_COLUMNS`, its sums, facts and apparatus still to be filled in."""
    (
        pk, purpose, operator, started, month, closed, is_history, remarks, findings, place, version,
        distils, to_dryness, heel_ul, heel_source, is_draft, kind, kind_key, kind_name, room, room_name,
    ) = row  # fmt: skip
    return {
        "id": str(pk),
        "purpose": purpose,
        "operator": operator,
        "started_at": started,
        "month": month,
        "closed_at": closed,
        "state": state_of(is_draft, closed),
        "kind": None if kind is None else {"id": str(kind), "key": kind_key, "name": kind_name},
        "location": None if room is None else {"id": str(room), "name": room_name},
        "is_history": is_history,
        "remarks": remarks,
        "findings": findings,
        "place": str(place),
        "version": version,
        "distils": distils,
        "to_dryness": to_dryness,
        "heel": {"volume": volume_out(heel_ul), "source": heel_source},
        "overrides": [],
        "sums": [],
        "apparatus": [],
        "facts": [],
    }


def with_details(shown: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same runs with sums, overrides, apparatus and facts; one query each, however many runs."""
    wanted = [int(run["id"]) for run in shown]
    sums, overrides = _sums(wanted), overrides_of(wanted)
    used, facts = apparatus_of(wanted), facts_now(wanted)
    return [
        {
            **run,
            "sums": sums[run["id"]],
            "overrides": overrides.get(run["id"], []),
            "apparatus": [
                {"id": str(pk), "name": name, "kind": kind} for pk, name, kind in used.get(int(run["id"]), [])
            ],
            "facts": [fact_short(fact) for fact in facts.get(int(run["id"]), {}).values()],
        }
        for run in shown
    ]


def _sums(wanted: Iterable[int]) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    columns = (
        "run_id", "solvent_id", "solvent__key", "solvent__name", "charged_ul", "returned_ul", "held_ul",
        "lost_ul",
    )  # fmt: skip
    for row in RunSum.objects.filter(run_id__in=wanted).order_by("solvent__key").values_list(*columns):
        run_id, pk, key, name, charged, returned, held, lost = row
        fraction = (Decimal(lost) / charged).quantize(STEP) if charged > 0 else None
        found[str(run_id)].append(
            {
                "solvent": solvent_ref(pk, key, name),
                "charged": volume_out(charged),
                "returned": volume_out(returned),
                "held": volume_out(held),
                "lost": volume_out(lost),
                "loss_fraction": decimal_text(fraction),
            }
        )
    return found


def fact_short(fact: FactNow) -> dict[str, Any]:
    """What is known of one field, for lists."""
    return {
        "field": fact.key,
        "name": fact.name,
        "text": str(fact.as_entered.get("text", "")),
        "number": number_text(fact.number),
        "uncertainty": number_text(fact.u_number),
        "unit": fact.unit,
    }


def run_shown(pk: int) -> dict[str, Any]:
    return with_details([run_out(Run.objects.filter(pk=pk).values_list(*RUN_COLUMNS).get())])[0]


def run_detail(lab: Lab, pk: int) -> dict[str, Any]:
    """One run with what its kind asks for, told or not."""
    shown, held = run_shown(pk), Run.objects.select_related("kind").get(pk=pk)
    rows = asked(lab, held.kind, [fact["field"] for fact in shown["facts"]])
    return {
        **shown,
        "closing_entry": held.closing_entry,
        "plan": None if held.plan is None else {k: v for k, v in held.plan.items() if k != KEPT},
        "asks": [
            {
                "field": row.key,
                "name": row.name,
                "default": row.default,
                "required": row.required,
                "told": row.told,
            }
            for row in rows
        ],
    }

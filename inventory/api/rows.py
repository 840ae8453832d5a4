"""From rows of columns to the plain values that go out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from inventory.api.quantities import mass_out, millilitres, volume_out
from inventory.models import Container, Lot, Solvent
from inventory.rules.retest import Due
from inventory.rules.verdict import Verdict
from inventory.selectors import shelf
from inventory.selectors.loosening import loosened
from inventory.services.facts import containers_with
from inventory.services.verdicts import judged, verdicts_of_many

Row = Sequence[Any]


def id_or_none(value: int | None) -> str | None:
    return None if value is None else str(value)


def decimal_text(value: Decimal | None) -> str | None:
    return None if value is None else format(value, "f")


def solvent_ref(pk: int | None, key: str, name: str) -> dict[str, Any] | None:
    return None if pk is None else {"id": str(pk), "key": key, "name": name}


def container_out(row: Row) -> dict[str, Any]:
    """One row of `shelf.COLUMNS`. Written out flat: a list of these is the hottest read of the house."""
    (
        pk, code, solvent_id, solvent_key, solvent_name, lot_id, location_id, location_name, volume_ul,
        capacity_ul, opened, opened_on, received_on, next_test_due, due_code, due_words, worst_sign,
        discarded_at, version,
    ) = row  # fmt: skip
    return {
        "id": str(pk),
        "code": code,
        "solvent": None
        if solvent_id is None
        else {"id": str(solvent_id), "key": solvent_key, "name": solvent_name},
        "lot": None if lot_id is None else str(lot_id),
        "location": None if location_id is None else {"id": str(location_id), "name": location_name},
        "volume": {"value": millilitres(volume_ul), "unit": "mL", "uncertainty": None},
        "capacity": {"value": millilitres(capacity_ul), "unit": "mL", "uncertainty": None},
        "opened": opened,
        "opened_on": opened_on,
        "received_on": received_on,
        "next_test_due_on": next_test_due,
        "due_code": due_code,
        "due_words": due_words,
        "worst_sign": worst_sign,
        "discarded_at": discarded_at,
        "version": version,
    }


def container_now(row: Row) -> dict[str, Any]:
    """One row of `shelf.containers_now`."""
    pk, code, volume_ul, lot_id, next_test_due, due_code, worst_sign, version = row
    return {
        "id": str(pk),
        "code": code,
        "volume": volume_out(volume_ul),
        "lot": id_or_none(lot_id),
        "next_test_due_on": next_test_due,
        "due_code": due_code,
        "worst_sign": worst_sign,
        "version": version,
    }


def containers_now(ids: Iterable[int]) -> list[dict[str, Any]]:
    """Containers as they stand now, in the order of their ids."""
    return [container_now(row) for row in shelf.containers_now(list(ids))]


def spoken_against(ids: Iterable[int], today: date) -> list[dict[str, Any]]:
    """Of containers from which nothing may be taken as it is, the verdict on drawing with its reasons."""
    doubtful = shelf.not_drawable(list(ids), today)
    if not doubtful:
        return []
    containers = containers_with(doubtful)
    found = verdicts_of_many(containers, today)
    return [_against(c, found[c.pk]["draw"]) for c in containers if found[c.pk]["draw"].level != "use"]


def moved_against(container_id: int, today: date) -> list[dict[str, Any]]:
    """The verdict on moving a container, when it is better left where it stands."""
    (container,) = containers_with([container_id])
    said = verdicts_of_many([container], today)[container_id]["move"]
    return [] if said.allowed else [_against(container, said)]


def _against(container: Container, verdict: Verdict) -> dict[str, Any]:
    return {
        "container": {"id": str(container.pk), "code": container.code},
        "use": verdict.use,
        "level": verdict.level,
        "words": verdict.words,
        "reasons": [
            {"code": r.code, "words": r.words, "source": r.source}
            for r in verdict.reasons
            if r.level != "use"
        ],
    }


def container_detail(container: Container, today: date) -> dict[str, Any]:
    """Everything about one container, with the reasons behind its next test and today's verdicts."""
    due, verdicts = judged(container, today)
    row = shelf.containers_listed(lab=container.lab, given={"id": container.pk}, limit=1)[0]
    return {
        **container_out(row),
        "lot": None if container.lot is None else lot_out(container.lot),
        "tare": mass_out(container.tare_mg),
        "material": container.material,
        "atmosphere": container.atmosphere,
        "closure": container.closure,
        "quarantined_at": container.quarantined_at,
        "quarantine_reason": container.quarantine_reason,
        "dispose_on": container.dispose_on,
        "expires_on": container.expires_on,
        "untested_since": container.untested_since,
        "verdicts": {use: verdict.level for use, verdict in verdicts.items()},
        "note": container.note,
        "place": str(container.place_id),
        "counting_began_at": container.counting_began_at,
        "created_at": container.created_at,
        "due": None if due is None else due_out(due),
        "loosened": loosened(container),
    }


def due_out(due: Due) -> dict[str, Any]:
    return {
        "on": due.on,
        "code": due.code,
        "words": due.words,
        "rule_source": due.rule_source,
        "reasons": reasons_out(due),
    }


def reasons_out(due: Due) -> list[dict[str, str]]:
    return [{"code": r.code, "words": r.words, "source": r.source} for r in due.reasons]


def lot_out(lot: Lot) -> dict[str, Any]:
    return {
        "id": str(lot.pk),
        "solvent": solvent_ref(lot.solvent_id, lot.solvent.key, lot.solvent.name),
        "origin": lot.origin,
        "maker": lot.maker,
        "maker_lot": lot.maker_lot,
        "expiry_on": lot.expiry_on,
        "inhibited": lot.inhibited,
        "inhibitor": lot.inhibitor,
        "inhibitor_ppm": decimal_text(lot.inhibitor_ppm),
        "assay": lot.assay,
        "made_on": lot.made_on,
        "topped_up_on": lot.topped_up_on,
        "overridden_on": lot.overridden_on,
        "override_reason": lot.override_reason,
        "times_distilled": lot.times_distilled,
        "created_at": lot.created_at,
        "note": lot.note,
    }


SOLVENT_COLUMNS = (
    "id", "key", "name", "cas", "state", "lab_id", "peroxide_class", "peroxide_basis", "ghs_category",
    "nfpa30_class", "density_20c_kg_m3", "expansion_20c_per_k", "boiling_point_c", "flash_point_c",
    "lel_vol_pct", "molar_mass_g_per_mol",
)  # fmt: skip


def solvent_out(row: Row) -> dict[str, Any]:
    """One row of `SOLVENT_COLUMNS`."""
    found = dict(zip(SOLVENT_COLUMNS, row, strict=True))
    own = found.pop("lab_id") is not None
    return {**found, "id": str(found["id"]), "own": own}


def solvent_detail(solvent: Solvent) -> dict[str, Any]:
    row = [getattr(solvent, column) for column in SOLVENT_COLUMNS]
    return {**solvent_out(row), "facts": solvent.facts}


def _place(pk: int, kind: str, container_id: int | None, code: str | None) -> dict[str, Any]:
    held = None if container_id is None else {"id": str(container_id), "code": code}
    return {"id": str(pk), "kind": kind, "container": held}


def movement_out(row: Row) -> dict[str, Any]:
    """One row of `MOVEMENT_COLUMNS`."""
    (
        pk, entry, kind, solvent_id, solvent_key, solvent_name, lot_id,
        source_id, source_kind, source_container, source_code,
        destination_id, destination_kind, destination_container, destination_code,
        volume_ul, u_volume_ul, happened_at, recorded_at, flow_month, actor, as_entered,
        reversal_of, reversed_by, note,
    ) = row  # fmt: skip
    return {
        "id": str(pk),
        "entry": entry,
        "kind": kind,
        "solvent": solvent_ref(solvent_id, solvent_key, solvent_name),
        "lot": str(lot_id),
        "source": _place(source_id, source_kind, source_container, source_code),
        "destination": _place(destination_id, destination_kind, destination_container, destination_code),
        "volume": volume_out(volume_ul, u_volume_ul),
        "happened_at": happened_at,
        "recorded_at": recorded_at,
        "flow_month": flow_month,
        "actor": actor,
        "as_entered": as_entered,
        "reversal_of": id_or_none(reversal_of),
        "reversed_by": id_or_none(reversed_by),
        "note": note,
    }


SIGN_COLUMNS = (
    "id", "container_id", "container__code", "sign", "words", "seen_on", "actor__username", "recorded_at",
    "withdraws_id", "withdrawn_by__id",
)  # fmt: skip


def sign_out(row: Row) -> dict[str, Any]:
    """One row of `SIGN_COLUMNS`."""
    pk, container_id, code, sign, words, seen_on, actor, recorded_at, withdraws, withdrawn_by = row
    return {
        "id": str(pk),
        "container": {"id": str(container_id), "code": code},
        "sign": sign,
        "words": words,
        "seen_on": seen_on,
        "actor": actor,
        "recorded_at": recorded_at,
        "withdraws": id_or_none(withdraws),
        "withdrawn_by": id_or_none(withdrawn_by),
    }

"""What a plan is asked with, and how it becomes one; a draft run is asked with the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from rest_framework import serializers

from inventory.access import Caller
from inventory.api.fields import AmountField, FlagField, RefField
from inventory.api.lookup import location_in, solvent_in
from inventory.api.measures import MeasureField
from inventory.rules.errors import InputError
from inventory.services.measuring import measured
from recovery.api.calc_extraction import ExtractionBody
from recovery.api.calc_vapour import TIME, RoomAsk, read_room
from recovery.api.fact_fields import FactsField
from recovery.rules.asked import read_amount
from recovery.rules.extraction_entry import Worked, read_extraction, read_reuse, work_out
from recovery.selectors.properties import properties_of
from recovery.services.apparatus import IN_A_RUN_MAX, apparatus_named
from recovery.services.kinds import kind_named
from recovery.services.plans import UL_PER_ML, Plan, PlanFor, heel_fraction, known_loss, plan_run


class PlanAsk(RoomAsk):
    """A run before it is done. Exactly one of extraction and volume."""

    solvent = RefField(help_text="Id, key, name or synonym.")
    extraction = ExtractionBody(required=False)
    volume = AmountField(required=False, help_text="To be charged, where no extraction is worked out.")
    kind = RefField(required=False, help_text="Id or key, see run-kinds/.")
    distils = FlagField(required=False, help_text="Left out: as its kind says, or true, the worse.")
    location = RefField(required=False, help_text="The room, by id or name; for its size and air.")
    apparatus = serializers.ListField(
        child=RefField(), required=False, max_length=IN_A_RUN_MAX, help_text="Each by id or name."
    )
    over = MeasureField(required=False, help_text="How long solvent is about. Left out: all at once.")
    facts = FactsField(required=False, help_text="For the prediction of losses, see run-fields/.")


@dataclass(frozen=True)
class Planned:
    """A plan with what it was worked out for and what was assumed of the reuse."""

    plan: Plan
    assumed: list[str]


def planned(caller: Caller, data: Mapping[str, Any], today: date, field: str = "") -> Planned:
    """The plan that a body asks for. Raises InputError naming the field, below `field` if it is nested."""
    try:
        return _planned(caller, data, today)
    except InputError as error:
        if not field:
            raise
        path = f"{field}.{error.field}" if error.field else field
        raise InputError(path, error.code, error.detail, error.remedy) from error


def _planned(caller: Caller, data: Mapping[str, Any], today: date) -> Planned:
    if ("extraction" in data) == ("volume" in data):
        words = "Plan an extraction, or tell the volume to be charged."
        raise InputError("extraction", "one-of-two", words, "Send exactly one of the two.")
    of = _for(caller, data)
    if "volume" in data:
        needed_ul = measured(data["volume"], of.solvent).volume_ul
        return Planned(plan_run(lab=caller.lab, today=today, of=of, needed_ul=needed_ul), [])
    worked, said = _extraction(caller, data["extraction"], of)
    needed_ul = round(worked.chosen.total_ml * UL_PER_ML)
    plan = plan_run(lab=caller.lab, today=today, of=of, needed_ul=needed_ul, extraction=worked)
    return Planned(plan, said)


def _for(caller: Caller, data: Mapping[str, Any]) -> PlanFor:
    lab = caller.lab
    kind = kind_named(lab=lab, ref=data["kind"]) if "kind" in data else None
    room, celsius = read_room(data)
    return PlanFor(
        solvent=solvent_in(caller, data["solvent"]),
        distils=data.get("distils", kind is None or kind.distils),
        kind=kind,
        location=location_in(caller, data["location"]) if "location" in data else None,
        apparatus=apparatus_named(lab=lab, refs=data["apparatus"]) if "apparatus" in data else (),
        facts=data.get("facts"),
        room_volume_m3=room.volume_m3 if "room_volume" in data else None,
        air_changes_per_h=room.air_changes_per_h if "air_changes" in data else None,
        mixing=room.mixing if "mixing" in data else None,
        temperature_c=celsius,
        over_h=read_amount(data["over"], TIME).value if "over" in data else None,
    )


def _extraction(caller: Caller, raw: Mapping[str, Any], of: PlanFor) -> tuple[Worked, list[str]]:
    heel = heel_fraction(caller.lab, of.solvent, distils=of.distils)
    try:
        known = known_loss(lab=caller.lab, solvent=of.solvent)
        reuse, said = read_reuse({**raw, "distils": of.distils}, heel, known)
        return work_out(read_extraction(raw, properties_of(of.solvent), reuse=reuse)), said
    except InputError as error:
        path = error.field if error.field == "solvent" else f"extraction.{error.field}"
        raise InputError(path, error.code, error.detail, error.remedy) from error

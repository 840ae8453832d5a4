"""What the answers about kinds of run, their fields, apparatus and facts look like, for the schema."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.api.shapes import Id, Number, QuantityShape, Shape, at, text
from recovery.rules.run_kinds import QUANTITIES
from recovery.services.apparatus import KINDS, RECORDS
from recovery.services.return_states import STATES as RETURN_STATES

# Where a field allows null, the schema of the field adds it.
SAID: dict[str, Any] = {
    "type": ["object", "string", "number", "boolean"],
    "description": "As it was entered.",
}
ENTERED = {**SAID, "type": [*SAID["type"], "null"]}


@extend_schema_field(SAID)
class EnteredShape(serializers.JSONField):
    """What somebody entered, in the form in which they did."""


class ChoiceShape(Shape):
    key = text()
    name = text()


class RunFieldShape(Shape):
    """lowest, highest: in `unit`, null where nothing bounds it. bounds: the same for people."""

    id = Id()
    key = text()
    name = text()
    quantity = serializers.ChoiceField(QUANTITIES)
    unit = text()
    lowest = Number(allow_null=True)
    highest = Number(allow_null=True)
    bounds = text()
    choices = ChoiceShape(many=True)
    help = text()
    source = text()
    shipped = serializers.BooleanField()
    ended_at = at(null=True)
    version = serializers.IntegerField()


class AskedForShape(Shape):
    """default: what is taken where nothing is told; null where nothing is."""

    field = text()
    default = EnteredShape(allow_null=True)
    required = serializers.BooleanField()  # type: ignore[assignment]


class RunKindShape(Shape):
    """distils: whether solvent is distilled or concentrated in such a run unless somebody says otherwise."""

    id = Id()
    key = text()
    name = text()
    distils = serializers.BooleanField()
    asks = AskedForShape(many=True)
    help = text()
    source = text()
    shipped = serializers.BooleanField()
    ended_at = at(null=True)
    version = serializers.IntegerField()


class RunKindRefShape(Shape):
    id = Id()
    key = text()
    name = text()


class PlaceRefShape(Shape):
    id = Id()
    name = text()


class ApparatusRefShape(Shape):
    id = Id()
    name = text()
    kind = serializers.ChoiceField(KINDS)


class ApparatusShape(ApparatusRefShape):
    """hold_up: what stays on its walls and in its joints; null: not known."""

    location = PlaceRefShape(allow_null=True)
    hold_up = QuantityShape(allow_null=True)
    note = text()
    ended_at = at(null=True)
    created_at = at()
    version = serializers.IntegerField()


class ApparatusRecordShape(Shape):
    """withdraws: the record that this one takes back; withdrawn: one that was taken back."""

    id = Id()
    apparatus = Id()
    what = serializers.ChoiceField(RECORDS)
    happened_at = at()
    note = text()
    withdraws = Id(allow_null=True)
    withdrawn = serializers.BooleanField()
    actor = text()
    recorded_at = at()


class RunFactShape(Shape):
    """number, uncertainty (standard, k = 1): in `unit`; null where the fact is no number.

    taken_back: the row takes back what was told before.
    """

    id = Id()
    field = text()
    name = text()
    quantity = serializers.ChoiceField(QUANTITIES)
    as_entered = EnteredShape(allow_null=True)
    taken_back = serializers.BooleanField()
    number = Number(allow_null=True)
    uncertainty = Number(allow_null=True)
    unit = text()
    actor = text()
    recorded_at = at()


class RunFactsToldShape(Shape):
    results = RunFactShape(many=True)


class AskedShape(Shape):
    """A fact that the kind of a run asks for. default: taken where nothing is told."""

    field = text()
    name = text()
    default = EnteredShape(allow_null=True)
    required = serializers.BooleanField()  # type: ignore[assignment]
    told = serializers.BooleanField()


class ReturnStateShape(Shape):
    """What was told of the return with this entry."""

    id = Id()
    run = Id()
    entry = serializers.UUIDField()
    state = serializers.ChoiceField(RETURN_STATES)
    drying_agent = text()
    actor = text()
    recorded_at = at()

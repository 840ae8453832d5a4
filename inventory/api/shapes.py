"""What the answers look like, for the schema; the answers themselves are plain values made in `rows`."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.models import BOUNDARIES, Container, Lot, PlaceKind, Solvent
from inventory.models.solvents import PEROXIDE_CLASSES
from inventory.rules.levels import LEVELS, USES
from inventory.rules.roles import ROLES, SCOPES

Shape = serializers.Serializer[Any]


@extend_schema_field({"type": "string", "pattern": "^[0-9]+$"})
class Id(serializers.CharField):
    """The id of a record, as text."""


@extend_schema_field({"type": "object", "additionalProperties": True})
class Free(serializers.JSONField):
    """An object whose names depend on its kind."""


@extend_schema_field({"type": "string", "pattern": "^-?[0-9]+(\\.[0-9]+)?$"})
class Number(serializers.CharField):
    """A decimal number as text, so that no digit is lost."""


@extend_schema_field({"type": "array", "items": {"type": "string"}})
class Words(serializers.ListField):
    """A list of words."""


def text(*, null: bool = False, help_text: str | None = None) -> Any:
    return serializers.CharField(allow_null=null, allow_blank=True, help_text=help_text)


def on(*, null: bool = True) -> Any:
    return serializers.DateField(allow_null=null)


def at(*, null: bool = False) -> Any:
    return serializers.DateTimeField(allow_null=null)


def number() -> Any:
    return Number(allow_null=True)


class QuantityShape(Shape):
    """value and uncertainty are decimal text; uncertainty is standard (k = 1), null where none is kept."""

    value = Number()
    unit = serializers.ChoiceField(["mL", "g"])
    uncertainty = Number(allow_null=True)


class PersonShape(Shape):
    id = Id()
    username = text()
    name = text()


class LabRefShape(Shape):
    slug = text()
    name = text()
    role = serializers.ChoiceField(ROLES)


class TokenRefShape(Shape):
    id = text()
    name = text()
    scope = serializers.ChoiceField(SCOPES)
    lab = text()
    expires_at = at(null=True)


class MeShape(PersonShape):
    labs = LabRefShape(many=True)
    token = TokenRefShape(allow_null=True)


class PolicyRefShape(Shape):
    key = text()
    name = text()


class LabShape(Shape):
    id = Id()
    slug = text()
    name = text()
    time_zone = text()
    emergency_text = text()
    contact = text()
    due_soon_days = serializers.IntegerField()
    escalate_after_hours = serializers.IntegerField()
    digest_at = text()
    policy = PolicyRefShape()
    created_at = at()


class LabMineShape(LabShape):
    role = serializers.ChoiceField(ROLES)


class MemberShape(Shape):
    id = Id()
    username = text()
    name = text()
    role = serializers.ChoiceField(ROLES)
    initials = text()
    joined_at = at()


class TokenShape(Shape):
    id = text()
    name = text()
    scope = serializers.ChoiceField(SCOPES)
    username = text()
    created_at = at()
    expires_at = at(null=True)
    last_used_at = at(null=True)
    revoked = serializers.BooleanField()


class TokenMadeShape(TokenShape):
    secret = serializers.CharField(
        required=False, help_text="Only in the first answer: it is kept nowhere and cannot be shown again."
    )


class LocationShape(Shape):
    id = Id()
    name = text()
    kind = text()
    parent = Id(allow_null=True)  # type: ignore[assignment]


class SolventRefShape(Shape):
    id = Id()
    key = text()
    name = text()


class SolventShape(SolventRefShape):
    cas = text()
    state = serializers.ChoiceField(Solvent.State.values)
    own = serializers.BooleanField()
    peroxide_class = serializers.ChoiceField(PEROXIDE_CLASSES)
    peroxide_basis = text()
    ghs_category = text()
    nfpa30_class = text()
    density_20c_kg_m3 = Number()
    expansion_20c_per_k = number()
    boiling_point_c = number()
    flash_point_c = number()
    lel_vol_pct = number()
    molar_mass_g_per_mol = number()


class SolventFactsShape(SolventShape):
    facts = serializers.ListField(child=Free(), help_text="Every recorded value with its source.")


class LocationRefShape(Shape):
    id = Id()
    name = text()


class ContainerRefShape(Shape):
    id = Id()
    code = text()


class ContainerShape(ContainerRefShape):
    solvent = SolventRefShape(allow_null=True)
    lot = Id(allow_null=True)
    location = LocationRefShape(allow_null=True)
    volume = QuantityShape()
    capacity = QuantityShape()
    opened = serializers.ChoiceField(Container.Opened.values)
    opened_on = on()
    received_on = on()
    next_test_due_on = on()
    due_code = text()
    due_words = text()
    worst_sign = text()
    discarded_at = at(null=True)
    version = serializers.IntegerField()


class ReasonShape(Shape):
    code = text()
    words = text()
    source = text()


class DueShape(Shape):
    on = on()
    code = text()
    words = text()
    rule_source = text()
    reasons = ReasonShape(many=True)


class LotShape(Shape):
    id = Id()
    solvent = SolventRefShape()
    origin = serializers.ChoiceField(Lot.Origin.values)
    maker = text()
    maker_lot = text()
    expiry_on = on()
    inhibited = serializers.BooleanField(allow_null=True)
    inhibitor = text()
    inhibitor_ppm = number()
    assay = text()
    made_on = on()
    topped_up_on = on()
    overridden_on = on()
    override_reason = text()
    times_distilled = serializers.IntegerField()
    created_at = at()
    note = text()


class LotParentShape(Shape):
    lot = Id()
    origin = serializers.ChoiceField(Lot.Origin.values)
    volume = QuantityShape()


class LotDetailShape(LotShape):
    parents = LotParentShape(many=True)
    containers = ContainerRefShape(many=True)


class StandingShape(Shape):
    next_test_due_on = on()
    due_code = text()
    worst_sign = text()
    dispose_on = serializers.DateField(allow_null=True, required=False)
    levels = Free(required=False, help_text="Verdict for each use.")


class LoosenedShape(Shape):
    at = at()
    by = text()
    what = text()
    reason = text()
    to = StandingShape()

    def get_fields(self) -> dict[str, Any]:
        return {**super().get_fields(), "from": StandingShape()}


class VerdictLevelsShape(Shape):
    def get_fields(self) -> dict[str, Any]:
        return {use: serializers.ChoiceField(LEVELS) for use in USES}


class ContainerDetailShape(ContainerShape):
    lot = LotShape(allow_null=True)  # type: ignore[assignment]
    tare = QuantityShape(allow_null=True)
    material = text()
    atmosphere = text()
    closure = text()
    quarantined_at = at(null=True)
    quarantine_reason = text()
    dispose_on = on()
    expires_on = on()
    untested_since = on()
    verdicts = VerdictLevelsShape(help_text="Today's verdict for each use; reasons under verdicts/.")
    note = text()
    place = Id()
    counting_began_at = at()
    created_at = at()
    due = DueShape(allow_null=True)
    loosened = LoosenedShape(many=True, help_text="What a supervisor signed for, newest first.")


class PlaceShape(Shape):
    id = Id()
    kind = serializers.ChoiceField(PlaceKind.values)
    container = ContainerRefShape(allow_null=True)


class MovementShape(Shape):
    id = Id()
    entry = serializers.UUIDField()
    kind = text()
    solvent = SolventRefShape()
    lot = Id()
    source = PlaceShape()  # type: ignore[assignment]
    destination = PlaceShape()
    volume = QuantityShape()
    happened_at = at()
    recorded_at = at()
    flow_month = serializers.DateField()
    actor = text()
    as_entered = Free()
    reversal_of = Id(allow_null=True)
    reversed_by = Id(allow_null=True)
    note = text()


class ContainerNowShape(ContainerRefShape):
    volume = QuantityShape()
    lot = Id(allow_null=True)
    next_test_due_on = on()
    due_code = text()
    worst_sign = text()
    version = serializers.IntegerField()


class AgainstShape(Shape):
    container = ContainerRefShape()
    use = serializers.ChoiceField(USES)
    level = serializers.ChoiceField(LEVELS)
    words = text()
    reasons = ReasonShape(many=True)


class StorageWarningShape(Shape):
    """What speaks against where something stands. limit: null for what it stands beside.

    effect: “refuse” comes with what a supervisor overrode, and with what has become no worse.
    """

    code = text()
    words = text()
    effect = serializers.ChoiceField(["warn", "refuse"])
    limit = Id(allow_null=True)
    code_of_rule = text()
    source = text()


class PostedShape(Shape):
    """What was booked; containers: each one touched, as it stands now."""

    entry = serializers.UUIDField(allow_null=True)
    movements = serializers.ListField(child=Id())
    containers = ContainerNowShape(many=True)
    verdicts = AgainstShape(many=True, help_text="Of each of them from which nothing may be taken as it is.")
    warnings = StorageWarningShape(many=True)


class CountedShape(PostedShape):
    difference = QuantityShape(help_text="Found less recorded, with the uncertainty of both together.")
    beyond_uncertainty = serializers.BooleanField(help_text="Larger than twice its uncertainty.")


class SignShape(Shape):
    id = Id()
    container = ContainerRefShape()
    sign = text()
    words = text()
    seen_on = serializers.DateField()
    actor = text()
    recorded_at = at()
    withdraws = Id(allow_null=True)
    withdrawn_by = Id(allow_null=True)


class SubjectShape(Shape):
    kind = text()
    id = Id()


class EventShape(Shape):
    id = Id()
    at = at()
    actor = text()
    verb = text()
    subject = SubjectShape()
    data = Free()  # type: ignore[assignment]


BOUNDARY_KINDS = BOUNDARIES

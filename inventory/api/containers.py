"""Containers and lots: what stands on the shelf."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import (
    AmountField,
    Body,
    DayField,
    DecimalTextField,
    FlagField,
    InstantField,
    NoteField,
    RefField,
)
from inventory.api.idempotency import Done, changed
from inventory.api.lookup import container_at, location_in, lot_at, solvent_in
from inventory.api.paging import Key, orderings, paged
from inventory.api.quantities import capacity_ul, tare_mg, volume_out
from inventory.api.replies import check_if_match
from inventory.api.rows import container_detail, container_out, lot_out
from inventory.api.shapes import ContainerDetailShape, ContainerShape, LotDetailShape
from inventory.api.shapes_storage import ContainerReceivedShape
from inventory.api.storing import Overriding, override_of, warnings_out
from inventory.models import Container, Lot, LotParent
from inventory.rules.errors import InputError
from inventory.selectors.shelf import Sort, containers_listed
from inventory.services.containers import (
    ATMOSPHERES,
    CLOSURES,
    ContainerFacts,
    LotFacts,
    Received,
    empty_add,
    receive,
)
from inventory.services.corrections import correct, discard_undo
from inventory.services.readings import lock_containers
from inventory.services.storage import Override

ORDERINGS = orderings(
    id=Key("id", "int"),
    code=Key("code", "str"),
    next_test_due_on=Key("next_test_due", "day", nullable=True),
    opened_on=Key("opened_on", "day", nullable=True),
    received_on=Key("received_on", "day", nullable=True),
    volume=Key("volume_ul", "int"),
)
FILTERS = (
    params.text("q", "Words in code, solvent, location or note."),
    params.text("solvent", "Id, key, name or synonym."),
    params.ref("location"),
    params.ref("lot"),
    params.choice("opened", Container.Opened.values),
    params.text("due_code"),
    params.on("due_before", "Next test due before this day."),
    params.on("next_test_due_on__lte"),
    params.on("next_test_due_on__gte"),
    params.flag("signs", "Whether a sign such as crystals has been seen."),
    params.flag("empty"),
    params.flag("discarded", "Discarded ones instead of those in use."),
    *params.paging(ORDERINGS),
)
LOT_NAMES = (
    "origin", "maker", "maker_lot", "expiry_on", "inhibited", "inhibitor", "inhibitor_ppm", "assay",
    "made_on",
)  # fmt: skip
CORRECTED = ("received_on", "opened_on", "material", "atmosphere", "closure", "note")
CONTAINER_NAMES = ("code", "material", "received_on", "opened", "opened_on", "atmosphere", "closure", "note")


class Receive(Overriding):
    """A filled container and what is known of the lot in it. What is left out counts as not known.

    Without solvent and volume: an empty, clean one, of which only facts of the container itself are told.
    """

    solvent = RefField(required=False, help_text="Id, key, name, synonym or CAS number.")
    volume = AmountField(required=False)
    capacity = AmountField(help_text="Size of the container, a volume.")
    code = RefField(max_length=24, required=False, help_text="A code of our own is made when left out.")
    tare = AmountField(required=False, help_text="Empty weight, a mass.")
    material = NoteField(max_length=40)
    location = RefField(required=False, help_text="Id or name of a location.")
    received_on = DayField(required=False)
    opened = serializers.ChoiceField(Container.Opened.values, required=False)
    opened_on = DayField(required=False)
    atmosphere = serializers.ChoiceField(ATMOSPHERES, required=False)
    closure = serializers.ChoiceField(CLOSURES, required=False)
    note = NoteField()
    origin = serializers.ChoiceField([o for o in Lot.Origin.values if o != Lot.Origin.BLEND], required=False)
    maker = NoteField(max_length=120)
    maker_lot = NoteField(max_length=80)
    expiry_on = DayField(required=False)
    inhibited = serializers.BooleanField(required=False, allow_null=True, help_text="null: not stated.")
    inhibitor = NoteField(max_length=60)
    inhibitor_ppm = DecimalTextField(required=False)
    assay = NoteField(max_length=60)
    made_on = DayField(required=False)
    happened_at = InstantField(required=False)


class Containers(LabView):
    """The lab's containers."""

    contracts = {
        "GET": Contract("stock.read", ContainerShape, "Containers", params=FILTERS, paged=True),
        "POST": Contract(
            "stock.receive",
            ContainerReceivedShape,
            "Receive a filled container, or note an empty one",
            body=Receive,
            status=201,
            words="Without solvent and volume it is empty and clean: what a run gives back into it is a lot "
            "of its own.",
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query

        def fetch(walk: Sequence[Key], place: Any, nulls_last: bool, limit: int) -> list[Any]:
            return containers_listed(
                lab=self.caller.lab,
                given=given,
                order=[Sort(key.column, key.descending, key.nullable) for key in walk],
                place=place,
                nulls_last=nulls_last,
                limit=limit,
            )

        keys = ORDERINGS[given.get("ordering", "id")]
        return self.listing(paged(request._request, keys=keys, given=given, fetch=fetch, shape=container_out))

    def post(self, request: Any, lab: str) -> HttpResponse:
        return self.write(self._receive)

    def _receive(self, data: Any) -> Done:
        override = override_of(self.caller, data)
        if _is_filled(data):
            made = self._filled(data, override)
        else:
            made = Received(empty_add(**self.by, facts=self._facts(data)), None)
        container = container_at(self.caller, str(made.container.pk))
        body = {**container_detail(container, self.today), "warnings": warnings_out(made.warnings)}
        return Done(body, headers={"Location": f"{self.request.path}{container.pk}/"})

    def _facts(self, data: Any) -> ContainerFacts:
        return ContainerFacts(
            capacity_ul=capacity_ul(data["capacity"]),
            tare_mg=tare_mg(data.get("tare")),
            location=location_in(self.caller, data["location"]) if "location" in data else None,
            **{name: data[name] for name in CONTAINER_NAMES if name in data},
        )

    def _filled(self, data: Any, override: Override) -> Received:
        return receive(
            **self.by,
            solvent=solvent_in(self.caller, data["solvent"]),
            amount=data["volume"],
            facts=self._facts(data),
            lot=LotFacts(**{name: data[name] for name in LOT_NAMES if name in data}),
            happened_at=data.get("happened_at"),
            override=override,
        )


def _is_filled(data: Any) -> bool:
    """Raises InputError when only half is told, or when something is told of a lot that is not there."""
    if "solvent" in data and "volume" in data:
        return True
    for name, other in (("solvent", "volume"), ("volume", "solvent")):
        if other in data:
            remedy = "Give both for a filled container, neither for an empty one."
            raise InputError(name, "missing", f"The {other} is given without the {name}.", remedy)
    stray = next((name for name in (*LOT_NAMES, "happened_at") if name in data), None)
    if stray:
        detail = "An empty container holds no lot to tell this of."
        raise InputError(stray, "nothing-in-it", detail, "Give solvent and volume, or leave this out.")
    return False


class Correction(Body):
    """What was recorded wrongly of the container itself. null: not known."""

    tare = AmountField(required=False, allow_null=True)
    capacity = AmountField(required=False)
    received_on = DayField(required=False, allow_null=True)
    opened_on = DayField(required=False, allow_null=True, help_text="Only of one recorded as opened.")
    material = NoteField(max_length=40)
    atmosphere = serializers.ChoiceField(ATMOSPHERES, required=False)
    closure = serializers.ChoiceField(CLOSURES, required=False)
    note = NoteField()
    discarded = FlagField(required=False, help_text="false: it was empty and was discarded by mistake.")
    reason = NoteField(max_length=500, help_text="Needed with capacity, a date, or a discard taken back.")


class ContainerDetail(LabView):
    """One container with its lot and the reasons behind its next test."""

    contracts = {
        "GET": Contract("stock.read", ContainerDetailShape, "One container", tagged=True),
        "PATCH": Contract(
            "stock.edit",
            ContainerDetailShape,
            "Correct what is recorded of a container",
            body=Correction,
            tagged=True,
            words="What makes the next test later or a verdict milder needs `safety.loosen` too. One that "
            "was discarded with content comes back by the reversal of that entry.",
        ),
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self._shown(container))

    def _shown(self, ref: str) -> dict[str, Any]:
        found = container_at(self.caller, ref)
        return container_detail(found, self.today)

    def patch(self, request: Any, lab: str, container: str) -> HttpResponse:
        found = container_at(self.caller, container)
        return self.write(lambda data: self._correct(found, data))

    def _correct(self, found: Container, data: Any) -> Done:
        lock_containers([found.pk])
        check_if_match(self.request._request, self._shown(str(found.pk)))
        reason = data.get("reason", "")
        if data.get("discarded"):
            raise InputError("discarded", "not-here", "A discard is an entry.", "Post it under discards/.")
        if "discarded" in data:
            discard_undo(**self.by, container=found, reason=reason)
        changes = {name: data[name] for name in CORRECTED if name in data}
        if "tare" in data:
            changes["tare_mg"] = tare_mg(data["tare"])
        if "capacity" in data:
            changes["capacity_ul"] = capacity_ul(data["capacity"])
        correct(
            **self.by,
            container=found,
            changes=changes,
            reason=reason,
            may_loosen=self.caller.may("safety.loosen"),
        )
        return changed(self._shown(str(found.pk)))


class LotDetail(LabView):
    """One lot: where it came from, what it was made of, and where it stands now."""

    contracts = {"GET": Contract("stock.read", LotDetailShape, "One lot with its parents", tagged=True)}

    def get(self, request: Any, lab: str, lot: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        found = lot_at(self.caller, lot)
        parents = LotParent.objects.filter(lot=found).order_by("parent_id")
        holding = Container.objects.filter(lot=found, lab=self.caller.lab, volume_ul__gt=0).order_by("id")
        body = {
            **lot_out(found),
            "parents": [
                {"lot": str(pk), "origin": origin, "volume": volume_out(volume_ul)}
                for pk, origin, volume_ul in parents.values_list("parent_id", "parent__origin", "volume_ul")
            ],
            "containers": [{"id": str(pk), "code": code} for pk, code in holding.values_list("id", "code")],
        }
        return self.detail(body)

"""Storage limits of a location, and the shipped table that they come from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import (
    AmountField,
    Body,
    DecimalTextField,
    FlagField,
    NoteField,
    RefField,
    TextField,
)
from inventory.api.idempotency import Done, changed
from inventory.api.locations import LocationView
from inventory.api.paging import Key, orderings, page
from inventory.api.params import flag, paging
from inventory.api.quantities import volume_out
from inventory.api.replies import check_if_match
from inventory.api.shapes_storage import LimitsMadeShape, StorageLimitShape, TemplatesShape
from inventory.models import StorageLimit
from inventory.rules.errors import InputError
from inventory.rules.quantity import parse_quantity
from inventory.rules.storage import CATEGORIES, EFFECTS, MATERIALS, MEASURES, load_reductions, load_templates
from inventory.selectors.storage import worded
from inventory.services import limits

BY_ID = orderings(id=Key("id", "int"))
COLUMNS = (
    "id", "location_id", "location__name", "key", "name", "measure", "scheme", "categories", "materials",
    "limit_ul", "outside_cabinets", "effect", "code", "source", "created_at", "ended_at", "version",
)  # fmt: skip


class FromTable(Body):
    """A row or a whole set of the shipped table."""

    key = RefField(required=False, help_text="Of a row or of a set, see storage-limit-templates/.")
    name = TextField(
        max_length=160,
        required=False,
        help_text="With a key of one row: its name here; left out, that of the table. Alone: the key.",
    )
    area_m2 = DecimalTextField(required=False, help_text="Floor area, for figures that go by area.")
    reduction = RefField(required=False, help_text="Key of what the floor takes off.")
    effect = serializers.ChoiceField(EFFECTS, required=False, help_text="Instead of the one in the table.")


class OwnLimit(Body):
    """A limit of the lab's own, marked with the rule it is from."""

    name = TextField(max_length=160)
    limit = AmountField(help_text="A volume.")
    code = TextField(max_length=120, help_text="The rule it is from.")
    source = TextField(max_length=1000, help_text="Where the figure can be read.")  # type: ignore[assignment]
    measure = serializers.ChoiceField(MEASURES, required=False)
    scheme = serializers.ChoiceField(list(CATEGORIES), required=False)
    categories = serializers.ListField(
        child=serializers.ChoiceField([c for known in CATEGORIES.values() for c in known]),
        required=False,
        max_length=6,
    )
    materials = serializers.ListField(
        child=serializers.ChoiceField(MATERIALS), required=False, max_length=len(MATERIALS)
    )
    effect = serializers.ChoiceField(EFFECTS, required=False)
    outside_cabinets = FlagField(required=False)


class LimitMake(Body):
    """Either from the table or the lab's own."""

    template = FromTable(required=False)
    own = OwnLimit(required=False)


class LimitChange(Body):
    """A larger figure, or a warning instead of a refusal, needs `safety.loosen` and a reason."""

    name = TextField(max_length=160, required=False)
    limit = AmountField(required=False, help_text="A volume.")
    effect = serializers.ChoiceField(EFFECTS, required=False)
    source = TextField(max_length=1000, required=False)  # type: ignore[assignment]
    reason = NoteField(max_length=500)


class LimitEnding(Body):
    reason = TextField(max_length=500)


def limit_ul(raw: str | Mapping[str, Any]) -> int:
    """A limit in whole microlitres, rounded down. Raises InputError naming `limit`."""
    quantity = parse_quantity(raw, field="limit", dimension="volume", allow_zero=False)
    return limits.check_size(int(quantity.to("uL")))


def limit_out(row: Any) -> dict[str, Any]:
    """One row of `COLUMNS`."""
    found = dict(zip(COLUMNS, row, strict=True))
    return {
        "id": str(found["id"]),
        "location": {"id": str(found["location_id"]), "name": found["location__name"]},
        "template": found["key"],
        **{name: found[name] for name in ("name", "measure", "scheme")},
        "categories": sorted(worded(found["categories"])),
        "materials": sorted(worded(found["materials"])),
        "limit": volume_out(found["limit_ul"]),
        **{name: found[name] for name in COLUMNS[10:]},
    }


def limit_shown(pk: int) -> dict[str, Any]:
    return limit_out(StorageLimit.objects.filter(pk=pk).values_list(*COLUMNS).get())


class LocationLimits(LocationView):
    """What may stand in a location."""

    contracts = {
        "GET": Contract(
            "lab.read",
            StorageLimitShape,
            "Limits of a location",
            params=(flag("ended", "Ended ones instead."), *paging(BY_ID)),
            paged=True,
        ),
        "POST": Contract(
            "locations.edit", LimitsMadeShape, "Let limits hold in a location", body=LimitMake, status=201
        ),
    }

    def get(self, request: Any, lab: str, location: str) -> HttpResponse:
        given = self.query
        rows = StorageLimit.objects.filter(
            location=self.location_at(location), ended_at__isnull=not given.get("ended", False)
        )
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=COLUMNS, given=given, shape=limit_out)
        )

    def post(self, request: Any, lab: str, location: str) -> HttpResponse:
        found = self.location_at(location)

        def work(data: Any) -> Done:
            if ("template" in data) == ("own" in data):
                raise InputError("", "one-of-both", "Give a row of the table or a limit of your own.")
            if "template" in data:
                made = self._applied(found, data["template"])
            else:
                own = dict(data["own"])
                row = limits.OwnLimit(limit_ul=limit_ul(own.pop("limit")), **own)
                made = [limits.limit_own(**self.by, location=found, limit=row)]
            return Done({"results": [limit_shown(row.pk) for row in made]})

        return self.write(work)

    def _applied(self, found: Any, data: Any) -> list[StorageLimit]:
        ref = data.get("reduction")
        key = data.get("key", data.get("name"))
        if key is None:
            raise InputError("template.key", "missing", "Which row or set is not said.", "Give its key.")
        return limits.limits_apply(
            **self.by,
            location=found,
            templates=limits.templates_named(key),
            name=data.get("name", "") if "key" in data else "",
            area_m2=data.get("area_m2"),
            reduction=limits.reduction_named(ref) if ref is not None else None,
            effect=data.get("effect", ""),
        )


class LimitView(LabView):
    def limit_at(self, ref: str) -> StorageLimit:
        return self.caller.by_id(StorageLimit.objects.all(), ref)


class LimitDetail(LimitView):
    """One storage limit."""

    contracts = {
        "GET": Contract("lab.read", StorageLimitShape, "One storage limit", tagged=True),
        "PATCH": Contract(
            "locations.edit", StorageLimitShape, "Change a storage limit", body=LimitChange, tagged=True
        ),
    }

    def get(self, request: Any, lab: str, limit: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(limit_shown(self.limit_at(limit).pk))

    def patch(self, request: Any, lab: str, limit: str) -> HttpResponse:
        found = self.limit_at(limit)

        def work(data: Any) -> Done:
            StorageLimit.objects.select_for_update(of=("self",)).get(pk=found.pk)
            check_if_match(self.request._request, limit_shown(found.pk))
            reason = data.pop("reason", "")
            if "limit" in data:
                data["limit_ul"] = limit_ul(data.pop("limit"))
            may = self.caller.may("safety.loosen")
            limits.limit_change(**self.by, limit=found, changes=data, reason=reason, may_loosen=may)
            return changed(limit_shown(found.pk))

        return self.write(work)


class LimitEndings(LimitView):
    """A limit holds no longer."""

    contracts = {
        "POST": Contract(
            "safety.loosen", StorageLimitShape, "End a storage limit", body=LimitEnding, status=201
        )
    }

    def post(self, request: Any, lab: str, limit: str) -> HttpResponse:
        found = self.limit_at(limit)

        def work(data: Any) -> Done:
            limits.limit_end(**self.by, limit=found, reason=data["reason"], may_loosen=True)
            return Done(limit_shown(found.pk))

        return self.write(work)


class LimitTemplates(LabView):
    """The shipped table: figures of published rules, each with its source. None holds by itself."""

    contracts = {"GET": Contract("lab.read", TemplatesShape, "Published storage limits", tagged=True)}

    def get(self, request: Any, lab: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        rows = []
        for row in load_templates().values():
            shown = {name: value for name, value in vars(row).items() if name != "amount_ul"}
            words = {name: sorted(shown[name]) for name in ("categories", "materials")}
            rows.append({**shown, **words})
        return self.detail({"limits": rows, "reductions": [asdict(r) for r in load_reductions().values()]})

"""Kinds of run and the facts they ask for: shipped ones, and a lab's own without code."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet
from django.http import Http404, HttpResponse
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, FlagField, NoteField, RefField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.lookup import is_id
from inventory.api.paging import Key, orderings, page
from inventory.api.params import flag, paging
from inventory.api.replies import check_if_match
from inventory.rules.errors import InputError
from recovery.api.shapes_kinds import SAID, RunFieldShape, RunKindShape
from recovery.models import RunField, RunKind
from recovery.rules.run_kinds import (
    CHOICES_MAX,
    FIELDS_MAX,
    QUANTITIES,
    AskedFor,
    FieldData,
    KindData,
    number_text,
)
from recovery.selectors.kinds import fields_of, kinds_of
from recovery.services import kinds

BY_ID = orderings(id=Key("id", "int"))
FIELD_COLUMNS = (
    "id", "key", "name", "quantity", "unit", "lowest", "highest", "choices", "help_text", "source", "lab_id",
    "ended_at", "version",
)  # fmt: skip
KIND_COLUMNS = (
    "id", "key", "name", "distils", "fields", "help_text", "source", "lab_id", "ended_at", "version",
)  # fmt: skip
DECIMAL = r"-?[0-9]{1,9}(\.[0-9]{1,6})?"


@extend_schema_field({"type": "string", "pattern": f"^{DECIMAL}$"})
class BoundField(serializers.Field[Any, Any, Any, Any]):
    """A bound as decimal text."""

    default_error_messages = {"invalid": 'Send text such as "-5" or "12.5".'}

    def to_internal_value(self, data: Any) -> Decimal:
        if isinstance(data, str) and re.fullmatch(DECIMAL, data, re.ASCII):
            return Decimal(data)
        return self.fail("invalid")


@extend_schema_field(SAID)
class EnteredField(serializers.Field[Any, Any, Any, Any]):
    """What is entered of a fact; its field says how it is read."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, str) and len(data) > 500:
            raise serializers.ValidationError("At most 500 characters.", code="too-long")
        return data


class ChoiceMake(Body):
    key = TextField(max_length=60)
    name = TextField(max_length=120)


class FieldFacts(Body):
    """What of a field may be changed later."""

    lowest = BoundField(required=False, allow_null=True)
    highest = BoundField(required=False, allow_null=True)
    choices = serializers.ListField(child=ChoiceMake(), required=False, max_length=CHOICES_MAX)
    help = NoteField(max_length=500)
    source = NoteField(max_length=500)  # type: ignore[assignment]


class FieldMake(FieldFacts):
    key = TextField(max_length=60, help_text="Lower-case letters, digits, hyphens.")
    name = TextField(max_length=120)
    quantity = serializers.ChoiceField(QUANTITIES)
    unit = NoteField(max_length=16, help_text="UCUM code in which numbers are kept.")


class FieldChange(FieldFacts):
    name = TextField(max_length=120, required=False)


class AskedForMake(Body):
    field = TextField(max_length=60, help_text="Key of a field.")
    default = EnteredField(required=False, allow_null=True)
    required = FlagField(required=False)  # type: ignore[assignment]


class KindFacts(Body):
    distils = FlagField(required=False, help_text="Left out: true, the worse.")
    asks = serializers.ListField(child=AskedForMake(), required=False, max_length=FIELDS_MAX)
    help = NoteField(max_length=500)
    source = NoteField(max_length=500)  # type: ignore[assignment]
    reason = NoteField(max_length=500, help_text="Needed where it is not to distil.")


class KindMake(KindFacts):
    key = TextField(max_length=60, help_text="Lower-case letters, digits, hyphens.")
    name = TextField(max_length=120, required=False, help_text="Needed unless it is a copy.")
    copy_of = RefField(required=False, help_text="Key of a kind to begin with.")


class KindChange(KindFacts):
    name = TextField(max_length=120, required=False)


class Nothing(Body):
    """Empty."""


def field_out(row: Any) -> dict[str, Any]:
    """One row of `FIELD_COLUMNS`."""
    found = dict(zip(FIELD_COLUMNS, row, strict=True))
    choices = tuple((key, name) for key, name in found["choices"])
    plain = {name: found[name] for name in ("key", "name", "quantity", "unit")}
    ends: Any = {name: found[name] for name in ("lowest", "highest")}
    return {
        "id": str(found["id"]),
        **plain,
        **{name: number_text(value) for name, value in ends.items()},
        "bounds": FieldData(**plain, **ends, choices=choices).bounds,
        "choices": [{"key": key, "name": name} for key, name in choices],
        "help": found["help_text"],
        "source": found["source"],
        "shipped": found["lab_id"] is None,
        "ended_at": found["ended_at"],
        "version": found["version"],
    }


def kind_out(row: Any) -> dict[str, Any]:
    """One row of `KIND_COLUMNS`."""
    found = dict(zip(KIND_COLUMNS, row, strict=True))
    return {
        "id": str(found["id"]),
        **{name: found[name] for name in ("key", "name", "distils")},
        "asks": found["fields"],
        "help": found["help_text"],
        "source": found["source"],
        "shipped": found["lab_id"] is None,
        "ended_at": found["ended_at"],
        "version": found["version"],
    }


class FieldView(LabView):
    def row_at(self, ref: str) -> RunField:
        found: RunField = _row_at(fields_of(self.caller.lab), ref)
        return found

    def shown(self, pk: int) -> dict[str, Any]:
        return field_out(RunField.objects.filter(pk=pk).values_list(*FIELD_COLUMNS).get())


def _row_at(rows: QuerySet[Any], ref: str) -> Any:
    """By id or key as in an address, or 404."""
    known = {"pk": int(ref)} if is_id(ref) else {"key": ref}
    found = None if "\x00" in ref else rows.filter(**known).first()
    if found is None:
        raise Http404
    return found


class RunFields(FieldView):
    """Facts that a run may be asked for."""

    contracts = {
        "GET": Contract(
            "runs.read",
            RunFieldShape,
            "Fields of runs",
            params=(flag("ended", "Ended ones instead."), *paging(BY_ID)),
            paged=True,
        ),
        "POST": Contract(
            "catalogue.add", RunFieldShape, "Add a field of the lab's own", body=FieldMake, status=201
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = fields_of(self.caller.lab).filter(ended_at__isnull=not given.get("ended", False))
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=FIELD_COLUMNS, given=given, shape=field_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            made = kinds.field_add(**self.by, data=FieldData(**_read(data)))
            return Done(self.shown(made.pk), headers={"Location": f"{self.request.path}{made.key}/"})

        return self.write(work)


def _read(data: Any) -> dict[str, Any]:
    if "choices" in data:
        data["choices"] = tuple((one["key"], one["name"]) for one in data["choices"])
    return dict(data)


class RunFieldDetail(FieldView):
    """One field, by id or key."""

    contracts = {
        "GET": Contract("runs.read", RunFieldShape, "One field of runs", tagged=True),
        "PATCH": Contract(
            "catalogue.add",
            RunFieldShape,
            "Change a field of the lab's own",
            body=FieldChange,
            tagged=True,
            words="What was told before stays as it was told. Quantity and unit do not change.",
        ),
    }

    def get(self, request: Any, lab: str, field: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown(self.row_at(field).pk))

    def patch(self, request: Any, lab: str, field: str) -> HttpResponse:
        found = self.row_at(field)

        def work(data: Any) -> Done:
            RunField.objects.select_for_update(of=("self",)).get(pk=found.pk)
            check_if_match(self.request._request, self.shown(found.pk))
            kinds.field_change(**self.by, field=found, changes=_read(data))
            return changed(self.shown(found.pk))

        return self.write(work)


class RunFieldEndings(FieldView):
    """A field is asked for no longer."""

    contracts = {
        "POST": Contract(
            "catalogue.add", RunFieldShape, "End a field of the lab's own", body=Nothing, status=201
        )
    }

    def post(self, request: Any, lab: str, field: str) -> HttpResponse:
        found = self.row_at(field)

        def work(data: Any) -> Done:
            kinds.field_end(**self.by, field=found)
            return Done(self.shown(found.pk))

        return self.write(work)


class KindView(LabView):
    def row_at(self, ref: str) -> RunKind:
        found: RunKind = _row_at(kinds_of(self.caller.lab), ref)
        return found

    def shown(self, pk: int) -> dict[str, Any]:
        return kind_out(RunKind.objects.filter(pk=pk).values_list(*KIND_COLUMNS).get())

    def signature(self, data: Any) -> dict[str, Any]:
        return {"reason": data.pop("reason", ""), "may_loosen": self.caller.may("safety.loosen")}


def _asked(data: Any) -> dict[str, Any]:
    if "asks" in data:
        data["fields"] = tuple(AskedFor(**one) for one in data.pop("asks"))
    return dict(data)


class RunKinds(KindView):
    """Kinds of run, by their trade terms."""

    contracts = {
        "GET": Contract(
            "runs.read",
            RunKindShape,
            "Kinds of run",
            params=(flag("ended", "Ended ones instead."), *paging(BY_ID)),
            paged=True,
        ),
        "POST": Contract(
            "catalogue.add",
            RunKindShape,
            "Add a kind of the lab's own",
            body=KindMake,
            status=201,
            words="One that is not to distil unless somebody says so passes no gate: it needs "
            "`safety.loosen` and a reason.",
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = kinds_of(self.caller.lab).filter(ended_at__isnull=not given.get("ended", False))
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=KIND_COLUMNS, given=given, shape=kind_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            signature = self.signature(data)
            made = kinds.kind_add(**self.by, data=self._wanted(_asked(data)), **signature)
            return Done(self.shown(made.pk), headers={"Location": f"{self.request.path}{made.key}/"})

        return self.write(work)

    def _wanted(self, data: dict[str, Any]) -> KindData:
        ref = data.pop("copy_of", None)
        if ref is not None:
            model = kinds.kind_named(lab=self.caller.lab, ref=ref, field="copy_of")
            begun = kinds.copy_of(model, data["key"], data.get("name", ""))
            return KindData(**{name: data.get(name, getattr(begun, name)) for name in KindData.__slots__})
        if "name" not in data:
            raise InputError("name", "missing", "A kind of run needs a name.", "Say what is done.")
        return KindData(**{"distils": True, "fields": (), "source": self.caller.lab.name, **data})


class RunKindDetail(KindView):
    """One kind of run, by id or key."""

    contracts = {
        "GET": Contract("runs.read", RunKindShape, "One kind of run", tagged=True),
        "PATCH": Contract(
            "catalogue.add",
            RunKindShape,
            "Change a kind of the lab's own",
            body=KindChange,
            tagged=True,
            words="Runs that were started stay as they are. A shipped kind is copied, and the copy changed.",
        ),
    }

    def get(self, request: Any, lab: str, kind: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown(self.row_at(kind).pk))

    def patch(self, request: Any, lab: str, kind: str) -> HttpResponse:
        found = self.row_at(kind)

        def work(data: Any) -> Done:
            RunKind.objects.select_for_update(of=("self",)).get(pk=found.pk)
            check_if_match(self.request._request, self.shown(found.pk))
            signature = self.signature(data)
            kinds.kind_change(**self.by, kind=found, changes=_asked(data), **signature)
            return changed(self.shown(found.pk))

        return self.write(work)


class RunKindEndings(KindView):
    """No run is started as one of this kind any more."""

    contracts = {
        "POST": Contract(
            "catalogue.add", RunKindShape, "End a kind of the lab's own", body=Nothing, status=201
        )
    }

    def post(self, request: Any, lab: str, kind: str) -> HttpResponse:
        found = self.row_at(kind)

        def work(data: Any) -> Done:
            kinds.kind_end(**self.by, kind=found)
            return Done(self.shown(found.pk))

        return self.write(work)

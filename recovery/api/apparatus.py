"""Stills, condensers and evaporators, with the record of what was done to each."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import AmountField, Body, InstantField, NoteField, RefField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.lookup import location_in
from inventory.api.paging import Key, orderings, page
from inventory.api.params import choice, flag, paging
from inventory.api.quantities import volume_out
from inventory.api.replies import check_if_match
from inventory.api.rows import id_or_none
from recovery.api.shapes_kinds import ApparatusRecordShape, ApparatusShape
from recovery.models import Apparatus, ApparatusRecord
from recovery.services import apparatus
from recovery.services.apparatus import KINDS, RECORDS, hold_up_read

BY_ID = orderings(id=Key("id", "int"))
RECORD_ORDERS = orderings(id=Key("id", "int"), happened_at=Key("happened_at", "instant"))
COLUMNS = (
    "id", "name", "kind", "location_id", "location__name", "hold_up_ul", "note", "ended_at", "created_at",
    "version",
)  # fmt: skip
RECORD_COLUMNS = (
    "id", "apparatus_id", "what", "happened_at", "note", "withdraws_id", "withdrawn_by__id",
    "actor__username", "recorded_at",
)  # fmt: skip


class ApparatusFacts(Body):
    location = RefField(required=False, allow_null=True, help_text="Where it stands.")
    hold_up = AmountField(
        required=False, allow_null=True, help_text="What stays on its walls and in its joints, a volume."
    )
    note = NoteField()


class ApparatusMake(ApparatusFacts):
    name = TextField(max_length=120)
    kind = serializers.ChoiceField(KINDS)


class ApparatusChange(ApparatusFacts):
    name = TextField(max_length=120, required=False)
    kind = serializers.ChoiceField(KINDS, required=False)


class ApparatusEnd(Body):
    reason = NoteField(max_length=500)


class RecordMake(Body):
    what = serializers.ChoiceField(RECORDS, help_text="Repaired and changed begin a new baseline of losses.")
    happened_at = InstantField(required=False)
    note = NoteField(help_text="Needed for “other”.")


class RecordWithdrawal(Body):
    reason = TextField(max_length=500)


def apparatus_out(row: Any) -> dict[str, Any]:
    """One row of `COLUMNS`."""
    pk, name, kind, location, location_name, hold_up, note, ended_at, created_at, version = row
    return {
        "id": str(pk),
        "name": name,
        "kind": kind,
        "location": None if location is None else {"id": str(location), "name": location_name},
        "hold_up": None if hold_up is None else volume_out(hold_up),
        "note": note,
        "ended_at": ended_at,
        "created_at": created_at,
        "version": version,
    }


def record_out(row: Any) -> dict[str, Any]:
    """One row of `RECORD_COLUMNS`."""
    pk, of, what, happened_at, note, withdraws, withdrawn_by, actor, recorded_at = row
    return {
        "id": str(pk),
        "apparatus": str(of),
        "what": what,
        "happened_at": happened_at,
        "note": note,
        "withdraws": id_or_none(withdraws),
        "withdrawn": withdrawn_by is not None,
        "actor": actor,
        "recorded_at": recorded_at,
    }


def record_shown(pk: int) -> dict[str, Any]:
    return record_out(ApparatusRecord.objects.filter(pk=pk).values_list(*RECORD_COLUMNS).get())


class ApparatusView(LabView):
    def apparatus_at(self, ref: str) -> Apparatus:
        return self.caller.by_id(Apparatus.objects.all(), ref)

    def shown(self, pk: int) -> dict[str, Any]:
        return apparatus_out(Apparatus.objects.filter(pk=pk).values_list(*COLUMNS).get())

    def read(self, data: Any) -> dict[str, Any]:
        """What was sent as the services take it."""
        if "hold_up" in data:
            data["hold_up_ul"] = hold_up_read(data.pop("hold_up"))
        if data.get("location") is not None:
            data["location"] = location_in(self.caller, data["location"])
        return dict(data)


class ApparatusList(ApparatusView):
    """What solvent passes in runs, and where it may leak."""

    contracts = {
        "GET": Contract(
            "runs.read",
            ApparatusShape,
            "Apparatus",
            params=(choice("kind", KINDS), flag("ended", "Ended ones instead."), *paging(BY_ID)),
            paged=True,
        ),
        "POST": Contract(
            "locations.edit", ApparatusShape, "Add an apparatus", body=ApparatusMake, status=201
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = Apparatus.objects.filter(lab=self.caller.lab, ended_at__isnull=not given.get("ended", False))
        if "kind" in given:
            rows = rows.filter(kind=given["kind"])
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=COLUMNS, given=given, shape=apparatus_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            made = apparatus.apparatus_add(**self.by, **self.read(data))
            return Done(self.shown(made.pk), headers={"Location": f"{self.request.path}{made.pk}/"})

        return self.write(work)


class ApparatusDetail(ApparatusView):
    """One apparatus."""

    contracts = {
        "GET": Contract("runs.read", ApparatusShape, "One apparatus", tagged=True),
        "PATCH": Contract(
            "locations.edit", ApparatusShape, "Change an apparatus", body=ApparatusChange, tagged=True
        ),
    }

    def get(self, request: Any, lab: str, apparatus: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown(self.apparatus_at(apparatus).pk))

    def patch(self, request: Any, lab: str, apparatus: str) -> HttpResponse:
        found = self.apparatus_at(apparatus)
        return self.write(lambda data: self._change(found, data))

    def _change(self, found: Apparatus, data: Any) -> Done:
        Apparatus.objects.select_for_update(of=("self",)).get(pk=found.pk)
        check_if_match(self.request._request, self.shown(found.pk))
        apparatus.apparatus_change(**self.by, apparatus=found, changes=self.read(data))
        return changed(self.shown(found.pk))


class ApparatusEndings(ApparatusView):
    """No run is done in it any more."""

    contracts = {
        "POST": Contract("locations.edit", ApparatusShape, "End an apparatus", body=ApparatusEnd, status=201)
    }

    def post(self, request: Any, lab: str, apparatus: str) -> HttpResponse:
        found = self.apparatus_at(apparatus)
        return self.write(lambda data: self._end(found, data))

    def _end(self, found: Apparatus, data: Any) -> Done:
        apparatus.apparatus_end(**self.by, apparatus=found, **data)
        return Done(self.shown(found.pk))


class ApparatusRecords(ApparatusView):
    """What was done to an apparatus, newest first."""

    contracts = {
        "GET": Contract(
            "runs.read",
            ApparatusRecordShape,
            "Record of an apparatus",
            params=paging(RECORD_ORDERS),
            paged=True,
        ),
        "POST": Contract(
            "runs.log", ApparatusRecordShape, "Record what was done to it", body=RecordMake, status=201
        ),
    }

    def get(self, request: Any, lab: str, apparatus: str) -> HttpResponse:
        given = self.query
        rows = ApparatusRecord.objects.filter(apparatus=self.apparatus_at(apparatus))
        keys = RECORD_ORDERS[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=RECORD_COLUMNS, given=given, shape=record_out)
        )

    def post(self, request: Any, lab: str, apparatus: str) -> HttpResponse:
        found = self.apparatus_at(apparatus)
        return self.write(lambda data: self._record(found, data))

    def _record(self, found: Apparatus, data: Any) -> Done:
        return Done(record_shown(apparatus.record_add(**self.by, apparatus=found, **data).pk))


class ApparatusRecordWithdrawals(LabView):
    """A record is taken back by a newer one that names it."""

    contracts = {
        "POST": Contract(
            "safety.withdraw",
            ApparatusRecordShape,
            "Withdraw a record of an apparatus",
            body=RecordWithdrawal,
            status=201,
        )
    }

    def post(self, request: Any, lab: str, record: str) -> HttpResponse:
        found = self.caller.by_id(ApparatusRecord.objects.select_related("apparatus"), record)

        def work(data: Any) -> Done:
            return Done(record_shown(apparatus.record_withdraw(**self.by, row=found, **data).pk))

        return self.write(work)

"""Rooms, cabinets and shelves: the tree, and what stands in it against the limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, NoteField, RefField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.lookup import location_in
from inventory.api.measures import MeasureField
from inventory.api.paging import Key, orderings, page
from inventory.api.params import flag, paging, text
from inventory.api.quantities import volume_out
from inventory.api.replies import check_if_match
from inventory.api.rows import id_or_none
from inventory.api.shapes import LocationShape
from inventory.api.shapes_storage import LocationDetailShape, StorageShape
from inventory.api.storing import Overriding, override_of, warnings_out
from inventory.models import Location
from inventory.rules.quantity import Dimension, parse_quantity
from inventory.selectors import storage
from inventory.selectors.storage import Liquid, Neighbours, Use
from inventory.services.importing import lock_lab
from inventory.services.locations import KINDS, location_add, location_change, location_end
from inventory.services.places import fold
from inventory.services.storage import StorageWarning

BY_NAME = orderings(name=Key("name", "str"))
COLUMNS = ("id", "name", "kind", "parent_id")
TENTH = Decimal("0.1")
AIR_FIELDS: dict[str, tuple[str, Dimension, str]] = {
    "room_volume": ("volume_m3", "volume", "m3"),
    "air_changes": ("air_changes_per_h", "frequency", "/h"),
}


class LocationMake(Body):
    name = TextField(max_length=120)
    kind = serializers.ChoiceField(KINDS, required=False)
    parent = RefField(required=False, allow_null=True)  # type: ignore[assignment]


class LocationChange(Overriding):
    """parent: what it stands in from now on, with all that is in it; null: nothing."""

    name = TextField(max_length=120, required=False)
    kind = serializers.ChoiceField(KINDS, required=False)
    note = NoteField()
    parent = RefField(required=False, allow_null=True)  # type: ignore[assignment]
    room_volume = MeasureField(required=False, allow_null=True, help_text='Air in it, as "60 m3".')
    air_changes = MeasureField(required=False, allow_null=True, help_text='As "4 per h". null: not known.')
    reason = NoteField(max_length=500)


def air_out(value: Decimal | None, unit: str) -> dict[str, str | None] | None:
    """Size or fresh air of a room; None: not known."""
    return None if value is None else {"value": format(value, "f"), "unit": unit, "uncertainty": None}


def air_of(data: dict[str, Any]) -> dict[str, Decimal | None]:
    """The columns of what a body says of a room's air. Raises InputError."""
    found: dict[str, Decimal | None] = {}
    for field, (column, dimension, unit) in AIR_FIELDS.items():
        if field in data:
            raw = data.pop(field)
            told = None if raw is None else parse_quantity(raw, field=field, dimension=dimension)
            found[column] = None if told is None else told.to(unit)
    return found


class Ending(Body):
    reason = TextField(max_length=500)


def location_out(row: Sequence[Any]) -> dict[str, Any]:
    """One row of `COLUMNS`."""
    pk, name, kind, parent = row
    return {"id": str(pk), "name": name, "kind": kind, "parent": id_or_none(parent)}


def percent_of(part: int, whole: int) -> str:
    """A share in percent with one decimal, as text."""
    return format((Decimal(part) * 100 / whole).quantize(TENTH, ROUND_HALF_UP), "f")


def use_out(use: Use) -> dict[str, Any]:
    limit = use.kept.limit
    return {
        "limit": str(limit.id),
        "name": limit.name,
        "measure": limit.measure,
        "effect": limit.effect,
        "code": limit.code,
        "source": limit.source,
        "allowed": volume_out(limit.limit_ul),
        "used": volume_out(use.used_ul),
        "over": volume_out(use.over_ul),
        "percent": percent_of(use.used_ul, limit.limit_ul),
        "too_large": list(use.too_large),
    }


def _liquid_out(liquid: Liquid) -> dict[str, Any]:
    return {"id": str(liquid.id), "key": liquid.key, "name": liquid.name}


class Locations(LabView):
    """Rooms, cabinets and shelves."""

    contracts = {
        "GET": Contract(
            "lab.read",
            LocationShape,
            "Locations",
            params=(text("q"), flag("ended", "Ended ones instead."), *paging(BY_NAME)),
            paged=True,
        ),
        "POST": Contract("locations.edit", LocationShape, "Add a location", body=LocationMake, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = Location.objects.filter(lab=self.caller.lab, ended_at__isnull=not given.get("ended", False))
        if "q" in given:
            rows = rows.filter(folded__contains=fold(given["q"]))
        keys = BY_NAME[given.get("ordering", "name")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=COLUMNS, given=given, shape=location_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            ref = data.pop("parent", None)
            parent = location_in(self.caller, ref, "parent") if ref is not None else None
            made = location_add(**self.by, parent=parent, **data)
            body = location_out((made.pk, made.name, made.kind, made.parent_id))
            return Done(body, headers={"Location": f"{self.request.path}{made.pk}/"})

        return self.write(work)


class LocationView(LabView):
    """Answers about one location."""

    def location_at(self, ref: str) -> Location:
        return self.caller.by_id(Location.objects.all(), ref)

    def shown(self, pk: int, warnings: Iterable[StorageWarning] = ()) -> dict[str, Any]:
        held = Location.objects.get(pk=pk)
        uses = storage.overview(lab=self.caller.lab).uses.get(pk, [])
        return {
            **location_out((held.pk, held.name, held.kind, held.parent_id)),
            "note": held.note,
            "room_volume": air_out(held.volume_m3, "m3"),
            "air_changes": air_out(held.air_changes_per_h, "/h"),
            "version": held.version,
            "ended_at": held.ended_at,
            "limits": [use_out(use) for use in uses],
            "warnings": warnings_out(warnings),
        }


class LocationDetail(LocationView):
    """One location with its limits and what counts in them."""

    contracts = {
        "GET": Contract("lab.read", LocationDetailShape, "One location", tagged=True),
        "PATCH": Contract(
            "locations.edit",
            LocationDetailShape,
            "Rename a location, or put it into another",
            body=LocationChange,
            tagged=True,
            words="What stands in it is held against the limits of its new place.",
        ),
    }

    def get(self, request: Any, lab: str, location: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown(self.location_at(location).pk))

    def patch(self, request: Any, lab: str, location: str) -> HttpResponse:
        found = self.location_at(location)
        return self.write(lambda data: self._change(found, data))

    def _change(self, found: Location, data: Any) -> Done:
        lock_lab(self.caller.lab)
        check_if_match(self.request._request, self.shown(found.pk))
        override, reason = override_of(self.caller, data), data.pop("reason", "")
        if data.get("parent") is not None:
            data["parent"] = location_in(self.caller, data["parent"], "parent")
        changes = {**air_of(data), **data}
        done = location_change(**self.by, location=found, changes=changes, reason=reason, override=override)
        return changed(self.shown(found.pk, done.warnings))


class LocationEndings(LocationView):
    """An empty location goes out of use."""

    contracts = {
        "POST": Contract("locations.edit", LocationDetailShape, "End a location", body=Ending, status=201)
    }

    def post(self, request: Any, lab: str, location: str) -> HttpResponse:
        found = self.location_at(location)

        def work(data: Any) -> Done:
            location_end(**self.by, location=found, **data)
            return Done(self.shown(found.pk))

        return self.write(work)


class Storage(LabView):
    """Every location with its limits, the fullest first, and what should not be neighbours."""

    contracts = {
        "GET": Contract("stock.read", StorageShape, "What stands where against the limits", tagged=True)
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        found = storage.overview(lab=self.caller.lab)
        rows = [row for row in found.locations.values() if row.ended_at is None]
        rows.sort(key=lambda row: -max((use.share for use in found.uses.get(row.pk, [])), default=-1.0))
        body = {
            "results": [self._row(row, found.uses.get(row.pk, [])) for row in rows],
            "neighbours": [self._neighbours(one, found.locations) for one in found.neighbours],
        }
        return self.detail(body)

    def _row(self, row: Location, uses: list[Use]) -> dict[str, Any]:
        return {
            **location_out((row.pk, row.name, row.kind, row.parent_id)),
            "limits": [use_out(use) for use in uses],
            "over": any(use.over_ul for use in uses),
        }

    def _neighbours(self, one: Neighbours, locations: Any) -> dict[str, Any]:
        return {
            "location": {"id": str(one.location_id), "name": locations[one.location_id].name},
            "one": _liquid_out(one.one),
            "other": _liquid_out(one.other),
            "effect": one.clash.effect,
            "code": one.clash.code,
            "words": one.clash.words,
            "source": one.clash.source,
        }

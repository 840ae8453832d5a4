"""Waste containers: what they hold, how long they may stay, and who took them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.http import Http404, HttpResponse
from rest_framework import serializers

from inventory.access import Caller
from inventory.api.base import Contract, LabView
from inventory.api.bench import posted_out
from inventory.api.fields import AmountField, DayField, InstantField, NoteField, RefField, TextField
from inventory.api.fields import Body as PlainBody
from inventory.api.idempotency import Done, changed
from inventory.api.locations import percent_of
from inventory.api.lookup import container_in, is_id, location_in, solvent_in
from inventory.api.paging import Key, orderings, page
from inventory.api.params import flag, paging
from inventory.api.quantities import capacity_ul, volume_out
from inventory.api.replies import check_if_match
from inventory.api.rows import solvent_ref
from inventory.api.shapes_storage import (
    AddedShape,
    CollectedShape,
    WasteDetailShape,
    WasteRulesShape,
    WasteShape,
)
from inventory.api.storing import Overriding, override_of, warnings_out
from inventory.models import Solvent, WasteContainer
from inventory.rules.errors import InputError
from inventory.rules.waste import CAUTIONS, FORMER_CAUTION, load_keeping, load_monthly
from inventory.selectors.due import today_in
from inventory.selectors.waste import waste_mass_kg
from inventory.services import waste, waste_filling
from inventory.services.places import lock_wastes
from inventory.services.storage import StorageWarning
from inventory.services.waste import DAYS_MAX, WasteFacts
from inventory.services.waste_filling import SOURCES, PutIn
from inventory.services.waste_suspect import suspicions

ORDERINGS = orderings(id=Key("id", "int"), code=Key("code", "str"), collect_by=Key("collect_by", "day"))
COLUMNS = (
    "id", "code", "stream", "place_id", "location_id", "location__name", "volume_ul", "capacity_ul",
    "full_percent", "started_on", "days_max", "days_source", "collect_by", "collected_at", "note", "version",
)  # fmt: skip
SOURCE_KINDS = [kind.value for kind in SOURCES]


class WasteMake(PlainBody):
    """Left out, `started_on` is the day of the first waste, and `keeping` the shortest for a whole lab."""

    stream = TextField(max_length=120, help_text="What belongs in it.")
    capacity = AmountField(help_text="Size of the container, a volume.")
    code = RefField(max_length=24, required=False, help_text="A code of our own is made when left out.")
    location = RefField(required=False, help_text="Id or name of a location.")
    full_percent = serializers.IntegerField(min_value=1, max_value=100, required=False)
    started_on = DayField(required=False)
    keeping = serializers.ChoiceField(
        list(load_keeping()), required=False, help_text="How long it may stay, see waste-rules/."
    )
    days_max = serializers.IntegerField(min_value=1, max_value=DAYS_MAX, required=False)
    days_source = NoteField(max_length=200, help_text="Needed with `days_max`.")
    note = NoteField()


class WasteChange(Overriding):
    """What lets it stay longer, or be fuller before anybody is told, needs `safety.loosen` and a reason."""

    stream = TextField(max_length=120, required=False)
    location = RefField(required=False, allow_null=True)
    full_percent = serializers.IntegerField(min_value=1, max_value=100, required=False)
    started_on = DayField(required=False)
    keeping = serializers.ChoiceField(list(load_keeping()), required=False)
    days_max = serializers.IntegerField(min_value=1, max_value=DAYS_MAX, required=False)
    days_source = NoteField(max_length=200, help_text="Needed with `days_max`.")
    note = NoteField()
    reason = NoteField(max_length=500)


class Addition(Overriding):
    """From a container (all of it when no volume is told), or a solvent that is in none by the records."""

    container = RefField(required=False, help_text="Id or code.")
    solvent = RefField(required=False, help_text="Instead of a container.")
    volume = AmountField(required=False)
    happened_at = InstantField(required=False)
    note = NoteField()

    def get_fields(self) -> dict[str, Any]:
        came = serializers.ChoiceField(
            SOURCE_KINDS, required=False, help_text="With a solvent; left out: before-counting."
        )
        return {**super().get_fields(), "from": came}


class Collection(PlainBody):
    happened_at = InstantField(required=False)
    note = NoteField()


def waste_find(caller: Caller, ref: str) -> WasteContainer | None:
    """The lab's waste container by id (digits only) or by code."""
    if is_id(ref):
        return WasteContainer.objects.select_related("lab").filter(lab=caller.lab, pk=int(ref)).first()
    if "\x00" in ref or not 0 < len(ref) <= 40:
        return None
    try:
        return waste.waste_named(lab=caller.lab, ref=ref)
    except InputError:
        return None


def waste_in(caller: Caller, ref: str, field: str) -> WasteContainer:
    """As `waste_find`, or InputError naming the body's field."""
    found = waste_find(caller, ref)
    if found is None:
        raise InputError(
            field, "unknown-waste-container", "This lab has no such waste container.", "Send its id or code."
        )
    return found


def _keeping(data: dict[str, Any]) -> dict[str, Any]:
    """How long it may stay, from the row named or the days told. Raises InputError."""
    key, days, source = (data.pop(name, None) for name in ("keeping", "days_max", "days_source"))
    if key is None and days is None and not source:
        return {}
    if key is not None:
        if days is not None or source:
            raise InputError("keeping", "one-of-both", "Name a row of waste-rules/, or days and a source.")
        row = load_keeping()[key]
        return {"days_max": row.days, "days_source": row.told}
    if days is None or not source or not source.strip():
        name = "days_max" if days is None else "days_source"
        raise InputError(name, "missing", "Days need the source that they are from, and the other way round.")
    return {"days_max": days, "days_source": source}


class WasteView(LabView):
    """Answers about waste containers."""

    def waste_at(self, ref: str) -> WasteContainer:
        found = waste_find(self.caller, ref)
        if found is None:
            raise Http404
        return found

    def row_out(self, row: Any) -> dict[str, Any]:
        """One row of `COLUMNS`."""
        found = dict(zip(COLUMNS, row, strict=True))
        location_id, name = found.pop("location_id"), found.pop("location__name")
        volume_ul, size_ul = found.pop("volume_ul"), found.pop("capacity_ul")
        place_id = found.pop("place_id")
        return {
            **found,
            "id": str(found["id"]),
            "place": str(place_id),
            "location": None if location_id is None else {"id": str(location_id), "name": name},
            "volume": volume_out(volume_ul),
            "capacity": volume_out(size_ul),
            "percent": percent_of(volume_ul, size_ul),
            "nearly_full": volume_ul * 100 >= size_ul * found["full_percent"],
            "days_left": (found["collect_by"] - today_in(self.caller.lab, self.now)).days,
        }

    def shown(self, pk: int) -> dict[str, Any]:
        return self.row_out(WasteContainer.objects.filter(pk=pk).values_list(*COLUMNS).get())

    def whole(self, pk: int, warnings: Iterable[StorageWarning] = ()) -> dict[str, Any]:
        """With what is in it by solvent, and what to heed."""
        held = WasteContainer.objects.select_related("lab__policy").get(pk=pk)
        inside: dict[int, int] = {}
        for (solvent_id, _), volume_ul in waste.contents(held).items():
            inside[solvent_id] = inside.get(solvent_id, 0) + volume_ul
        rows = Solvent.objects.defer("facts").filter(pk__in=inside).order_by("key")
        former = (FORMER_CAUTION,) if any(row.is_former for row in rows) else ()
        return {
            **self.shown(pk),
            "contents": [
                {"solvent": solvent_ref(row.pk, row.key, row.name), "volume": volume_out(inside[row.pk])}
                for row in rows
            ],
            **suspect_out(held),
            "cautions": cautions_out((*former, *CAUTIONS)),
            "warnings": warnings_out(warnings),
        }


def suspect_out(held: WasteContainer) -> dict[str, Any]:
    """Whether what went in had a grave reading or sign, and which."""
    found = suspicions(held)
    return {"suspect": bool(found), "suspect_reasons": [vars(one) for one in found]}


def cautions_out(cautions: Iterable[tuple[str, str]]) -> list[dict[str, str]]:
    return [{"words": words, "source": source} for words, source in cautions]


class WasteContainers(WasteView):
    """Waste containers that are here."""

    contracts = {
        "GET": Contract(
            "stock.read",
            WasteShape,
            "Waste containers",
            params=(flag("collected", "Collected ones instead."), *paging(ORDERINGS)),
            paged=True,
        ),
        "POST": Contract(
            "waste.edit", WasteDetailShape, "Set up a waste container", body=WasteMake, status=201
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        gone = given.get("collected", False)
        rows = WasteContainer.objects.filter(lab=self.caller.lab, collected_at__isnull=not gone)
        keys = ORDERINGS[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=COLUMNS, given=given, shape=self.row_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            size_ul = capacity_ul(data.pop("capacity"))
            if "location" in data:
                data["location"] = location_in(self.caller, data["location"])
            facts = WasteFacts(capacity_ul=size_ul, **_keeping(data), **data)
            made = waste.waste_add(**self.by, facts=facts)
            return Done(self.whole(made.pk), headers={"Location": f"{self.request.path}{made.pk}/"})

        return self.write(work)


class WasteDetail(WasteView):
    """One waste container with what is in it."""

    contracts = {
        "GET": Contract("stock.read", WasteDetailShape, "One waste container", tagged=True),
        "PATCH": Contract(
            "waste.edit", WasteDetailShape, "Change a waste container", body=WasteChange, tagged=True
        ),
    }

    def get(self, request: Any, lab: str, waste: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.whole(self.waste_at(waste).pk))

    def patch(self, request: Any, lab: str, waste: str) -> HttpResponse:
        found = self.waste_at(waste)
        return self.write(lambda data: self._change(found, data))

    def _change(self, found: WasteContainer, data: Any) -> Done:
        lock_wastes([found.place_id])
        check_if_match(self.request._request, self.whole(found.pk))
        override, reason = override_of(self.caller, data), data.pop("reason", "")
        if "location" in data:
            ref = data.pop("location")
            data["location_id"] = None if ref is None else location_in(self.caller, ref).pk
        changes = {**data, **_keeping(data)}
        changes.pop("keeping", None)
        _, warnings = waste.waste_edit(
            **self.by, waste=found, changes=changes, reason=reason, override=override
        )
        return changed(self.whole(found.pk, warnings))


class WasteAdditions(WasteView):
    """Waste goes into a waste container."""

    contracts = {
        "POST": Contract(
            "waste.log",
            AddedShape,
            "Put waste in",
            body=Addition,
            status=201,
            words="What a run leaves goes in at its closing, as a loss to “waste-container”.",
        )
    }

    def post(self, request: Any, lab: str, waste: str) -> HttpResponse:
        found = self.waste_at(waste)

        def work(data: Any) -> Done:
            done, touched = self._put_in(found, data)
            posted = posted_out(done.posted, touched, today_in(self.caller.lab, self.now))
            extra = {"waste": self.shown(found.pk), "cautions": cautions_out(done.cautions)}
            extra |= suspect_out(found)
            return Done({**posted, "warnings": warnings_out(done.warnings), **extra})

        return self.write(work)

    def _put_in(self, found: WasteContainer, data: Any) -> tuple[PutIn, list[int]]:
        if ("container" in data) == ("solvent" in data):
            raise InputError("container", "one-of-both", "Name a container, or a solvent that is in none.")
        options = {**self.by, "waste": found, "override": override_of(self.caller, data)}
        options |= {name: data[name] for name in ("happened_at", "note") if name in data}
        if "container" in data:
            if "from" in data:
                raise InputError("from", "not-with-container", "It comes from the container.")
            container = container_in(self.caller, data["container"], "container")
            done = waste_filling.put_in(**options, container=container, amount=data.get("volume"))
            return done, [container.pk]
        if "volume" not in data:
            raise InputError("volume", "missing", "How much of the solvent is it?", "Give the volume.")
        solvent = solvent_in(self.caller, data["solvent"])
        source = data.get("from", SOURCE_KINDS[0])
        return waste_filling.put_in_uncounted(
            **options, solvent=solvent, amount=data["volume"], source=source
        ), []


class WasteCollections(WasteView):
    """The contractor takes a waste container with all that is in it."""

    contracts = {
        "POST": Contract(
            "waste.edit", CollectedShape, "Hand over to the contractor", body=Collection, status=201
        )
    }

    def post(self, request: Any, lab: str, waste: str) -> HttpResponse:
        found = self.waste_at(waste)
        return self.write(lambda data: self._collect(found, data))

    def _collect(self, found: WasteContainer, data: Any) -> Done:
        held, posted = waste.collect(**self.by, waste=found, **data)
        body = posted_out(posted, [], today_in(self.caller.lab, self.now))
        return Done({**body, "waste": self.shown(held.pk)})


class WasteRules(WasteView):
    """How long waste may be kept and how much may come about, and how much did this month."""

    contracts = {"GET": Contract("stock.read", WasteRulesShape, "Published rules for waste", tagged=True)}

    def get(self, request: Any, lab: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        month = today_in(self.caller.lab, self.now).replace(day=1)
        mass_kg = waste_mass_kg(lab=self.caller.lab, month=month)
        body = {
            "keeping": [vars(row) for row in load_keeping().values()],
            "monthly": [{**vars(row), "over": mass_kg > row.mass_kg} for row in load_monthly().values()],
            "month": month,
            "mass_kg": format(mass_kg, "f"),
        }
        return self.detail(body)

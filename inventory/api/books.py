"""The books: movements, events, and the catalogue."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, DecimalTextField, TextField
from inventory.api.idempotency import Done
from inventory.api.lookup import container_at, solvent_at
from inventory.api.paging import Key, orderings, page
from inventory.api.rows import SOLVENT_COLUMNS, movement_out, solvent_detail, solvent_out
from inventory.api.shapes import EventShape, MovementShape, SolventFactsShape, SolventShape
from inventory.models import Event, Movement, Solvent
from inventory.selectors.containers import MOVEMENT_COLUMNS, movements_listed
from inventory.services.catalogue import (
    CLASSES_TO_CONFIRM,
    solvent_add,
    solvent_confirm,
    solvents_like,
    solvents_of,
)

NEWEST = orderings(id=Key("id", "int"))
BY_NAME = orderings(name=Key("name", "str"))
MOVEMENT_FILTERS = (
    params.ref("place", "Source or destination."),
    params.ref("lot"),
    params.text("solvent", "Id, key, name or synonym."),
    params.text("kind"),
    params.uuid("entry"),
    params.on("flow_month", "First day of a month."),
    params.at("happened_at__gte"),
    params.at("happened_at__lt"),
    *params.paging(NEWEST),
)


class Movements(LabView):
    """Every microlitre that went from one place to another, newest first."""

    contracts = {
        "GET": Contract("stock.read", MovementShape, "Movements", params=MOVEMENT_FILTERS, paged=True)
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        return self.listing(
            _movements_page(request, movements_listed(lab=self.caller.lab, given=given), given)
        )


def _movements_page(request: Any, rows: Any, given: dict[str, Any]) -> dict[str, Any]:
    keys = NEWEST[given.get("ordering", "-id")]
    return page(request._request, rows, keys=keys, columns=MOVEMENT_COLUMNS, given=given, shape=movement_out)


class ContainerMovements(LabView):
    """What went into and out of one container."""

    contracts = {
        "GET": Contract(
            "stock.read",
            MovementShape,
            "Movements of a container",
            params=params.paging(NEWEST),
            paged=True,
        )
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        given = self.query
        place = container_at(self.caller, container).place_id
        rows = Movement.objects.touching([place])
        return self.listing(_movements_page(request, rows, given))


EVENT_COLUMNS = ("id", "at", "actor__username", "verb", "subject_kind", "subject_id", "data")


def _event_out(row: Any) -> dict[str, Any]:
    pk, at, actor, verb, kind, subject_id, data = row
    subject = {"kind": kind, "id": str(subject_id)}
    return {"id": str(pk), "at": at, "actor": actor, "verb": verb, "subject": subject, "data": data}


class Events(LabView):
    """Who changed which fact, newest first."""

    contracts = {
        "GET": Contract(
            "audit.read",
            EventShape,
            "Events",
            params=(
                params.text("verb"),
                params.text("subject_kind"),
                params.ref("subject_id"),
                params.at("at__gte"),
                params.at("at__lt"),
                *params.paging(NEWEST),
            ),
            paged=True,
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        names = ("verb", "subject_kind", "subject_id", "at__gte", "at__lt")
        rows = Event.objects.filter(lab=self.caller.lab, **{n: given[n] for n in names if n in given})
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=EVENT_COLUMNS, given=given, shape=_event_out)
        )


class SolventAdd(Body):
    """A solvent that is not listed. Its data come from a library and count as unconfirmed."""

    cas = TextField(max_length=20)
    name = TextField(max_length=120, required=False)
    density_20c_kg_m3 = DecimalTextField(required=False, help_text="Only when no density is known.")


class Solvents(LabView):
    """The shipped catalogue and the lab's own solvents."""

    contracts = {
        "GET": Contract(
            "catalogue.read",
            SolventShape,
            "Solvents",
            params=(params.text("q", "Part of a name, or a synonym."), *params.paging(BY_NAME)),
            paged=True,
        ),
        "POST": Contract("catalogue.add", SolventFactsShape, "Add a solvent", body=SolventAdd, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = solvents_of(self.caller.lab)
        if "q" in given:
            rows = rows.filter(solvents_like(lab=self.caller.lab, words=given["q"]))
        keys = BY_NAME[given.get("ordering", "name")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=SOLVENT_COLUMNS, given=given, shape=solvent_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            # As text: that is how people give it to the service everywhere.
            given: dict[str, Any] = {name: str(value) for name, value in data.items()}
            made = solvent_add(**self.by, **given)
            return Done(solvent_detail(Solvent.objects.get(pk=made.pk)))

        return self.write(work)


class SolventDetail(LabView):
    """One solvent with every recorded value and its source."""

    contracts = {"GET": Contract("catalogue.read", SolventFactsShape, "One solvent", tagged=True)}

    def get(self, request: Any, lab: str, solvent: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(solvent_detail(solvent_at(self.caller, solvent)))


class Confirm(Body):
    peroxide_class = serializers.ChoiceField(CLASSES_TO_CONFIRM)
    basis = TextField(max_length=500, help_text="The table or sheet that the class is from.")


class SolventConfirmations(LabView):
    """A steward answers for the data of a solvent that the lab added."""

    contracts = {
        "POST": Contract(
            "catalogue.confirm", SolventFactsShape, "Confirm a solvent", body=Confirm, status=201
        )
    }

    def post(self, request: Any, lab: str, solvent: str) -> HttpResponse:
        found = solvent_at(self.caller, solvent)

        def work(data: Any) -> Done:
            may_loosen = self.caller.may("safety.loosen")
            solvent_confirm(**self.by, solvent=found, may_loosen=may_loosen, **data)
            return Done(solvent_detail(Solvent.objects.get(pk=found.pk)))

        return self.write(work)

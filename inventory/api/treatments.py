"""What was done to what is in a container: inhibitor added, peroxides taken out."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse
from rest_framework import serializers

from inventory.access import Caller
from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.bench import BenchView
from inventory.api.fields import Body, DayField, FlagField, NoteField
from inventory.api.idempotency import Done
from inventory.api.lookup import container_at
from inventory.api.measures import MeasureField
from inventory.api.paging import Key, orderings, page
from inventory.api.rows_bench import treatment_out
from inventory.api.safety import Withdrawal
from inventory.api.shapes_bench import TreatmentShape
from inventory.models import Container, Treatment
from inventory.rules.errors import InputError
from inventory.rules.inhibitor import CURES_NOTHING
from inventory.services import treatments
from inventory.services.treating_against import spoke_against
from inventory.services.treating_told import inhibitor_told
from inventory.services.treatments import ADDED, REMOVED

NEWEST = orderings(id=Key("id", "int"))
TOLD = ("treated_on", "how", "reason", "already_done")
OF_INHIBITOR = ("inhibitor", "mass", "target")


class TreatmentMake(Body):
    """inhibitor-added: what and how much. peroxides-removed: how."""

    kind = serializers.ChoiceField([ADDED, REMOVED])
    inhibitor = NoteField(max_length=60, help_text="As BHT.")
    mass = MeasureField(required=False, help_text='What was weighed in, as "178 mg".')
    target = MeasureField(required=False, help_text='The content wanted, as "250 ppm": it is checked.')
    how = NoteField(max_length=300)
    treated_on = DayField(
        required=False, help_text="Left out: today. Not earlier than the last movement of this container."
    )
    already_done = FlagField(
        required=False, help_text="It was done today although the verdict says not to touch it."
    )
    reason = NoteField(max_length=500, help_text="Needed where a day gone by makes the next test later.")


def _full() -> QuerySet[Treatment]:
    return Treatment.objects.select_related("container", "lot__solvent", "actor", "withdrawn_by")


def treatment_of(pk: int) -> dict[str, Any]:
    row = _full().get(pk=pk)
    found = treatment_out(row)
    return {**found, "warnings": [*spoke_against(row), *found["warnings"]]}


class ContainerTreatments(BenchView):
    """Treatments of what is, or was, in a container."""

    contracts = {
        "GET": Contract(
            "safety.read",
            TreatmentShape,
            "Treatments of a container",
            params=params.paging(NEWEST),
            paged=True,
        ),
        "POST": Contract(
            "safety.treat",
            TreatmentShape,
            "Record a treatment",
            body=TreatmentMake,
            status=201,
            words=f"{CURES_NOTHING} Told of an earlier day, one that makes the next test later needs "
            "`safety.loosen` and a reason. At “do not touch” it is refused, unless it was done already: then "
            "it is recorded, with an event and warnings.",
        ),
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        given = self.query
        rows = Treatment.objects.filter(container=container_at(self.caller, container))
        keys = NEWEST[given.get("ordering", "-id")]
        body = page(request._request, rows, keys=keys, columns=("id",), given=given, shape=lambda row: row[0])
        full = _full().in_bulk(body["results"])
        body["results"] = [treatment_out(full[pk]) for pk in body["results"]]
        return self.listing(body)

    def act(self, container: Container, data: Any) -> Done:
        kind = data.pop("kind")
        told = {name: data[name] for name in TOLD if name in data}
        told["may_loosen"] = self.caller.may("safety.loosen")
        if kind == ADDED:
            row = treatments.inhibitor_add(**self.by, container=container, **told, **_inhibitor(data))
        else:
            _refuse_inhibitor(data)
            row = treatments.peroxides_remove(**self.by, container=container, **{"how": "", **told})
        return Done(treatment_of(row.pk))


def _inhibitor(data: Any) -> dict[str, Any]:
    named = data.get("inhibitor", "")
    return inhibitor_told(inhibitor=named, mass=data.get("mass"), target=data.get("target"))


def _refuse_inhibitor(data: Any) -> None:
    given = next((name for name in OF_INHIBITOR if data.get(name)), None)
    if given is not None:
        raise InputError(
            given, "does-not-apply", "Taking peroxides out adds nothing.", "Record the inhibitor by itself."
        )


class TreatmentWithdrawals(LabView):
    """A treatment that was not made is taken back by a new row; a lot that was set apart stays apart."""

    contracts = {
        "POST": Contract(
            "safety.withdraw",
            TreatmentShape,
            "Withdraw a treatment",
            body=Withdrawal,
            status=201,
            words="One without which anything looks safer needs `safety.loosen` too.",
        )
    }

    def post(self, request: Any, lab: str, treatment: str) -> HttpResponse:
        found = treatment_at(self.caller, treatment)

        def work(data: Any) -> Done:
            row = treatments.treatment_withdraw(
                **self.by,
                treatment=found,
                reason=data.get("reason", ""),
                may_loosen=self.caller.may("safety.loosen"),
            )
            return Done(treatment_of(row.pk))

        return self.write(work)


def treatment_at(caller: Caller, ref: str) -> Treatment:
    return caller.by_id(Treatment.objects.select_related("container__lab"), ref)

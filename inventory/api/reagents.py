"""Test methods, and the lots of strips and solutions that tests are made with."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.access import Caller
from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, DayField, NoteField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.lookup import is_id
from inventory.api.measures import MeasureField
from inventory.api.paging import Key, orderings, page
from inventory.api.replies import check_if_match
from inventory.api.rows import decimal_text
from inventory.api.shapes_bench import MethodsShape, ReagentShape
from inventory.models import Reagent
from inventory.rules.errors import InputError
from inventory.rules.methods import METHODS, Method
from inventory.rules.reagent_life import REAGENT_METHODS, use_by
from inventory.rules.titration_entry import read_concentration
from inventory.services import reagents
from inventory.services.reagents import Strength

NEWEST = orderings(id=Key("id", "int"))


class TestMethods(LabView):
    """How peroxides are tested for, and what each method does not see."""

    contracts = {"GET": Contract("lab.read", MethodsShape, "Test methods", tagged=True)}

    def get(self, request: Any, lab: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail({"methods": [_method_out(method) for method in METHODS.values()]})


def _method_out(method: Method) -> dict[str, Any]:
    by_mass = method.unit != "mg/L"
    first = method.first_step_mg_per_kg if by_mass else method.first_step_mg_per_l
    top = method.top_mg_per_kg if by_mass else method.top_mg_per_l
    return {
        "key": method.key,
        "name": method.name,
        "unit": method.unit,
        "first_step": decimal_text(first),
        "top": decimal_text(top),
        "steps": [format(step, "f") for step in method.steps_mg_per_l],
        "reagent": method.reagent,
        "kept": reagents.keeps_words(method.key),
        "valid": method.valid,
        "limits": [{"words": limit.words, "source": limit.source} for limit in method.limits],
        "source": method.source,
    }


REAGENT_COLUMNS = (
    "id", "method", "name", "maker_lot", "expiry_on", "opened_on", "standardised_on", "use_by_on",
    "concentration_mol_per_l", "u_concentration_mol_per_l", "note", "actor__username", "created_at",
    "ended_at", "version",
)  # fmt: skip


def reagent_out(row: Any) -> dict[str, Any]:
    """One row of `REAGENT_COLUMNS`."""
    found = dict(zip(REAGENT_COLUMNS, row, strict=True))
    molar, u = found.pop("concentration_mol_per_l"), found.pop("u_concentration_mol_per_l")
    ends = use_by(
        found["method"],
        expiry_on=found["expiry_on"],
        opened_on=found["opened_on"],
        standardised_on=found["standardised_on"],
    )
    strength = {"value": decimal_text(molar), "unit": "mol/L", "uncertainty": decimal_text(u)}
    return {
        **found,
        "id": str(found["id"]),
        "use_by_words": ends.words,
        "use_by_source": ends.source,
        "concentration": None if molar is None else strength,
        "actor": found.pop("actor__username"),
    }


def _reagent(pk: int) -> dict[str, Any]:
    return reagent_out(Reagent.objects.filter(pk=pk).values_list(*REAGENT_COLUMNS).get())


class ReagentMake(Body):
    """A tin of strips or a bottle of solution."""

    method = serializers.ChoiceField(list(REAGENT_METHODS))
    name = TextField(max_length=120)
    maker_lot = NoteField(max_length=80)
    expiry_on = DayField(required=False, allow_null=True)
    opened_on = DayField(required=False, allow_null=True, help_text="Or the day it was made up.")
    standardised_on = DayField(required=False, allow_null=True)
    concentration = MeasureField(required=False, allow_null=True, help_text='As "0.1 mol/L".')
    note = NoteField()


class ReagentChange(Body):
    name = TextField(max_length=120, required=False)
    maker_lot = NoteField(max_length=80)
    expiry_on = DayField(required=False, allow_null=True)
    opened_on = DayField(required=False, allow_null=True)
    standardised_on = DayField(required=False, allow_null=True)
    concentration = MeasureField(required=False, allow_null=True)
    note = NoteField()
    reason = NoteField(max_length=500, help_text="Needed where it lasts longer by it.")


def _with_strength(data: Any) -> dict[str, Any]:
    """`concentration` as the services take it."""
    given = dict(data)
    if "concentration" in given:
        raw = given.pop("concentration")
        given["strength"] = None if raw is None else Strength(*read_concentration(raw))
    return given


class Reagents(LabView):
    """Strips and solutions, newest first; those that have ended only when asked for."""

    contracts = {
        "GET": Contract(
            "safety.read",
            ReagentShape,
            "Strips and solutions",
            params=(
                params.flag("ended"),
                params.choice("method", REAGENT_METHODS),
                *params.paging(NEWEST),
            ),
            paged=True,
        ),
        "POST": Contract(
            "reagents.edit", ReagentShape, "Add strips or a solution", body=ReagentMake, status=201
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = Reagent.objects.filter(lab=self.caller.lab, ended_at__isnull=not given.get("ended", False))
        if "method" in given:
            rows = rows.filter(method=given["method"])
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=REAGENT_COLUMNS, given=given, shape=reagent_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            made = reagents.reagent_add(**self.by, **_with_strength(data))
            return Done(_reagent(made.pk))

        return self.write(work)


class ReagentDetail(LabView):
    """One lot of strips or bottle of solution."""

    contracts = {
        "GET": Contract("safety.read", ReagentShape, "One of the strips or solutions", tagged=True),
        "PATCH": Contract(
            "reagents.edit",
            ReagentShape,
            "Change strips or a solution",
            body=ReagentChange,
            tagged=True,
            words="A date that makes it last longer needs `safety.loosen` and a reason: tests that did not "
            "count would. A solution that was standardised again is better entered anew.",
        ),
    }

    def get(self, request: Any, lab: str, reagent: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(_reagent(reagent_at(self.caller, reagent).pk))

    def patch(self, request: Any, lab: str, reagent: str) -> HttpResponse:
        found = reagent_at(self.caller, reagent)

        def work(data: Any) -> Done:
            given = _with_strength(data)
            reason = given.pop("reason", "")
            held = Reagent.objects.select_for_update(of=("self",)).get(pk=found.pk)
            check_if_match(self.request._request, _reagent(held.pk))
            may_loosen = self.caller.may("safety.loosen")
            reagents.reagent_edit(
                **self.by, reagent=held, changes=given, reason=reason, may_loosen=may_loosen
            )
            return changed(_reagent(held.pk))

        return self.write(work)


class ReagentEnd(Body):
    reason = NoteField(max_length=300)


class ReagentEndings(LabView):
    """Used up or thrown away, for good."""

    contracts = {
        "POST": Contract(
            "reagents.edit", ReagentShape, "End strips or a solution", body=ReagentEnd, status=201
        )
    }

    def post(self, request: Any, lab: str, reagent: str) -> HttpResponse:
        found = reagent_at(self.caller, reagent)

        def work(data: Any) -> Done:
            reagents.reagent_end(**self.by, reagent=found, reason=data.get("reason", ""))
            return Done(_reagent(found.pk))

        return self.write(work)


def reagent_at(caller: Caller, ref: str) -> Reagent:
    return caller.by_id(Reagent.objects.all(), ref)


def reagent_in(caller: Caller, ref: str) -> Reagent:
    """Strips or a solution by id, or InputError naming `reagent`."""
    found = Reagent.objects.filter(lab=caller.lab, pk=int(ref)).first() if is_id(ref) else None
    if found is None:
        raise InputError(
            "reagent", "unknown-reagent", "This lab has no such strips or solution.", "See reagents/."
        )
    return found

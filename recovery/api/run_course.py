"""What happens in the course of a run: facts told, solvent lost or sent to waste, opened again."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api.base import Contract
from inventory.api.fields import AmountField, Body, InstantField, RefField, TextField
from inventory.api.idempotency import Done
from inventory.api.lookup import solvent_in
from inventory.api.paging import Key, orderings, page
from inventory.api.params import flag, paging
from inventory.api.storing import Overriding, override_of
from inventory.api.waste import waste_in
from inventory.models import LOST_TO, PlaceKind
from recovery.api.fact_fields import FactsField
from recovery.api.rows_runs import run_shown
from recovery.api.runs import RunView
from recovery.api.shapes import RunPostedShape, RunShape
from recovery.api.shapes_kinds import ReturnStateShape, RunFactShape, RunFactsToldShape
from recovery.models import ReturnState, Run, RunFact
from recovery.rules.run_kinds import number_text
from recovery.selectors.run_facts import newest
from recovery.services.reopening import reopen
from recovery.services.return_states import STATES, state_tell
from recovery.services.run_facts import tell
from recovery.services.run_losses import Loss
from recovery.services.run_waste import lose

BY_ID = orderings(id=Key("id", "int"))
FACT_COLUMNS = (
    "id", "field__key", "field__name", "field__quantity", "as_entered", "number", "u_number", "field__unit",
    "actor__username", "recorded_at",
)  # fmt: skip
STATE_COLUMNS = ("id", "run_id", "entry", "state", "drying_agent", "actor__username", "recorded_at")
WASTE = PlaceKind.WASTE_CONTAINER.value
LOST_HERE = [kind for kind in LOST_TO if kind != WASTE]


def fact_out(row: Any) -> dict[str, Any]:
    """One row of `FACT_COLUMNS`."""
    pk, key, name, quantity, as_entered, number, u_number, unit, actor, recorded_at = row
    return {
        "id": str(pk),
        "field": key,
        "name": name,
        "quantity": quantity,
        "as_entered": as_entered,
        "taken_back": not as_entered,
        "number": number_text(number),
        "uncertainty": number_text(u_number),
        "unit": unit,
        "actor": actor,
        "recorded_at": recorded_at,
    }


def state_out(row: Any) -> dict[str, Any]:
    """One row of `STATE_COLUMNS`."""
    pk, run, *rest = row
    return {"id": str(pk), "run": str(run), **dict(zip(STATE_COLUMNS[2:5], rest[:3], strict=True))} | {
        "actor": rest[3],
        "recorded_at": rest[4],
    }


class FactsTold(Body):
    facts = FactsField()


class RunFacts(RunView):
    """Facts of a run: the newest of each field, or all that was ever told."""

    contracts = {
        "GET": Contract(
            "runs.read",
            RunFactShape,
            "Facts of a run",
            params=(flag("history", "All rows, not only the newest of each field."), *paging(BY_ID)),
            paged=True,
        ),
        "POST": Contract(
            "runs.log",
            RunFactsToldShape,
            "Tell facts of a run",
            body=FactsTold,
            status=201,
            words="Also of a run that is closed, since they move no volume. null takes back what was told.",
        ),
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        given = self.query
        rows = RunFact.objects.filter(run=self.run_at(run))
        if not given.get("history", False):
            rows = newest(rows)
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=FACT_COLUMNS, given=given, shape=fact_out)
        )

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            made = [row.pk for row in tell(**self.by, run=found, facts=data["facts"])]
            rows = RunFact.objects.filter(pk__in=made).order_by("id").values_list(*FACT_COLUMNS)
            return Done({"results": [fact_out(row) for row in rows]})

        return self.write(work)


class LostPart(Overriding):
    volume = AmountField()
    solvent = RefField(required=False, help_text="Needed when several were charged.")
    happened_at = InstantField(required=False)


class LostTo(LostPart):
    to = serializers.ChoiceField(LOST_HERE, help_text="Waste has an address of its own.")


class SentToWaste(LostPart):
    waste = RefField(help_text="Into which waste container, by id or code.")


class LosingView(RunView):
    def lose(self, run: Run, data: Any) -> Done:
        ref = data.pop("solvent", None)
        solvent = solvent_in(self.caller, ref) if ref is not None else None
        ref = data.pop("waste", None)
        waste = waste_in(self.caller, ref, "waste") if ref is not None else None
        override = override_of(self.caller, data)
        loss = Loss(data.pop("to", WASTE), data.pop("volume"), solvent, waste, override)
        return self.booked(run, lose(**self.by, run=run, loss=loss, **data), [])


class RunLosses(LosingView):
    """Solvent is lost to a run before it is closed, and somebody can say where to."""

    contracts = {
        "POST": Contract("runs.log", RunPostedShape, "Book a loss of a run", body=LostTo, status=201)
    }

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)
        return self.write(lambda data: self.lose(found, data))


class RunWaste(LosingView):
    """Solvent goes from a run into a waste container before the run is closed."""

    contracts = {
        "POST": Contract(
            "runs.log", RunPostedShape, "Send solvent of a run to waste", body=SentToWaste, status=201
        )
    }

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)
        return self.write(lambda data: self.lose(found, data))


class Reopening(Body):
    reason = TextField(max_length=500)


class Reopenings(RunView):
    """A run that was closed is open again."""

    contracts = {
        "POST": Contract(
            "stock.reverse",
            RunShape,
            "Open a run again",
            body=Reopening,
            status=201,
            words="What closed it is reversed: it holds again what it held before, and what went to waste at "
            "its close comes back out. A charge passes the gate as ever.",
        )
    }

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            may_loosen = self.caller.may("safety.loosen")
            reopen(**self.by, run=found, reason=data["reason"], may_loosen=may_loosen)
            return Done(run_shown(found.pk))

        return self.write(work)


class StateTold(Body):
    entry = serializers.UUIDField(help_text="Of the return.")
    state = serializers.ChoiceField(STATES)
    drying_agent = TextField(max_length=80, required=False, allow_blank=True, help_text="Goes with “dried”.")


class ReturnStates(RunView):
    """Whether what came back is wet or dried; of each return the newest row counts."""

    contracts = {
        "GET": Contract("runs.read", ReturnStateShape, "States of returns", params=paging(BY_ID), paged=True),
        "POST": Contract(
            "runs.log", ReturnStateShape, "Tell whether a return is dried", body=StateTold, status=201
        ),
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        given = self.query
        rows = ReturnState.objects.filter(run=self.run_at(run))
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=STATE_COLUMNS, given=given, shape=state_out)
        )

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            row = state_tell(**self.by, run=found, **data)
            return Done(state_out(ReturnState.objects.filter(pk=row.pk).values_list(*STATE_COLUMNS).get()))

        return self.write(work)

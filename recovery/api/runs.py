"""Runs: opened, charged, given back to a container, closed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.bench import posted_out
from inventory.api.fields import AmountField, Body, FlagField, InstantField, NoteField, RefField, TextField
from inventory.api.idempotency import Done
from inventory.api.lookup import container_in, solvent_in
from inventory.api.paging import Key, orderings, page
from inventory.api.quantities import volume_out
from inventory.api.rows import decimal_text, solvent_ref
from inventory.api.storing import Overriding, override_of
from inventory.api.waste import waste_in
from inventory.models import LOST_TO
from recovery.api.clearing import Override, clearance_of, overrides_of, signature_of
from recovery.api.shapes import RunChargedShape, RunPostedShape, RunShape
from recovery.models import Run, RunSum
from recovery.services import runs
from recovery.services.runs import Loss

STEP = Decimal("0.0001")
LOSSES_MAX = 20
ORDERINGS = orderings(id=Key("id", "int"), started_at=Key("started_at", "instant"))
RUN_COLUMNS = (
    "id", "purpose", "operator_name", "started_at", "month", "closed_at", "is_history", "remarks", "findings",
    "place_id", "version", "distils", "to_dryness", "heel_ul", "heel_source",
)  # fmt: skip
FILTERS = (
    params.flag("open"),
    params.flag("history", "Runs from before counting began."),
    params.text("purpose"),
    params.text("operator"),
    params.text("solvent", "Id, key, name or synonym."),
    params.on("month", "First day of a month."),
    params.at("started_at__gte"),
    params.at("started_at__lt"),
    *params.paging(ORDERINGS),
)


def run_out(row: Any) -> dict[str, Any]:
    """One row of `RUN_COLUMNS`, its sums still to be filled in."""
    (
        pk, purpose, operator, started, month, closed, is_history, remarks, findings, place, version,
        distils, to_dryness, heel_ul, heel_source,
    ) = row  # fmt: skip
    return {
        "id": str(pk),
        "purpose": purpose,
        "operator": operator,
        "started_at": started,
        "month": month,
        "closed_at": closed,
        "is_history": is_history,
        "remarks": remarks,
        "findings": findings,
        "place": str(place),
        "version": version,
        "distils": distils,
        "to_dryness": to_dryness,
        "heel": {"volume": volume_out(heel_ul), "source": heel_source},
        "overrides": [],
        "sums": [],
    }


def with_sums(shown: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same runs with their sums by solvent and what was overridden, in one query each."""
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    columns = (
        "run_id", "solvent_id", "solvent__key", "solvent__name", "charged_ul", "returned_ul", "held_ul",
        "lost_ul",
    )  # fmt: skip
    wanted = [int(run["id"]) for run in shown]
    for row in RunSum.objects.filter(run_id__in=wanted).order_by("solvent__key").values_list(*columns):
        run_id, pk, key, name, charged, returned, held, lost = row
        fraction = (Decimal(lost) / charged).quantize(STEP) if charged > 0 else None
        found[str(run_id)].append(
            {
                "solvent": solvent_ref(pk, key, name),
                "charged": volume_out(charged),
                "returned": volume_out(returned),
                "held": volume_out(held),
                "lost": volume_out(lost),
                "loss_fraction": decimal_text(fraction),
            }
        )
    overrides = overrides_of(wanted)
    return [{**run, "sums": found[run["id"]], "overrides": overrides.get(run["id"], [])} for run in shown]


def run_shown(pk: int) -> dict[str, Any]:
    return with_sums([run_out(Run.objects.filter(pk=pk).values_list(*RUN_COLUMNS).get())])[0]


class RunStart(Body):
    purpose = TextField(max_length=120)
    operator = NoteField(max_length=80, help_text="Left out: who asks.")
    started_at = InstantField(required=False)
    remarks = NoteField()
    distils = FlagField(
        required=False,
        help_text="Whether solvent is distilled or concentrated in it. Left out: true, the worse.",
    )
    to_dryness = FlagField(
        required=False, help_text="Meant to be taken to dryness: no peroxide former may be charged."
    )


class Runs(LabView):
    """Runs, newest first."""

    contracts = {
        "GET": Contract("runs.read", RunShape, "Runs", params=FILTERS, paged=True),
        "POST": Contract("runs.log", RunShape, "Start a run", body=RunStart, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        names = {
            "purpose": "purpose",
            "operator": "operator_name",
            "month": "month",
            "history": "is_history",
            "started_at__gte": "started_at__gte",
            "started_at__lt": "started_at__lt",
        }
        rows = Run.objects.filter(lab=self.caller.lab)
        rows = rows.filter(**{column: given[name] for name, column in names.items() if name in given})
        if "open" in given:
            rows = rows.filter(closed_at__isnull=given["open"])
        if "solvent" in given:
            rows = rows.filter(pk__in=RunSum.objects.filter(solvent__key=given["solvent"]).values("run_id"))
        keys = ORDERINGS[given.get("ordering", "-id")]
        body = page(request._request, rows, keys=keys, columns=RUN_COLUMNS, given=given, shape=run_out)
        return self.listing({**body, "results": with_sums(body["results"])})

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            operator = data.pop("operator", "")
            run = runs.run_start(**self.by, operator_name=operator, **data)
            return Done(run_shown(run.pk), headers={"Location": f"{self.request.path}{run.pk}/"})

        return self.write(work)


class RunView(LabView):
    def run_at(self, ref: str) -> Run:
        return self.caller.by_id(Run.objects.select_related("lab"), ref)

    def booked(self, run: Run, posted: Any, touched: Iterable[int]) -> Done:
        return Done({**posted_out(posted, touched, self.today), "run": run_shown(run.pk)})


class RunDetail(RunView):
    """One run with its sums."""

    contracts = {"GET": Contract("runs.read", RunShape, "One run", tagged=True)}

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(run_shown(self.run_at(run).pk))


class Moved(Body):
    container = RefField(help_text="Id or code.")
    volume = AmountField()
    happened_at = InstantField(required=False)
    note = NoteField()


class Charge(Moved):
    override = Override(required=False)


class Charges(RunView):
    """Solvent goes from a container into the run."""

    contracts = {
        "POST": Contract(
            "runs.log",
            RunChargedShape,
            "Charge a run",
            body=Charge,
            status=201,
            words="A run that distils takes a peroxide former only with a verdict that allows it, which "
            "rests on a fresh passed test of that container; else 409 with the code "
            "`distilling-not-cleared`, which names each reason. Ask beforehand at `clearance-checks/`.",
        )
    }

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            container = container_in(self.caller, data.pop("container"), "container")
            signature = signature_of(self.caller, data)
            amount = data.pop("volume")
            posted = runs.charge(
                **self.by, run=found, container=container, amount=amount, signature=signature, **data
            )
            done = self.booked(found, posted, [container.pk])
            return Done({**done.body, "clearance": clearance_of(posted.entry)})

        return self.write(work)


class Return(Moved, Overriding):
    solvent = RefField(required=False, help_text="Needed when several were charged.")
    to_dryness = FlagField(required=False, help_text="Refused when a peroxide former was charged.")


class Returns(RunView):
    """Solvent distilled back goes into a container, as a recovered lot."""

    contracts = {
        "POST": Contract("runs.log", RunPostedShape, "Give recovered solvent back", body=Return, status=201)
    }

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            container = container_in(self.caller, data.pop("container"), "container")
            solvent = solvent_in(self.caller, data.pop("solvent")) if "solvent" in data else None
            posted = runs.give_back(
                **self.by,
                run=found,
                container=container,
                amount=data.pop("volume"),
                solvent=solvent,
                override=override_of(self.caller, data),
                **data,
            )
            return self.booked(found, posted, [container.pk])

        return self.write(work)


class LossNamed(Overriding):
    to = serializers.ChoiceField(LOST_TO)
    volume = AmountField()
    solvent = RefField(required=False, help_text="Needed when several were charged.")
    waste = RefField(required=False, help_text="Into which waste container, by id or code.")


class Closing(Body):
    """losses: what somebody can name of what is missing; the rest is booked as unaccounted."""

    losses = serializers.ListField(child=LossNamed(), required=False, max_length=LOSSES_MAX)
    happened_at = InstantField(required=False)
    to_dryness = FlagField(required=False, help_text="Refused when a peroxide former was charged.")


class Closings(RunView):
    """A run ends."""

    contracts = {"POST": Contract("runs.log", RunShape, "Close a run", body=Closing, status=201)}

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            losses = [self._loss(index, loss) for index, loss in enumerate(data.pop("losses", []))]
            runs.run_close(**self.by, run=found, losses=losses, **data)
            return Done(run_shown(found.pk))

        return self.write(work)

    def _loss(self, index: int, named: Any) -> Loss:
        ref = named.get("solvent")
        solvent = solvent_in(self.caller, ref, f"losses.{index}.solvent") if ref else None
        ref = named.get("waste")
        waste = waste_in(self.caller, ref, f"losses.{index}.waste") if ref is not None else None
        override = override_of(self.caller, named)
        return Loss(named["to"], named["volume"], solvent, waste, override)

"""Runs: opened, charged, given back to a container, closed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from django.db.models import Q, QuerySet
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.bench import posted_out
from inventory.api.fields import AmountField, Body, FlagField, InstantField, NoteField, RefField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.lookup import container_in, is_id, location_in, solvent_in
from inventory.api.negotiation import ByAccept
from inventory.api.paging import Key, orderings, page
from inventory.api.replies import check_if_match
from inventory.api.storing import Overriding, override_of
from inventory.api.waste import waste_in
from inventory.models import LOST_TO
from inventory.services.places import lock_runs
from inventory.services.speaking import SPOKEN, speaker
from recovery.api.clearing import Override, clearance_of, signature_of
from recovery.api.fact_fields import FactsField
from recovery.api.plan_ask import PlanAsk
from recovery.api.plan_drafts import draft_of
from recovery.api.rows_runs import RUN_COLUMNS, STATES, run_detail, run_out, run_shown, with_details
from recovery.api.runs_csv import CsvRenderer, runs_csv
from recovery.api.shapes import RunChargedShape, RunDetailShape, RunPostedShape, RunShape
from recovery.models import Run, RunSum
from recovery.rules.runs_csv_words import TABLE_NAME
from recovery.services import runs
from recovery.services.apparatus import IN_A_RUN_MAX, apparatus_named
from recovery.services.kinds import kind_named
from recovery.services.return_states import STATES as RETURN_STATES
from recovery.services.run_details import run_change
from recovery.services.run_facts import tell
from recovery.services.runs import Loss

LOSSES_MAX = 20
ORDERINGS = orderings(id=Key("id", "int"), started_at=Key("started_at", "instant"))
FILTERS = (
    params.flag("open", "Started and not closed."),
    params.choice("state", STATES),
    params.text("kind", "Id or key."),
    params.ref("apparatus"),
    params.ref("location"),
    params.flag("history", "Runs from before counting began."),
    params.text("purpose"),
    params.text("operator"),
    params.text("solvent", "Id, key, name or synonym."),
    params.on("month", "First day of a month."),
    params.at("started_at__gte"),
    params.at("started_at__lt"),
    params.choice("format", ("json", "csv"), "As the Accept header, for links."),
    params.choice("language", SPOKEN, "Of the words in the CSV; en, which has codes, when left out."),
    *params.paging(ORDERINGS),
)


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
    kind = RefField(required=False, help_text="Id or key, see run-kinds/.")
    location = RefField(required=False, help_text="The room, by id or name.")
    apparatus = serializers.ListField(
        child=RefField(), required=False, max_length=IN_A_RUN_MAX, help_text="Each by id or name."
    )
    facts = FactsField(required=False)
    plan = PlanAsk(required=False, help_text="It becomes a draft run, which its first charge starts.")


class RunChange(Body):
    """What a run is told to be; none of it moves a volume. apparatus: from now on exactly these."""

    kind = RefField(required=False, allow_null=True)
    location = RefField(required=False, allow_null=True)
    apparatus = serializers.ListField(child=RefField(), required=False, max_length=IN_A_RUN_MAX)
    remarks = NoteField()


class RunRefs(LabView):
    def refs(self, data: Any) -> dict[str, Any]:
        """Kind, location and apparatus of a body as the records they mean."""
        lab = self.caller.lab
        if data.get("kind") is not None:
            data["kind"] = kind_named(lab=lab, ref=data["kind"])
        if data.get("location") is not None:
            data["location"] = location_in(self.caller, data["location"])
        if "apparatus" in data:
            data["apparatus"] = apparatus_named(lab=lab, refs=data["apparatus"])
        return dict(data)


class Runs(RunRefs):
    """Runs, newest first."""

    renderer_classes: Any = [JSONRenderer, CsvRenderer]
    content_negotiation_class = ByAccept
    contracts = {
        "GET": Contract(
            "runs.read",
            RunShape,
            "Runs",
            params=FILTERS,
            paged=True,
            media=(CsvRenderer.media_type,),
            words="As CSV when `Accept` or `format` asks for it: then all that fit, not one page.",
        ),
        "POST": Contract("runs.log", RunShape, "Start a run", body=RunStart, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        names = {
            "purpose": "purpose",
            "operator": "operator_name",
            "month": "month",
            "history": "is_history",
            "apparatus": "run_apparatus__apparatus_id",
            "location": "location_id",
            "started_at__gte": "started_at__gte",
            "started_at__lt": "started_at__lt",
        }
        rows = Run.objects.filter(lab=self.caller.lab)
        rows = rows.filter(**{column: given[name] for name, column in names.items() if name in given})
        rows = rows.filter(_state_is(given)).filter(_kind_is(given))
        if "solvent" in given:
            rows = rows.filter(pk__in=RunSum.objects.filter(solvent__key=given["solvent"]).values("run_id"))
        if self.request.accepted_media_type == CsvRenderer.media_type:
            return self._file(rows, given.get("language", SPOKEN[0]))
        keys = ORDERINGS[given.get("ordering", "-id")]
        body = page(request._request, rows, keys=keys, columns=RUN_COLUMNS, given=given, shape=run_out)
        return self.listing({**body, "results": with_details(body["results"])})

    def _file(self, rows: QuerySet[Run], language: str) -> HttpResponse:
        say = None if language == SPOKEN[0] else speaker(language)
        response = HttpResponse(runs_csv(rows, say), content_type=CsvRenderer.media_type)
        name = f"{speaker(language)(TABLE_NAME)}-{self.caller.lab.slug}.csv"
        response["Content-Disposition"] = f'attachment; filename="{name}"'
        response["Cache-Control"], response["Vary"] = "private, no-cache", "Accept"
        return response

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            if "plan" in data:
                drafted = draft_of(self, data)
                return Done(drafted, headers={"Location": f"{self.request.path}{drafted['id']}/"})
            operator, facts = data.pop("operator", ""), data.pop("facts", None)
            run = runs.run_start(**self.by, operator_name=operator, **self.refs(data))
            if facts:
                tell(**self.by, run=run, facts=facts)
            return Done(run_shown(run.pk), headers={"Location": f"{self.request.path}{run.pk}/"})

        return self.write(work)


def _state_is(given: Mapping[str, Any]) -> Q:
    found, going = Q(), Q(closed_at__isnull=True, is_draft=False)
    if "open" in given:
        found &= going if given["open"] else ~going
    states = {
        "draft": Q(closed_at__isnull=True, is_draft=True),
        "open": going,
        "given-up": Q(closed_at__isnull=False, is_draft=True),
    }
    if "state" in given:
        found &= states.get(given["state"], Q(closed_at__isnull=False, is_draft=False))
    return found


def _kind_is(given: Mapping[str, Any]) -> Q:
    if "kind" not in given:
        return Q()
    ref = given["kind"]
    return Q(kind_id=int(ref)) if is_id(ref) else Q(kind__key=ref)


class RunView(RunRefs):
    def run_at(self, ref: str) -> Run:
        return self.caller.by_id(Run.objects.select_related("lab"), ref)

    def booked(self, run: Run, posted: Any, touched: Iterable[int]) -> Done:
        return Done({**posted_out(posted, touched, self.today), "run": run_shown(run.pk)})


class RunDetail(RunView):
    """One run with its sums, its facts and what its kind asks for."""

    contracts = {
        "GET": Contract("runs.read", RunDetailShape, "One run", tagged=True),
        "PATCH": Contract(
            "runs.log",
            RunDetailShape,
            "Change kind, room, apparatus or remarks of a run",
            body=RunChange,
            tagged=True,
            words="Also of a run that is closed, or from before counting began. Whether it distils stays as "
            "it was told: 409 for a kind that distils on a run that was started as one that does not.",
        ),
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(run_detail(self.caller.lab, self.run_at(run).pk))

    def patch(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            lock_runs([found.place_id])
            check_if_match(self.request._request, run_detail(self.caller.lab, found.pk))
            run_change(**self.by, run=found, changes=self.refs(data))
            return changed(run_detail(self.caller.lab, found.pk))

        return self.write(work)


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
    state = serializers.ChoiceField(RETURN_STATES, required=False, help_text="It may be told later.")
    drying_agent = NoteField(max_length=80, help_text="Goes with “dried”.")


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

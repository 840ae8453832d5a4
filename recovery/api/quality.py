"""Quality of recovered solvent: checks, what they make it fit for, and a lab's own limits."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpResponse
from rest_framework import serializers

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, FlagField, InstantField, NoteField, RefField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.lookup import container_at, is_id, solvent_in
from inventory.api.measures import MeasureField
from inventory.api.paging import Key, orderings, page
from inventory.api.replies import check_if_match
from inventory.api.rows import id_or_none, solvent_ref
from inventory.rules.errors import InputError
from recovery.api.kinds import BoundField
from recovery.api.shapes_quality import FitnessShape, QualityCheckShape, QualityLimitShape
from recovery.models import QualityCheck, QualityLimit, Run
from recovery.rules.fitness import Fitness
from recovery.rules.quality_data import WHATS, load_uses
from recovery.rules.run_kinds import number_text
from recovery.services import quality, quality_limits
from recovery.services.quality_fit import FitFor, fitness_of
from recovery.services.quality_limits import KINDS

BY_ID = orderings(id=Key("id", "int"))
CHECK_ORDERS = orderings(id=Key("id", "int"), happened_at=Key("happened_at", "instant"))
CHECK_COLUMNS = (
    "id", "container_id", "container__code", "lot_id", "run_id", "what", "low", "high", "u_value", "unit",
    "temperature_c", "as_entered", "reference", "outcome", "happened_at", "withdraws_id", "withdrawn_by__id",
    "note", "actor__username", "recorded_at",
)  # fmt: skip
LIMIT_COLUMNS = (
    "id", "solvent_id", "solvent__key", "solvent__name", "use", "what", "lowest", "highest", "unit",
    "refuses", "source", "created_at", "ended_at", "version",
)  # fmt: skip


class CheckMake(Body):
    """A density, refractive index or water content has a value; a boiling range has low and high."""

    what = serializers.ChoiceField(WHATS)
    value = MeasureField(required=False)
    low = MeasureField(required=False, help_text="Where it began to boil.")
    high = MeasureField(required=False, help_text="Where it ended.")
    temperature = MeasureField(
        required=False, help_text="Of density or refractive index. Left out: 20 ± 5 °C."
    )
    pressure = MeasureField(required=False, help_text="Of a boiling range. Left out: 101.325 ± 6 kPa.")
    run = RefField(required=False, help_text="Out of which it came.")
    happened_at = InstantField(required=False)
    note = NoteField()


class CheckWithdrawal(Body):
    reason = TextField(max_length=500)


class QualityLimitFigures(Body):
    lowest = BoundField(required=False, allow_null=True)
    highest = BoundField(required=False, allow_null=True, help_text="Of times-distilled: how often.")
    refuses = FlagField(required=False, help_text="Of times-distilled: refuse a charge, or only warn.")
    reason = NoteField(max_length=500, help_text="Needed where it gets looser.")


class QualityLimitMake(QualityLimitFigures):
    what = serializers.ChoiceField(KINDS)
    solvent = RefField(required=False, help_text="Left out: any, of water content and times distilled.")
    use = serializers.ChoiceField(list(load_uses()), required=False, help_text="Left out: all.")
    source = TextField(max_length=1000, help_text="Where the figure comes from.")  # type: ignore[assignment]


class QualityLimitChange(QualityLimitFigures):
    source = TextField(max_length=1000, required=False)  # type: ignore[assignment]


class QualityLimitEnding(Body):
    reason = TextField(max_length=500)


def check_out(row: Any) -> dict[str, Any]:
    """One row of `CHECK_COLUMNS`."""
    found = dict(zip(CHECK_COLUMNS, row, strict=True))
    numbers = {"low": "low", "high": "high", "uncertainty": "u_value", "temperature_c": "temperature_c"}
    plain = ("what", "unit", "as_entered", "reference", "outcome", "happened_at", "note", "recorded_at")
    return {
        "id": str(found["id"]),
        "container": {"id": str(found["container_id"]), "code": found["container__code"]},
        "lot": str(found["lot_id"]),
        "run": id_or_none(found["run_id"]),
        **{name: found[name] for name in plain},
        **{name: number_text(found[column]) for name, column in numbers.items()},
        "withdraws": id_or_none(found["withdraws_id"]),
        "withdrawn": found["withdrawn_by__id"] is not None,
        "actor": found["actor__username"],
    }


def check_shown(pk: int) -> dict[str, Any]:
    return check_out(QualityCheck.objects.filter(pk=pk).values_list(*CHECK_COLUMNS).get())


def limit_out(row: Any) -> dict[str, Any]:
    """One row of `LIMIT_COLUMNS`."""
    found = dict(zip(LIMIT_COLUMNS, row, strict=True))
    return {
        "id": str(found["id"]),
        "solvent": solvent_ref(found["solvent_id"], found["solvent__key"], found["solvent__name"]),
        **{name: found[name] for name in LIMIT_COLUMNS[4:]},
        **{name: number_text(found[name]) for name in ("lowest", "highest")},
    }


def limit_shown(pk: int) -> dict[str, Any]:
    return limit_out(QualityLimit.objects.filter(pk=pk).values_list(*LIMIT_COLUMNS).get())


class ContainerQualityChecks(LabView):
    """Quality checks made in a container, newest first."""

    contracts = {
        "GET": Contract(
            "safety.read",
            QualityCheckShape,
            "Quality checks of a container",
            params=(
                params.choice("what", WHATS),
                params.flag("lot", "Of what is in it now, wherever that was checked."),
                *params.paging(CHECK_ORDERS),
            ),
            paged=True,
        ),
        "POST": Contract(
            "safety.test",
            QualityCheckShape,
            "Record a quality check",
            body=CheckMake,
            status=201,
            words="It counts for the lot in the container. It says nothing of peroxides and changes no "
            "verdict.",
        ),
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        given, found = self.query, container_at(self.caller, container)
        of_lot = given.get("lot") and found.lot_id is not None
        rows = QualityCheck.objects.filter(Q(lot_id=found.lot_id) if of_lot else Q(container=found))
        rows = rows.filter(**{name: given[name] for name in ("what",) if name in given})
        keys = CHECK_ORDERS[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=CHECK_COLUMNS, given=given, shape=check_out)
        )

    def post(self, request: Any, lab: str, container: str) -> HttpResponse:
        found = container_at(self.caller, container)

        def work(data: Any) -> Done:
            entered = {name: data.pop(name) for name in quality.ENTERED if name in data}
            run = self._run(data.pop("run")) if "run" in data else None
            row = quality.check_record(**self.by, container=found, entered=entered, run=run, **data)
            return Done(check_shown(row.pk))

        return self.write(work)

    def _run(self, ref: str) -> Run:
        found = Run.objects.filter(lab=self.caller.lab, pk=int(ref)).first() if is_id(ref) else None
        if found is None:
            raise InputError("run", "unknown-run", "This lab has no such run.", "Send its id.")
        return found


class QualityCheckWithdrawals(LabView):
    """A quality check is taken back by a newer row that names it."""

    contracts = {
        "POST": Contract(
            "safety.withdraw",
            QualityCheckShape,
            "Withdraw a quality check",
            body=CheckWithdrawal,
            status=201,
        )
    }

    def post(self, request: Any, lab: str, check: str) -> HttpResponse:
        found = self.caller.by_id(QualityCheck.objects.select_related("container"), check)

        def work(data: Any) -> Done:
            row = quality.check_withdraw(**self.by, check=found, reason=data["reason"])
            return Done(check_shown(row.pk))

        return self.write(work)


class ContainerFitness(LabView):
    """For what the content of a container is fit, by its checks; what was not shown is said not to be."""

    contracts = {
        "GET": Contract("safety.read", FitnessShape, "Fit for what", tagged=True),
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        found = container_at(self.caller, container)
        said = fitness_of(lab=self.caller.lab, container_ids=[found.pk], today=self.today).get(found.pk)
        if said is None:
            held = {"id": str(found.pk), "code": found.code}
            return self.detail({**EMPTY, "container": held, "on": self.today})
        return self.detail({**fit_out(said), "on": self.today})


EMPTY: dict[str, Any] = {
    "lot": None,
    "solvent": None,
    "times_distilled": 0,
    "times_most": None,
    "verdict": None,
    "uses": [],
}


def fit_out(said: FitFor) -> dict[str, Any]:
    solvent = said.lot.solvent
    return {
        "container": {"id": str(said.container.pk), "code": said.container.code},
        "lot": str(said.lot.pk),
        "solvent": solvent_ref(solvent.pk, solvent.key, solvent.name),
        "times_distilled": said.lot.times_distilled,
        "times_most": said.times_most,
        "verdict": {"level": said.verdict.level, "words": said.verdict.words},
        "uses": [_use_out(one) for one in said.uses.values()],
    }


def _use_out(one: Fitness) -> dict[str, Any]:
    reasons = [
        {
            "code": reason.code,
            "words": reason.words,
            "state": reason.state,
            "what": reason.what,
            "check": id_or_none(reason.check),
            "source": reason.source,
        }
        for reason in one.reasons
    ]
    named = {"use": one.use, "name": one.name, "state": one.state, "words": one.words}
    return {**named, "reasons": reasons, "source": one.source}


class LimitView(LabView):
    def signature(self, data: Any) -> dict[str, Any]:
        return {"reason": data.pop("reason", ""), "may_loosen": self.caller.may("safety.loosen")}

    def limit_at(self, ref: str) -> QualityLimit:
        return self.caller.by_id(QualityLimit.objects.all(), ref)


class QualityLimits(LimitView):
    """What the lab holds solvent to for itself."""

    contracts = {
        "GET": Contract(
            "lab.read",
            QualityLimitShape,
            "Quality limits",
            params=(
                params.text("solvent", "Id, key, name or synonym."),
                params.flag("ended", "Ended ones instead."),
                *params.paging(BY_ID),
            ),
            paged=True,
        ),
        "POST": Contract(
            "policy.edit",
            QualityLimitShape,
            "Let a quality limit hold",
            body=QualityLimitMake,
            status=201,
            words="It counts in place of the shipped figure. Where it lets more pass than what holds now, it "
            "needs `safety.loosen` and a reason.",
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = QualityLimit.objects.filter(
            lab=self.caller.lab, ended_at__isnull=not given.get("ended", False)
        )
        if "solvent" in given:
            rows = rows.filter(solvent__key=given["solvent"])
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=LIMIT_COLUMNS, given=given, shape=limit_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            signature = self.signature(data)
            solvent = solvent_in(self.caller, data.pop("solvent")) if "solvent" in data else None
            made = quality_limits.limit_add(**self.by, solvent=solvent, **data, **signature)
            return Done(limit_shown(made.pk), headers={"Location": f"{self.request.path}{made.pk}/"})

        return self.write(work)


class QualityLimitDetail(LimitView):
    """One quality limit."""

    contracts = {
        "GET": Contract("lab.read", QualityLimitShape, "One quality limit", tagged=True),
        "PATCH": Contract(
            "policy.edit", QualityLimitShape, "Change a quality limit", body=QualityLimitChange, tagged=True
        ),
    }

    def get(self, request: Any, lab: str, quality_limit: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(limit_shown(self.limit_at(quality_limit).pk))

    def patch(self, request: Any, lab: str, quality_limit: str) -> HttpResponse:
        found = self.limit_at(quality_limit)

        def work(data: Any) -> Done:
            QualityLimit.objects.select_for_update(of=("self",)).get(pk=found.pk)
            check_if_match(self.request._request, limit_shown(found.pk))
            signature = self.signature(data)
            quality_limits.limit_change(**self.by, limit=found, changes=data, **signature)
            return changed(limit_shown(found.pk))

        return self.write(work)


class QualityLimitEndings(LimitView):
    """A quality limit holds no longer."""

    contracts = {
        "POST": Contract(
            "safety.loosen", QualityLimitShape, "End a quality limit", body=QualityLimitEnding, status=201
        )
    }

    def post(self, request: Any, lab: str, quality_limit: str) -> HttpResponse:
        found = self.limit_at(quality_limit)

        def work(data: Any) -> Done:
            reason = data["reason"]
            quality_limits.limit_end(**self.by, limit=found, reason=reason, may_loosen=True)
            return Done(limit_shown(found.pk))

        return self.write(work)

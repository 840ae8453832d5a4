"""Losses fitted to a lab's own runs: made on request, put into use by a decision, taken out of it again."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, RefField
from inventory.api.idempotency import Done
from inventory.api.lookup import solvent_in
from inventory.api.paging import Key, orderings, page
from inventory.api.params import flag, paging, ref, text
from inventory.api.rows import solvent_ref
from recovery.api.rows_predicted import fit_ref
from recovery.api.shapes_balance import LossFitDetailShape, LossFitShape
from recovery.models import LossFit
from recovery.rules.budget import text as number
from recovery.rules.fitting import DRIVERS, RUNS_MIN, RUNS_PER_COEFFICIENT
from recovery.services.apparatus import apparatus_named
from recovery.services.kinds import kind_named
from recovery.services.loss_fits import fit_adopt, fit_end, fit_make

BY_ID = orderings(id=Key("id", "int"))
RELATED = ("solvent", "kind", "apparatus", "actor", "adopted_by")
RULE = (
    f"At least {RUNS_MIN} closed runs and {RUNS_PER_COEFFICIENT} for each coefficient must tell every "
    "driver, and the drivers must not have gone up and down together; else 409 with the reason."
)


class LossFitMake(Body):
    """drivers: what the loss is taken to grow with. Left out: as many as the runs can tell apart."""

    solvent = RefField(help_text="Id, key, name or synonym.")
    kind = RefField(required=False, help_text="Only runs of this kind, by id or key.")
    apparatus = RefField(required=False, help_text="Only runs in this one, by id or name.")
    drivers = serializers.ListField(
        child=serializers.ChoiceField(list(DRIVERS)), required=False, max_length=len(DRIVERS)
    )


class Nothing(Body):
    """Empty."""


class LossFits(LabView):
    """Fits of losses, newest first."""

    contracts = {
        "GET": Contract(
            "reports.read",
            LossFitShape,
            "Fits of losses",
            params=(
                flag("in_use", "Put into use and not ended."),
                text("solvent", "Id, key, name or synonym."),
                ref("apparatus"),
                *paging(BY_ID),
            ),
            paged=True,
        ),
        "POST": Contract(
            "losses.fit",
            LossFitDetailShape,
            "Fit losses to closed runs",
            body=LossFitMake,
            status=201,
            words=f"{RULE} It changes no prediction until it is put into use under `adoptions/`. With an "
            "apparatus, runs count since it was last repaired or changed.",
        ),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = LossFit.objects.filter(lab=self.caller.lab)
        if "solvent" in given:
            rows = rows.filter(solvent__key=given["solvent"])
        if "apparatus" in given:
            rows = rows.filter(apparatus_id=given["apparatus"])
        if "in_use" in given:
            standing = LossFit.objects.filter(adopted_at__isnull=False, ended_at=None).values("pk")
            rows = rows.filter(pk__in=standing) if given["in_use"] else rows.exclude(pk__in=standing)
        keys = BY_ID[given.get("ordering", "-id")]
        body = page(request._request, rows, keys=keys, columns=("id",), given=given, shape=lambda row: row[0])
        held = LossFit.objects.select_related(*RELATED).in_bulk(body["results"])
        return self.listing({**body, "results": [fit_out(held[pk]) for pk in body["results"]]})

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            within = self.caller.lab
            kind, apparatus = data.get("kind"), data.get("apparatus")
            row = fit_make(
                **self.by,
                solvent=solvent_in(self.caller, data["solvent"]),
                kind=None if kind is None else kind_named(lab=within, ref=kind),
                apparatus=None if apparatus is None else apparatus_named(lab=within, refs=[apparatus])[0],
                drivers=data.get("drivers", ()),
            )
            return Done(fit_detail(row.pk), headers={"Location": f"{self.request.path}{row.pk}/"})

        return self.write(work)


class FitView(LabView):
    def fit_at(self, ref: str) -> LossFit:
        return self.caller.by_id(LossFit.objects.all(), ref)


class LossFitDetail(FitView):
    """One fit with the runs that it rests on."""

    contracts = {"GET": Contract("reports.read", LossFitDetailShape, "One fit of losses", tagged=True)}

    def get(self, request: Any, lab: str, fit: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(fit_detail(self.fit_at(fit).pk))


class LossFitAdoptions(FitView):
    """A fit is put into use: from then on the predictions of such runs rest on it and name it."""

    contracts = {
        "POST": Contract(
            "losses.fit",
            LossFitDetailShape,
            "Put a fit into use",
            body=Nothing,
            status=201,
            words="The fit of the same solvent, kind and apparatus that was in use ends.",
        )
    }

    def post(self, request: Any, lab: str, fit: str) -> HttpResponse:
        found = self.fit_at(fit)
        return self.write(lambda data: Done(fit_detail(fit_adopt(**self.by, fit=found).pk)))


class LossFitEndings(FitView):
    """A fit is taken out of use: predictions rest on theory and assumptions again."""

    contracts = {
        "POST": Contract("losses.fit", LossFitDetailShape, "Take a fit out of use", body=Nothing, status=201)
    }

    def post(self, request: Any, lab: str, fit: str) -> HttpResponse:
        found = self.fit_at(fit)
        return self.write(lambda data: Done(fit_detail(fit_end(**self.by, fit=found).pk)))


def fit_detail(pk: int) -> dict[str, Any]:
    row = LossFit.objects.select_related(*RELATED).get(pk=pk)
    return {**fit_out(row), "run_ids": [str(run) for run in row.result["run_ids"]]}


def fit_out(row: LossFit) -> dict[str, Any]:
    """One fit with its coefficients and its plain statement."""
    kind, apparatus, kept = row.kind, row.apparatus, row.result
    return {
        **fit_ref(row),
        "solvent": solvent_ref(row.solvent_id, row.solvent.key, row.solvent.name),
        "kind": None if kind is None else {"id": str(kind.pk), "key": kind.key, "name": kind.name},
        "apparatus": None
        if apparatus is None
        else {"id": str(apparatus.pk), "name": apparatus.name, "kind": apparatus.kind},
        "runs": row.runs,
        "closed_runs": kept["closed_runs"],
        "first_started_at": row.first_started_at,
        "last_started_at": row.last_started_at,
        "since": kept["since"] and datetime.fromisoformat(kept["since"]),
        "made_by": row.actor.username,
        "ended_at": row.ended_at,
        "in_use": row.adopted_at is not None and row.ended_at is None,
        "version": row.version,
        "coefficients": [_coefficient(one) for one in kept["coefficients"]],
        "degrees_of_freedom": kept["dof"],
        "residual_sd": number(kept["residual_sd"]),
        "r_squared": number(kept["r_squared"]),
        **{name: kept[name] for name in ("statement", "cannot", "method", "left_out")},
    }


def _coefficient(kept: dict[str, Any]) -> dict[str, Any]:
    numbers = ("value", "low", "high", "driver_low", "driver_high")
    return {
        **{name: kept[name] for name in ("driver", "words", "unit")},
        **{name: number(kept[name]) for name in numbers},
        "sd": None if kept["sd"] is None else number(kept["sd"]),
    }

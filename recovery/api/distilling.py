"""The gate before a still: what it would say, what it let through, and a run made one that distils."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse

from inventory.api import params
from inventory.api.base import Contract
from inventory.api.fields import Body
from inventory.api.idempotency import Done
from inventory.api.lookup import container_find
from inventory.api.paging import Key, orderings, page
from inventory.api.problems import QueryError
from inventory.api.quantities import volume_out
from inventory.api.rows import decimal_text
from inventory.models import Container
from inventory.rules.cautions import CAUTIONS
from inventory.rules.errors import InputError
from inventory.rules.levels import LEVEL_WORDS
from recovery.api.clearing import CLEARANCE_COLUMNS, Override, clearance_out, signature_of
from recovery.api.rows_runs import run_shown
from recovery.api.runs import RunView
from recovery.api.shapes import RunShape
from recovery.api.shapes_clearing import ClearanceCheckShape, ClearanceShape
from recovery.models import Clearance, Run
from recovery.services.clearance_checks import Check, clearance_check
from recovery.services.clearances import start_distilling

NEWEST = orderings(id=Key("id", "int"))


class Distilling(Body):
    """Empty, or a supervisor's override."""

    override = Override(required=False)


class Distillings(RunView):
    """A run that was to rinse or extract only is to distil what it holds."""

    contracts = {
        "POST": Contract(
            "runs.log",
            RunShape,
            "Make a run one that distils",
            body=Distilling,
            status=201,
            words="All that was charged and is still in the run passes the gate, or nothing changes: 409 "
            "with the code `distilling-not-cleared` names each reason.",
        )
    }

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            start_distilling(**self.by, run=found, signature=signature_of(self.caller, data))
            return Done(run_shown(found.pk))

        return self.write(work)


class Clearances(RunView):
    """What the gate let through to a run, newest first."""

    contracts = {
        "GET": Contract(
            "runs.read", ClearanceShape, "Clearances of a run", params=params.paging(NEWEST), paged=True
        )
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        given = self.query
        rows = Clearance.objects.filter(run=self.run_at(run))
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(
                request._request, rows, keys=keys, columns=CLEARANCE_COLUMNS, given=given, shape=clearance_out
            )
        )


class ClearanceChecks(RunView):
    """What a charge would meet at the gate. Nothing is booked."""

    contracts = {
        "GET": Contract(
            "runs.read",
            ClearanceCheckShape,
            "Ask the gate before a charge",
            params=(
                params.text("container", "Id or code. Left out: what the run holds already."),
                params.text("volume", 'What is to be charged, as "120 mL", for the heel.'),
            ),
        )
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        given, found = self.query, self.run_at(run)
        container = self._container(given.get("container"))
        try:
            check = clearance_check(
                lab=self.caller.lab, now=self.now, run=found, container=container, amount=given.get("volume")
            )
        except InputError as error:
            raise QueryError(error.field, error.code, error.detail, error.remedy) from error
        return self.listing(self._shown(check, found, container))

    def _container(self, ref: str | None) -> Container | None:
        if ref is None:
            return None
        found = container_find(self.caller, ref)
        if found is None:
            raise QueryError(
                "container",
                "unknown-container",
                "This lab has no such container.",
                "Send its id or its code.",
            )
        return found

    def _shown(self, check: Check, run: Run, container: Container | None) -> dict[str, Any]:
        lab, heel = self.caller.lab, None
        if check.heel_ul is not None:
            heel = {"volume": volume_out(check.heel_ul), "source": check.heel_source}
        return {
            "container": container and {"id": str(container.pk), "code": container.code},
            "needed": check.needed,
            "allowed": check.allowed,
            "level": check.level,
            "words": LEVEL_WORDS[check.level],
            "may_be_overridden": check.may_be_overridden,
            "reasons": [_reason(one, reason) for one in check.ruling.judged for reason in one.reasons],
            "steps": list(check.steps),
            "heel": heel,
            "heel_percent": decimal_text(check.heel_percent),
            "heel_of_run": {"volume": volume_out(run.heel_ul), "source": run.heel_source},
            "cautions": [{"code": code, "words": CAUTIONS[code]} for code in check.cautions],
            "emergency": {"words": lab.emergency_text, "contact": lab.contact},
        }


def _reason(one: Any, reason: Any) -> dict[str, Any]:
    return {
        "code": reason.code,
        "words": reason.words,
        "fact": reason.fact,
        "source": reason.source,
        "level": reason.level,
        "container": {"id": str(one.container_id), "code": one.code},
    }

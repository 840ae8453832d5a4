"""How the server does: its state, a check of the ledger, and the jobs that were given up."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpResponse

from inventory.api.base import Contract, LabView
from inventory.api.idempotency import Done
from inventory.api.labs import Nothing
from inventory.api.lookup import is_id
from inventory.api.paging import Key, orderings, page
from inventory.api.params import paging
from inventory.api.shapes_running import FailedJobShape, LedgerCheckAskedShape, StatusShape
from inventory.models import Event, Job
from inventory.selectors.running import error_told, failed_job, failed_rows, running
from inventory.services import jobs, ledger_check

BY_ID = orderings(id=Key("id", "int"))
JOB_COLUMNS = ("id", "name", "key", "attempts", "created_at", "failed_at", "last_error", "payload")


def job_out(row: Any, tells: Any) -> dict[str, Any]:
    """One row of `JOB_COLUMNS`. tells: of payload and error, as much as this lab may read."""
    found = dict(zip(JOB_COLUMNS, row, strict=True))
    payload, error = found.pop("payload"), found.pop("last_error")
    return {**found, "id": str(found["id"]), "error": tells(payload, error)}


class FailedJobs(LabView):
    """Jobs that were tried as often as they may be, or could never succeed."""

    contracts = {
        "GET": Contract("server.read", FailedJobShape, "Jobs that failed", params=paging(BY_ID), paged=True)
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given, tells = self.query, error_told(lab=self.caller.lab)
        rows, keys = failed_rows(lab=self.caller.lab), BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(
                request._request,
                rows,
                keys=keys,
                columns=JOB_COLUMNS,
                given=given,
                shape=lambda row: job_out(row, tells),
            )
        )


class FailedJobReruns(LabView):
    """A job that failed is tried anew, as soon as a worker is free."""

    contracts = {
        "POST": Contract("jobs.replay", FailedJobShape, "Run a failed job again", body=Nothing, status=201)
    }

    def post(self, request: Any, lab: str, job: str) -> HttpResponse:
        found = failed_job(lab=self.caller.lab, pk=int(job)) if is_id(job) else None
        if found is None and not self._was_there(job):
            raise Http404
        tells = error_told(lab=self.caller.lab)

        def work(data: Any) -> Done:
            held = Job.objects.get(pk=int(job))
            jobs.run_again(**self.by, job=held)
            return Done(job_out(Job.objects.filter(pk=held.pk).values_list(*JOB_COLUMNS).get(), tells))

        return self.write(work)

    def _was_there(self, job: str) -> bool:
        """Whether this lab ran it again before: the same request, sent twice, gets the same answer."""
        told = Event.objects.filter(lab=self.caller.lab, verb="job-run-again", subject_kind="job")
        return is_id(job) and told.filter(subject_id=int(job)).exists()


class Status(LabView):
    """Database, jobs, messages, and the last check of the ledger."""

    contracts = {"GET": Contract("server.read", StatusShape, "How the server does")}

    def get(self, request: Any, lab: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        state = running(lab=self.caller.lab, now=self.now)
        told = state.jobs
        names = ("waiting", "late", "failed", "swept_at", "audited_at", "audit_failed_at", "audit_failed")
        return self.detail(
            {
                "version": state.version,
                "database": state.database,
                "database_bytes": state.database_bytes,
                "guards_missing": list(state.guards_missing),
                "jobs": {**{name: getattr(told, name) for name in names}, "late_since": told.due_at},
                "messages": {
                    "waiting": state.messages_waiting,
                    "failed": state.messages_failed,
                    "last_mail_at": state.mail_at,
                },
                "ledger_check": None if state.checked is None else _check_out(state.checked),
            }
        )


def _check_out(event: Event) -> dict[str, Any]:
    return {
        "checked_at": event.at,
        "username": event.actor.username,
        "clean": bool(event.data.get("clean")),
        "differences": int(event.data.get("differences", 0)),
    }


class LedgerChecks(LabView):
    """Have the lab's ledger worked out again; what was found stands in status/ when it is done."""

    contracts = {
        "POST": Contract(
            "jobs.replay", LedgerCheckAskedShape, "Have the ledger checked", body=Nothing, status=201
        )
    }

    def post(self, request: Any, lab: str) -> HttpResponse:
        return self.write(lambda data: Done({"asked": ledger_check.check_ask(**self.by)}))

"""How the place itself does: the status page, and the jobs that were given up."""

from __future__ import annotations

from django.conf import settings
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext as _

from inventory.selectors.running import FailedJob, failed_job, failed_jobs, running
from inventory.services import jobs, ledger_check
from inventory.services.delivery.reach import reach_of
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page
from inventory.web.rows import PAGE, RowForm, act

CSV_COLUMNS = ("id", "name", "key", "attempts", "created_at", "failed_at", "error")


@desk_page("server.read", "POST")
def status(desk: Desk) -> HttpResponse:
    """Database, jobs, mail and the last check of the ledger, which can be asked for here."""
    fault: RowForm | None = None
    if desk.request.method == "POST":
        desk.require("jobs.replay")
        answer = act(desk, {"check": _check}, "status")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    context = {
        "state": running(lab=desk.lab, now=desk.now),
        "now": desk.now,
        "reach": reach_of(desk.lab),
        "embedded": settings.STILLKEEP_EMBEDDED_JOBS,
        "site": settings.STILLKEEP_SITE_URL if settings.STILLKEEP_SITE_URL_GIVEN else "",
        "form": fault,
    }
    return desk.render("inventory/status.html", context, here="more", status=400 if fault else 200)


def _check(desk: Desk, row: str) -> str:
    if ledger_check.check_ask(**desk.by):
        return _("The ledger is being checked. What was found stands here when it is done.")
    return _("It was asked for within this minute already.")


@desk_page("server.read", "POST")
def failed_jobs_page(desk: Desk) -> HttpResponse:
    """What was tried as often as it may be, or could never succeed, with the last error."""
    fault: RowForm | None = None
    if desk.request.method == "POST":
        desk.require("jobs.replay")
        answer = act(desk, {"again": _again}, "failed-jobs")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    found = failed_jobs(lab=desk.lab)
    context = {"jobs": found[:PAGE], "rest": max(0, len(found) - PAGE), "form": fault}
    return desk.render("inventory/failed_jobs.html", context, here="more", status=400 if fault else 200)


def _again(desk: Desk, row: str) -> str:
    whole = row.isascii() and row.isdigit() and len(row) <= 18
    job = failed_job(lab=desk.lab, pk=int(row)) if whole else None
    if job is None:
        raise Http404
    jobs.run_again(**desk.by, job=job)
    return _("“%(name)s” runs again as soon as a worker is free.") % {"name": job.name}


@desk_page("server.read")
def failed_jobs_csv(desk: Desk) -> StreamingHttpResponse:
    rows = (_cells(each) for each in failed_jobs(lab=desk.lab))
    return csv_file(f"{desk.lab.slug}-failed-jobs", CSV_COLUMNS, rows)


def _cells(each: FailedJob) -> list[object]:
    job = each.job
    assert job.failed_at is not None
    return [
        job.pk, job.name, job.key, job.attempts, job.created_at.isoformat(), job.failed_at.isoformat(),
        each.error,
    ]  # fmt: skip

"""How the place itself does: database, jobs, mail, the last check of the ledger."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection
from django.db.models import Count, Max, Min, Q, QuerySet, Subquery

from inventory.models import Alert, Delivery, Event, Job, Lab, append_only

CHECKED = "ledger-checked"
LEDGER_CHECK = "ledger-check"
SWEEPS = ("sweep", "sweep-part")


@dataclass(frozen=True)
class Jobs:
    """waiting: to be done, now or later. due_at: since when the oldest of those that are late waits."""

    waiting: int
    late: int
    due_at: datetime | None
    failed: int
    swept_at: datetime | None
    audited_at: datetime | None
    audit_failed_at: datetime | None

    @property
    def audit_failed(self) -> bool:
        """Whether the newest check of all labs found a difference or could not be done."""
        return self.audit_failed_at is not None and (
            self.audited_at is None or self.audited_at < self.audit_failed_at
        )


@dataclass(frozen=True)
class Running:
    """What the status page shows. guards_missing: triggers of append-only tables that are not there."""

    version: str
    database: str
    database_bytes: int | None
    guards_missing: tuple[str, ...]
    jobs: Jobs
    messages_waiting: int
    messages_failed: int
    mail_at: datetime | None
    checked: Event | None


@dataclass(frozen=True)
class Looks:
    """When a sweep looked for alerts last, None if none has since the lab began; and when the next is due."""

    last_at: datetime | None
    next_at: datetime | None


def looks(*, lab: Lab) -> Looks:
    """How old the word is that no alert stands open, in one query; an alert tells of a look as well."""
    done = Job.objects.filter(name__in=SWEEPS, done_at__gte=lab.created_at).order_by("-pk").values("done_at")
    opened = Alert.objects.filter(lab=lab).order_by("-pk").values("opened_at")
    waiting = Job.objects.filter(name=SWEEPS[0], done_at=None, failed_at=None).order_by("due_at")
    found = Lab.objects.filter(pk=lab.pk).values_list(
        Subquery(done[:1]), Subquery(opened[:1]), Subquery(waiting.values("due_at")[:1])
    )
    done_at, opened_at, next_at = found.get()
    return Looks(max(filter(None, (done_at, opened_at)), default=None), next_at)


def running(*, lab: Lab, now: datetime) -> Running:
    """The state of the server as far as a lab may know: jobs are everybody's, messages the lab's own."""
    fates = Delivery.objects.filter(lab=lab).aggregate(
        waiting=Count("pk", filter=Q(sent_at=None, failed_at=None, withdrawn_at=None)),
        failed=Count("pk", filter=Q(failed_at__isnull=False)),
        mail_at=Max("sent_at", filter=Q(channel__in=["email", "digest"])),
    )
    checked = Event.objects.filter(lab=lab, verb=CHECKED).select_related("actor").order_by("-pk").first()
    return Running(
        version=version(),
        database=database_words(),
        database_bytes=_database_bytes(),
        guards_missing=tuple(append_only.missing(connection)),
        jobs=_jobs(now),
        messages_waiting=fates["waiting"],
        messages_failed=fates["failed"],
        mail_at=fates["mail_at"],
        checked=checked,
    )


def _jobs(now: datetime) -> Jobs:
    still = Q(done_at=None, failed_at=None)
    told = Job.objects.aggregate(
        waiting=Count("pk", filter=still),
        late=Count("pk", filter=still & Q(due_at__lte=now)),
        due_at=Min("due_at", filter=still & Q(due_at__lte=now)),
        failed=Count("pk", filter=Q(done_at=None, failed_at__isnull=False)),
        swept_at=Max("done_at", filter=Q(name__in=SWEEPS)),
        audited_at=Max("done_at", filter=Q(name="audit")),
        audit_failed_at=Max("failed_at", filter=Q(name="audit")),
    )
    return Jobs(**told)


@cache
def version() -> str:
    """Of this program, as its project file says."""
    project: dict[str, Any] = tomllib.loads((Path(settings.BASE_DIR) / "pyproject.toml").read_text("utf-8"))
    return str(project["project"]["version"])


def database_words() -> str:
    """Name and version of the database, as it says itself."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT sqlite_version()" if connection.vendor == "sqlite" else "SHOW server_version")
        told = str(cursor.fetchone()[0])
    return f"{'SQLite' if connection.vendor == 'sqlite' else 'PostgreSQL'} {told.split()[0]}"


def _database_bytes() -> int | None:
    """How much room it takes; None where it does not say."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()")
        else:
            cursor.execute("SELECT pg_database_size(current_database())")
        return int(cursor.fetchone()[0])


@dataclass(frozen=True)
class FailedJob:
    """A job that was given up, and as much of its error as this lab may read."""

    job: Job
    error: str


def failed_jobs(*, lab: Lab) -> list[FailedJob]:
    """Jobs that were given up, the newest first, without those that were asked for by another lab.

    The error of one that works for all labs may quote a record: where the server keeps several labs, only
    its kind is told.
    """
    tells = error_told(lab=lab)
    rows = failed_rows(lab=lab).order_by("-failed_at", "-pk")
    return [FailedJob(job, tells(job.payload, job.last_error)) for job in rows]


def failed_rows(*, lab: Lab) -> QuerySet[Job]:
    """Rows of jobs that were given up and are everybody's or this lab's."""
    own = Q(payload__lab=lab.pk) | Q(payload__lab__isnull=True) | Q(payload__lab=None)
    return Job.objects.filter(own, done_at=None, failed_at__isnull=False)


def error_told(*, lab: Lab) -> Callable[[Mapping[str, Any], str], str]:
    """Of a job's payload and error, as much of the error as this lab may read."""
    shared = Lab.objects.exclude(pk=lab.pk).exists()

    def tells(payload: Mapping[str, Any], error: str) -> str:
        return error if payload.get("lab") == lab.pk or not shared else error.partition(":")[0]

    return tells


def failed_job(*, lab: Lab, pk: int) -> Job | None:
    """One of them; None when there is no such job or it is another lab's."""
    job = Job.objects.filter(pk=pk, failed_at__isnull=False).first()
    return job if job is not None and job.payload.get("lab") in (None, lab.pk) else None

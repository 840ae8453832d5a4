"""Jobs: rows first, work second, so that a crash may do a thing twice but never not at all.

A job is claimed for a lease; a worker that dies lets the lease run out and the job comes back. The one
schedule, `SCHEDULE`, is turned into jobs by `tick_due`, whoever calls it and how often: a scheduled run has a
unique key, name@slot. `drain` does what is due. Celery's workers and the server's own thread call the same.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from threading import Event
from typing import Any

from django.db import connection, transaction
from django.db.models import Q, QuerySet
from django.db.utils import Error as DatabaseError
from django.dispatch import Signal
from django.utils import timezone

from inventory.models import Job, Lab, User
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services import leases
from inventory.services.events import record

logger = logging.getLogger(__name__)

# Sent with `count` once several jobs are there for the taking. Where there is a broker it wakes that many
# workers; nobody need listen, for the table is looked at every few seconds anyway.
wanted = Signal()

Clock = Callable[[], datetime]
Work = Callable[[Mapping[str, Any], datetime], object]

ATTEMPTS_MAX = 8
LEASE = timedelta(minutes=5)
BACKOFF_FIRST, BACKOFF_MAX = timedelta(seconds=10), timedelta(hours=1)
# A job that has been tried is never put off for longer; if it seems so, the clock was set back.
HELD_MAX = timedelta(hours=3)
DONE_KEPT_FOR, FAILED_KEPT_FOR = timedelta(days=14), timedelta(days=90)


@dataclass(frozen=True)
class Scheduled:
    """A task that runs once in every slot of this length, counted from `offset` after midnight UTC."""

    name: str
    every: timedelta
    offset: timedelta = timedelta()
    at_start: bool = False

    def slot(self, now: datetime) -> str:
        """The name of the slot that `now` is in: the moment it began."""
        seconds, offset = int(self.every.total_seconds()), int(self.offset.total_seconds())
        began = (int(now.timestamp()) - offset) // seconds * seconds + offset
        return datetime.fromtimestamp(began, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


SCHEDULE: tuple[Scheduled, ...] = (
    Scheduled("sweep", timedelta(minutes=5), at_start=True),
    Scheduled("deliver", timedelta(minutes=1)),
    Scheduled("prune", timedelta(days=1), offset=timedelta(hours=1, minutes=30)),
    Scheduled("audit", timedelta(days=1), offset=timedelta(hours=2)),
)


@dataclass(frozen=True)
class Task:
    """What a job's name stands for. `lease`: how long one run may take before another worker may try."""

    name: str
    work: Work
    lease: timedelta


TASKS: dict[str, Task] = {}


def task(name: str, *, lease: timedelta = LEASE) -> Callable[[Work], Work]:
    """Register what a job does. It gets the payload and now, and must bear to be run twice."""
    if lease > HELD_MAX:
        raise ValueError(f"A lease of {lease} is longer than {HELD_MAX}, which counts as a clock set back.")

    def keep(work: Work) -> Work:
        TASKS[name] = Task(name, work, lease)
        return work

    return keep


class NoUse(Exception):
    """Raised by a task when another attempt would end the same way: the job is given up at once."""


# -- jobs come


def enqueue(*, name: str, key: str, payload: Mapping[str, Any], due_at: datetime, now: datetime) -> bool:
    """Ask for a job. The same key again is the same job: returns whether this call made it."""
    ops = connection.ops
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO inventory_job (name, key, payload, due_at, attempts, last_error, created_at) "
            "VALUES (%s, %s, %s, %s, 0, '', %s) ON CONFLICT (key) DO NOTHING",
            [
                name,
                key,
                ops.adapt_json_value(dict(payload), None),
                ops.adapt_datetimefield_value(due_at),
                ops.adapt_datetimefield_value(now),
            ],
        )
        return bool(cursor.rowcount == 1)


def tick(*, name: str, slot: str, now: datetime, every: timedelta = timedelta(minutes=5)) -> bool:
    """Make the job of one scheduled slot; any number of callers make it once. Returns whether this one did.

    A slot that was used before the clock was set back is a new one: it is told apart by the newest job of
    that name that claims to be made in what is now the future.
    """
    key = f"{name}@{slot}"
    until = (now + every).isoformat()
    if enqueue(name=name, key=key, payload={"slot": slot, "until": until}, due_at=now, now=now):
        return True
    ahead = Job.objects.filter(name=name, created_at__gt=now + every).order_by("created_at", "pk").last()
    if ahead is None or Job.objects.filter(key=key, pk__gt=ahead.pk).exists():
        return False
    again = f"{slot}~{ahead.pk}"
    return enqueue(
        name=name, key=f"{name}@{again}", payload={"slot": again, "until": until}, due_at=now, now=now
    )


def call_workers(count: int) -> None:
    """Say that `count` jobs can be taken at once, as soon as the transaction that made them has committed."""
    transaction.on_commit(lambda: wanted.send(sender=Job, count=count), robust=True)


def is_past(payload: Mapping[str, Any], now: datetime) -> bool:
    """Whether a scheduled run has waited so long that the next one has taken its place."""
    until = payload.get("until")
    return until is not None and datetime.fromisoformat(until) < now


def tick_due(*, now: datetime, starting: bool = False) -> int:
    """Make the jobs of the slots that `now` is in. starting: those wanted at every start as well."""
    minute = now.astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ")
    made = 0
    for each in SCHEDULE:
        fresh = tick(name=each.name, slot=each.slot(now), now=now, every=each.every)
        if starting and each.at_start and not fresh:
            fresh = tick(name=each.name, slot=f"start-{minute}", now=now, every=each.every)
        made += fresh
    return made


# -- jobs are done


def _waiting(now: datetime) -> QuerySet[Job]:
    """Jobs to be done now, among them those that a clock since set back has put off for too long."""
    return leases.due(Job.objects.filter(done_at=None, failed_at=None), now=now, held_max=HELD_MAX)


def claim(*, limit: int, lease: timedelta, now: datetime) -> list[Job]:
    """Take jobs that are due, oldest first; each is out of sight for `lease`, then it comes back."""
    waiting = _waiting(now).filter(attempts__lt=ATTEMPTS_MAX)
    return leases.claim(waiting, limit=limit, lease=lease, now=now)


def run(*, job: Job, now: Clock) -> bool:
    """Do one claimed job. Returns whether its work was done; a failed one is put off, then given up."""
    known = TASKS.get(job.name)
    unfinished = Job.objects.filter(pk=job.pk, done_at=None)
    if not unfinished.filter(attempts=job.attempts).exists():
        return False
    try:
        if known is None:
            raise LookupError(f"There is no task named {job.name}.")
        if known.lease != LEASE:
            unfinished.update(due_at=now() + known.lease)
        known.work(job.payload, now())
    except Exception as error:
        logger.exception("Job %s failed in attempt %s.", job.key, job.attempts)
        _put_off(job, error, now())
        return False
    unfinished.update(done_at=now(), failed_at=None, last_error="")
    return True


def _put_off(job: Job, error: Exception, now: datetime) -> None:
    """Try again later, or never; not when the lease ran out and another worker has the job by now."""
    mine = Job.objects.filter(pk=job.pk, done_at=None, attempts=job.attempts)
    words = f"{type(error).__name__}: {error}"[:2000]
    if job.attempts >= ATTEMPTS_MAX or isinstance(error, NoUse):
        mine.update(failed_at=now, last_error=words)
    else:
        mine.update(due_at=now + backoff(job.attempts), last_error=words)


def backoff(attempts: int) -> timedelta:
    """How long to wait after that many attempts: twice as long each time, ± 50 % so that jobs spread."""
    return leases.backoff(attempts, first=BACKOFF_FIRST, most=BACKOFF_MAX)


def give_up(*, now: datetime) -> int:
    """Mark jobs as failed whose last permitted attempt ended without a word. Returns how many."""
    spent = _waiting(now).filter(attempts__gte=ATTEMPTS_MAX)
    return spent.update(failed_at=now, last_error="Every attempt ended without an answer.")


def drain(*, now: Clock, limit: int = 1000, stop: Event | None = None) -> int:
    """Do the jobs that are due, one claim at a time, until none is left. Returns how many were done."""
    done = 0
    for _ in range(limit):
        moment = now()
        if (stop and stop.is_set()) or not _waiting(moment).exists():
            break
        jobs = claim(limit=1, lease=LEASE, now=moment)
        if not jobs and not give_up(now=moment):
            break
        done += sum(run(job=job, now=now) for job in jobs)
    return done


def run_again(*, lab: Lab, actor: User, now: datetime, job: Job) -> Job:
    """Let a job that was given up be tried anew, with as many attempts as a fresh one.

    It belongs to the whole server; the event stands in the lab of whoever asked. Raises Conflict unless it
    was given up. A scheduled run whose slot is long over ends without work: a newer one has done it.
    """
    with transaction.atomic():
        failed = Job.objects.filter(pk=job.pk, done_at=None, failed_at__isnull=False)
        if not failed.update(failed_at=None, attempts=0, due_at=now):
            raise Conflict(
                "", "not-failed", Phrase("This job is not given up."), Phrase("Look at the list again.")
            )
        data = {"name": job.name, "key": job.key, "last_error": job.last_error}
        record(lab=lab, actor=actor, now=now, verb="job-run-again", subject=job, data=data)
        call_workers(1)
    return Job.objects.get(pk=job.pk)


def next_due(*, now: datetime) -> timedelta | None:
    """How long until the next job is due; None when none is waiting."""
    first = Job.objects.filter(done_at=None, failed_at=None).order_by("due_at").first()
    return None if first is None else first.due_at - now


def prune(*, now: datetime) -> int:
    """Forget jobs that were done or given up long ago. Returns how many."""
    old = Q(done_at__lt=now - DONE_KEPT_FOR) | Q(failed_at__lt=now - FAILED_KEPT_FOR)
    return Job.objects.filter(old).delete()[0]


# -- the server's own thread


def drain_forever(stop: Event, *, now: Clock = timezone.now, idle_seconds: float = 1.0) -> None:
    """Tick the schedule and do what is due until `stop` is set; no fault ends it, each is logged once.

    Waiting goes by the monotonic clock, so that setting the wall clock neither stalls nor hurries it.
    """
    ticked: dict[str, str] = {}
    fault = ""
    while not stop.is_set():
        pause = idle_seconds
        try:
            pause = _round(ticked, stop, now, idle_seconds)
            if fault:
                logger.info("The job thread works again.")
            fault = ""
        except Exception as error:
            fault = _note_fault(error, fault)
        _let_go()
        stop.wait(pause)


def _round(ticked: dict[str, str], stop: Event, now: Clock, idle_seconds: float) -> float:
    """One look at schedule and jobs. Returns how many seconds to rest; `ticked` remembers the slots."""
    moment = now()
    slots = {each.name: each.slot(moment) for each in SCHEDULE}
    if slots != ticked:
        tick_due(now=moment, starting=not ticked)
        ticked.update(slots)
    drain(now=now, stop=stop)
    wait = next_due(now=now())
    return idle_seconds if wait is None else min(idle_seconds, max(0.05, wait.total_seconds()))


def _note_fault(error: Exception, before: str) -> str:
    """Log a fault when it is new: a database that is away for an hour is one line, not thousands."""
    # The first line alone: PostgreSQL quotes the statement below it, which differs from round to round.
    words = f"{type(error).__name__}: {error}".splitlines()[0]
    if words != before and isinstance(error, DatabaseError):
        logger.warning("The job thread cannot use the database and keeps trying: %s", words)
    elif words != before:
        logger.exception("The job thread met a fault and goes on.")
    return words


def _let_go() -> None:
    """Hold no connection while resting, so that the database can be moved, restored or restarted."""
    try:
        connection.close()
    except DatabaseError:
        logger.debug("The connection was broken already.", exc_info=True)

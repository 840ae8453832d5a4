"""An inspection report that takes its time: asked for by a person, made as a job, kept until the next one.

Each person has one per lab. It lies with its job and goes with it, so that a paper of a day long past is made
anew rather than found again.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import uuid4

from django.db import transaction

from inventory.models import Job, Lab, User
from inventory.services import jobs

REPORT = "inspection-report"


@dataclass(frozen=True)
class Wanted:
    """What was chosen: days in the lab's zone, and how its reader reads."""

    since: date
    until: date
    paper: str
    language: str
    unit: str


@dataclass(frozen=True)
class Report:
    """as_of: when it was made, None while it is not. failed: every attempt was in vain."""

    wanted: Wanted
    asked_at: datetime
    as_of: datetime | None
    failed: bool
    pdf: bytes


def report_ask(*, lab: Lab, actor: User, now: datetime, wanted: Wanted) -> None:
    """Have it made in place of this person's earlier one, be it made or not."""
    key = _key(lab.pk, actor.pk)
    chosen = {"paper": wanted.paper, "language": wanted.language, "unit": wanted.unit}
    days = {"since": wanted.since.isoformat(), "until": wanted.until.isoformat()}
    whose = {"lab": lab.pk, "actor": actor.pk, "turn": str(uuid4())}
    with transaction.atomic():
        Job.objects.filter(key=key).delete()
        jobs.enqueue(name=REPORT, key=key, payload={**whose, **days, **chosen}, due_at=now, now=now)
        jobs.call_workers(1)


def report_of(*, lab: Lab, actor: User) -> Report | None:
    """This person's newest; None when none was asked for, or that was long ago."""
    job = Job.objects.filter(key=_key(lab.pk, actor.pk)).first()
    if job is None:
        return None
    told = job.payload
    made = told.get("as_of")
    return Report(
        wanted=wanted_of(told),
        asked_at=job.created_at,
        as_of=datetime.fromisoformat(made) if made else None,
        failed=job.failed_at is not None,
        pdf=b64decode(told.get("pdf", "")),
    )


def wanted_of(payload: Mapping[str, Any]) -> Wanted:
    """What `report_ask` put into the payload."""
    since, until = (date.fromisoformat(payload[name]) for name in ("since", "until"))
    return Wanted(since, until, payload["paper"], payload["language"], payload["unit"])


def report_keep(*, payload: Mapping[str, Any], now: datetime, pdf: bytes) -> None:
    """Put what was made beside its job; nothing when another was asked for meanwhile."""
    with transaction.atomic():
        job = Job.objects.select_for_update().filter(key=_key(payload["lab"], payload["actor"])).first()
        if job is not None and job.payload["turn"] == payload["turn"]:
            job.payload = {**job.payload, "as_of": now.isoformat(), "pdf": b64encode(pdf).decode()}
            job.save(update_fields=["payload"])


def _key(lab: int, actor: int) -> str:
    return f"{REPORT}:{lab}:{actor}"

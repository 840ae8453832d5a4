"""The real Celery app with seconds in place of minutes, and two tasks whose runs leave a trace in a file."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import django

from deploy.celery import app

django.setup()

from inventory.services import jobs  # noqa: E402

TRACES = Path(os.environ["STILLKEEP_HOME"])
jobs.SCHEDULE = (jobs.Scheduled("sweep", timedelta(seconds=1), at_start=True),)
app.conf.beat_schedule = {
    name: {**entry, "schedule": 0.4, "options": {"expires": 10}}
    for name, entry in app.conf.beat_schedule.items()
}


@jobs.task("note")
def note(payload: Mapping[str, Any], now: datetime) -> None:
    """Leave a line with the job's text."""
    with (TRACES / "notes").open("a") as file:
        file.write(f"{payload['text']}\n")


@jobs.task("stall", lease=timedelta(seconds=3))
def stall(payload: Mapping[str, Any], now: datetime) -> None:
    """The first time say which process it is and hang; later go through at once."""
    stalled = TRACES / "stalled"
    if not stalled.exists():
        draft = TRACES / "draft"
        draft.write_text(str(os.getpid()))
        draft.rename(stalled)
        time.sleep(600)
    note(payload, now)

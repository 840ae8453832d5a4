"""The real Celery app with seconds in place of minutes, and two tasks whose runs leave a trace in a file.

While a file `pause` lies in the home folder, every sweep that has just opened alerts writes its process id
into `inside` and waits, its transaction still open: there a test kills it.
"""

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

from django.db.backends.signals import connection_created  # noqa: E402

from inventory.services import jobs  # noqa: E402

TRACES = Path(os.environ["STILLKEEP_HOME"])
jobs.SCHEDULE = (jobs.Scheduled("sweep", timedelta(seconds=1), at_start=True),)
app.conf.beat_schedule = {
    name: {**entry, "schedule": 0.4, "options": {"expires": 10}}
    for name, entry in app.conf.beat_schedule.items()
}


class Pause:
    """Waits in the transaction of a sweep, when alerts were inserted and are not yet committed."""

    def __call__(self, execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        result = execute(sql, params, many, context)
        opens = sql.startswith("INSERT INTO inventory_alert") and context["cursor"].rowcount
        if opens and (TRACES / "pause").exists():
            draft = TRACES / f"draft-{os.getpid()}"
            draft.write_text(str(os.getpid()))
            draft.rename(TRACES / "inside")
            time.sleep(30)
        return result


def _watch(connection: Any, **_: Any) -> None:
    if not any(isinstance(wrapper, Pause) for wrapper in connection.execute_wrappers):
        connection.execute_wrappers.append(Pause())


connection_created.connect(_watch, dispatch_uid="tests.faults.pause")


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

"""The larger set-up: `celery -A deploy worker` and `celery -A deploy beat` over Redis, any number of each.

Jobs are rows of the database; the broker only carries "look now". So losing Redis loses nothing, a message
that comes twice does nothing twice, and beat needs no memory of its own.
"""

from __future__ import annotations

import os
from typing import Any

from celery import Celery, signals

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")

TICK_SECONDS = 30.0
DRAIN_SECONDS = 5.0
DRAIN_JOBS_MAX = 200

app = Celery("stillkeep")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.conf.update(
    worker_prefetch_multiplier=1,
    task_acks_late=True,
    beat_scheduler="celery.beat:Scheduler",
    # A message is of no use once the next one has been sent.
    beat_schedule={
        "tick": {
            "task": "stillkeep.tick",
            "schedule": TICK_SECONDS,
            "options": {"expires": TICK_SECONDS * 0.9},
        },
        "drain": {
            "task": "stillkeep.drain",
            "schedule": DRAIN_SECONDS,
            "options": {"expires": DRAIN_SECONDS * 0.9},
        },
    },
)


@app.task(name="stillkeep.tick")
def tick(starting: bool = False) -> int:
    """Make the jobs of the slots that have begun, and have them done. Returns how many were made."""
    from django.utils import timezone

    from inventory.services import jobs

    made = jobs.tick_due(now=timezone.now(), starting=starting)
    if made:
        drain.apply_async(expires=TICK_SECONDS)
    return made


@app.task(name="stillkeep.drain")
def drain() -> int:
    """Do the jobs that are due. Returns how many were done."""
    from django.utils import timezone

    from inventory.services import jobs

    return jobs.drain(now=timezone.now, limit=DRAIN_JOBS_MAX)


@signals.worker_ready.connect
def _sweep_at_start(**_: Any) -> None:
    tick.apply_async(kwargs={"starting": True}, expires=TICK_SECONDS)


def _refuse_without_broker(**_: Any) -> None:
    from django.conf import settings

    if not settings.REDIS_URL:
        raise SystemExit("REDIS_URL is not set: without it the server does the jobs itself (manage.py up).")


signals.celeryd_init.connect(_refuse_without_broker)
signals.beat_init.connect(_refuse_without_broker)

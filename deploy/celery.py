"""The larger set-up: `celery -A deploy worker` and `celery -A deploy beat` over Redis, any number of each.

Jobs are rows of the database; the broker only carries "look now". So losing Redis loses nothing, a message
that comes twice does nothing twice, and beat needs no memory of its own. Where several jobs are made at once,
such as the parts of a sweep, as many workers are called to them.
"""

from __future__ import annotations

import logging
import os
from typing import Any

from celery import Celery, signals
from kombu.exceptions import OperationalError

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")

TICK_SECONDS = 30.0
DRAIN_SECONDS = 5.0
DRAIN_JOBS_MAX = 200
CALLED_MAX = 16
logger = logging.getLogger(__name__)

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


def call(sender: Any, count: int, **_: Any) -> None:
    """Wake up to `CALLED_MAX` workers. If the broker is away they come with beat's next look."""
    try:
        for _each in range(min(count, CALLED_MAX)):
            drain.apply_async(expires=TICK_SECONDS, retry=False)
    except OperationalError:
        logger.warning("The broker did not take a call for workers; they look by themselves.")


@signals.worker_process_init.connect
@signals.worker_ready.connect
def _listen(**_: Any) -> None:
    from inventory.services import jobs

    jobs.wanted.connect(call, dispatch_uid="deploy.celery.call")


@signals.worker_ready.connect
def _sweep_at_start(**_: Any) -> None:
    tick.apply_async(kwargs={"starting": True}, expires=TICK_SECONDS)


def _refuse_without_broker(**_: Any) -> None:
    from django.conf import settings

    if not settings.REDIS_URL:
        raise SystemExit("REDIS_URL is not set: without it the server does the jobs itself (manage.py up).")


signals.celeryd_init.connect(_refuse_without_broker)
signals.beat_init.connect(_refuse_without_broker)

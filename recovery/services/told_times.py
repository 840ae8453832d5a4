"""When a word on a run was told, where that was before it arrived, as from a phone without a network.

What was told later stands, in whatever order the two arrive. A row bears the time at which it was recorded;
when it was told stands in the event of the same moment, where that is earlier.
"""

from __future__ import annotations

from datetime import datetime

from inventory.models import Event
from recovery.models import Run


def told_time(run: Run, verb: str, recorded_at: datetime) -> datetime:
    """When what was recorded of a run at that moment had been told. verb: of the event that goes with it."""
    events = Event.objects.filter(
        subject_kind=run._meta.model_name, subject_id=run.pk, verb=verb, at=recorded_at
    )
    told = [datetime.fromisoformat(at) for at in events.values_list("data__told_at", flat=True) if at]
    return max(told, default=recorded_at)


def overtaken(run: Run, verb: str, newest_at: datetime | None, told_at: datetime | None) -> bool:
    """Whether the newest word, recorded at `newest_at`, was told after `told_at`. None: nothing; just now."""
    if newest_at is None or told_at is None or newest_at <= told_at:
        return False
    return told_time(run, verb, newest_at) > told_at

"""A sweep over many labs in parts, so that any number of workers on any number of machines share it.

Each part is a job of its own under a key that names slot and range: a sweep that is cut short and begun again
asks for the same parts. A part that is still waiting when the next slot has begun is left to that one.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from inventory.models import Lab
from inventory.services import jobs
from inventory.services.sweep import sweep

PART = "sweep-part"
# Our choice: a part small enough to be over well before its slot, large enough not to be lost in its journey.
LABS_PER_PART = 50
Range = tuple[int, int]


def ranges() -> list[Range]:
    """First and last id of each part of the labs, in order; every lab is in exactly one."""
    ids = list(Lab.objects.order_by("pk").values_list("pk", flat=True))
    parts = [ids[start : start + LABS_PER_PART] for start in range(0, len(ids), LABS_PER_PART)]
    return [(part[0], part[-1]) for part in parts]


def sweep_or_share(payload: Mapping[str, Any], now: datetime) -> int:
    """Sweep at once when the labs are few, else ask for one job per part. Returns how many were asked for."""
    parts = ranges()
    if len(parts) < 2:
        sweep(now=now)
        return 0
    slot = payload.get("slot") or now.isoformat()
    asked = sum(
        jobs.enqueue(
            name=PART,
            key=f"{PART}@{slot}:{low}-{high}",
            payload={"low": low, "high": high, "until": payload.get("until")},
            due_at=now,
            now=now,
        )
        for low, high in parts
    )
    jobs.call_workers(asked)
    return asked


def sweep_part(payload: Mapping[str, Any], now: datetime) -> None:
    """Sweep the labs of one part."""
    if not jobs.is_past(payload, now):
        sweep(now=now, labs=(int(payload["low"]), int(payload["high"])))

"""Which day's digest is in force: one for each calendar day of the lab, whatever its clock does.

The moment of a day is when the wall clock first shows the chosen time on it, or, where the clock leaps over
that time, as much later as it would have been (PEP 495, fold=0). A day that a zone leaves out altogether
(Samoa, 30 December 2011) shares its moment with the next one and has no digest of its own.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


def zone_of(name: str) -> tzinfo:
    """The zone of that name; UTC for one that nobody knows, as a digest at another hour beats none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return UTC


def moment(day: date, at: time, zone: tzinfo) -> datetime:
    """When the digest of a day is due, in UTC."""
    return datetime.combine(day, at.replace(fold=0, tzinfo=None), tzinfo=zone).astimezone(UTC)


def day_in_force(now: datetime, at: time, zone: tzinfo) -> date:
    """The latest day whose moment has come. It never goes back while `now` goes on."""
    day = now.astimezone(zone).date() + timedelta(days=1)
    while moment(day, at, zone) > now:
        day -= timedelta(days=1)
    return day

"""The rules on containers in plain, slow Python: what should stand open by the stored facts and the day."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from inventory.models import Container, StockLevel

OWN = {
    "reading-at-or-above-level": "action-level",
    "reading-not-decisive": "reading-not-decisive",
    "opening-date-unknown": "opening-date-unknown",
    "receipt-date-unknown": "start-date-unknown",
    "made-date-unknown": "start-date-unknown",
    "no-rule": "no-rule",
}
BAD = ("reading-at-or-above-level", "reading-not-decisive")


def expected(now: datetime) -> set[tuple[str, str, int]]:
    """(rule, kind of subject, id) of every alert that should stand open at that moment."""
    found = set()
    for bottle in Container.objects.select_related("lab"):
        today = now.astimezone(ZoneInfo(bottle.lab.time_zone)).date()
        found |= {(rule, "container", bottle.pk) for rule in _of_bottle(bottle, today, now)}
    for level in StockLevel.objects.filter(ended_at=None).select_related("lab"):
        today = now.astimezone(ZoneInfo(level.lab.time_zone)).date()
        if _fit_ul(level, today) < level.minimum_ul:
            found.add(("low-stock", "stocklevel", level.pk))
    return found


def _of_bottle(bottle: Container, today: date, now: datetime) -> set[str]:
    if bottle.discarded_at is not None:
        return set()
    soon = today + timedelta(days=bottle.lab.due_soon_days)
    found = set()
    if bottle.worst_sign:
        found.add("sign-seen")
    if bottle.quarantined_at is not None and now - bottle.quarantined_at > timedelta(days=30):
        found.add("quarantined-long")
    if bottle.count_off_ul:
        found.add("count-difference")
    if bottle.volume_ul:
        found |= _on_retest(bottle, today, soon) | _on_ages(bottle, today, soon)
    return found


def _on_retest(bottle: Container, today: date, soon: date) -> set[str]:
    if bottle.due_code in OWN:
        return {OWN[bottle.due_code]}
    found, due = set(), bottle.next_test_due
    if due is not None and due < today:
        found.add("retest-overdue")
    elif due is not None and due <= soon:
        found.add("retest-due-soon")
    elif bottle.untested_since is not None and (today - bottle.untested_since).days > 90:
        found.add("never-tested")
    forecast, policy = bottle.forecast_on, bottle.policy_due
    if forecast is not None and forecast <= soon and (policy is None or forecast < policy):
        found.add("forecast-sooner")
    return found


def _on_ages(bottle: Container, today: date, soon: date) -> set[str]:
    found, last, expiry = set(), bottle.dispose_on, bottle.expires_on
    if expiry is not None and expiry <= soon:
        found.add("expired" if expiry < today else "expiry-soon")
    if last is not None and last != expiry and last <= soon:
        found.add("maximum-age" if last < today else "maximum-age-soon")
    return found


def _fit_ul(level: StockLevel, today: date) -> int:
    held = Container.objects.filter(lot__lab=level.lab, lot__solvent=level.solvent, discarded_at=None)
    return sum(
        bottle.volume_ul
        for bottle in held
        if bottle.quarantined_at is None
        and not bottle.worst_sign
        and bottle.due_code not in BAD
        and (bottle.dispose_on is None or bottle.dispose_on >= today)
        and (bottle.expires_on is None or bottle.expires_on >= today)
    )

"""The front page of a lab: what is due, what is running, and what runs gave back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, cast

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from inventory import access
from inventory.access import Caller
from inventory.models import User
from inventory.selectors.due import LOOK, OVERDUE, READING, SIGN, SOON, TODAY, UNKNOWN, today_in
from inventory.selectors.loosening import policy_in_use
from inventory.services.delivery.reach import reach_of
from inventory.services.due_telling import judged_as, told_by_id
from inventory.web.desk import Desk
from inventory.web.forms import role_name
from inventory.web.rows import start_of
from recovery.selectors import overview
from recovery.selectors.overview import Part
from recovery.web import today_alerts
from recovery.web.first_steps import first_steps

# The other months are folded away, so that a phone need not scroll past them.
MONTHS_SHOWN = 3


@dataclass(frozen=True)
class Group:
    """One heading of the due list: what the rank means for somebody in front of the shelf."""

    part: Part
    badge: str
    title: str
    style: str
    advice: str = ""

    @property
    def items(self) -> list[Any]:
        return self.part.items

    @property
    def count(self) -> int:
        return self.part.count

    @property
    def more(self) -> int:
        return self.part.more

    @property
    def further(self) -> int:
        return self.part.further


@never_cache
@login_required
@require_safe
def home(request: HttpRequest) -> HttpResponse:
    """The person's lab; with several, or none, a list of them."""
    user = cast(User, request.user)
    labs = list(access.labs_of(user))
    if len(labs) == 1:
        return lab_page(request, access.enter(user, labs[0].slug))
    now = timezone.now()
    summaries = [overview.lab_summary(lab=lab, today=today_in(lab, now)) for lab in labs]
    return render(request, "recovery/home.html", {"overviews": summaries})


@never_cache
@login_required
@require_safe
def lab(request: HttpRequest, slug: str) -> HttpResponse:
    """The page of one lab; 404 for a stranger."""
    return lab_page(request, access.enter(cast(User, request.user), slug))


def lab_page(request: HttpRequest, caller: Caller) -> HttpResponse:
    """Render a lab's page in the lab's own time zone."""
    desk = Desk(request, caller, timezone.now())
    return desk.render("recovery/lab.html", _context(desk), here="lab")


def _context(desk: Desk) -> dict[str, Any]:
    caller, lab, today = desk.caller, desk.lab, desk.today
    counts = overview.due_counts(lab=lab, today=today)
    start = start_of(desk)
    start = start if start < counts.now + counts.soon else 0
    listed = overview.due_parts(lab=lab, today=today, counts=counts, start=start)
    ids = {item.container_id for part in listed for item in part.items}
    alerts = overview.open_alerts(lab=lab)
    to_do = today_alerts.found(desk, listed=ids, open_count=alerts)
    # The records are looked into once for all that the page tells of.
    said = told_by_id(ids | to_do.containers, today)
    due = [replace(part, items=judged_as(part.items, said)) for part in listed]
    parts = {part.rank: part for part in due}
    soon = parts.pop(SOON, Part(SOON, 0, []))
    open_count, open_runs = overview.open_runs(lab=lab)
    found_runs = overview.runs_to_answer_for(lab=lab)
    by_solvent, by_month = overview.ledger(lab=lab)
    newest = sorted({row.rate.group["month"] for row in by_month})[-MONTHS_SHOWN:]
    return {
        "lab": lab,
        "labs": list(access.labs_of(caller.user)),
        "role": role_name(caller.role),
        "may_invite": caller.may("people.edit"),
        "today": today,
        "soon_until": today + timedelta(days=lab.due_soon_days),
        "counts": counts,
        "start": start,
        "groups": [_group(part) for part in parts.values()],
        "soon": soon,
        "policy": policy_in_use(lab),
        "first_steps": first_steps(desk),
        "any_container": overview.any_container(lab=lab),
        "alerts": alerts,
        "standing": today_alerts.standing(desk, to_do, said),
        # Those who can do something about it; stewards among them.
        "reach": reach_of(lab) if caller.may("deliveries.read") else None,
        "open_count": open_count,
        "open_runs": open_runs,
        "found_runs": found_runs[: overview.RUN_LIMIT],
        "found_more": len(found_runs) > overview.RUN_LIMIT,
        "runs_more": open_count - len(open_runs),
        "by_solvent": by_solvent,
        "newest": [row for row in by_month if row.rate.group["month"] in newest],
        "earlier": [row for row in by_month if row.rate.group["month"] not in newest],
    }


def _group(part: Part) -> Group:
    """Badge, title, style and advice for each rank of the due list."""
    texts = {
        SIGN: (
            _("Signs"),
            _("Something was seen on it"),
            "danger",
            _("Leave it where it is: do not open, turn or carry it. Tell the supervisor."),
        ),
        READING: (
            _("Test"),
            _("The last test does not pass"),
            "danger",
            _("Do not use and do not distil it. Ask the supervisor what happens to it."),
        ),
        UNKNOWN: (
            _("Not known"),
            _("A date or rule is missing"),
            "warn",
            _("Find the missing date. What stands beside each container holds until then."),
        ),
        OVERDUE: (
            _("Overdue"),
            _("The test date has passed"),
            "warn",
            _("Do not use or distil it as it is. What stands beside each container says what to do."),
        ),
        TODAY: (_("Today"), _("The test date is today"), "warn"),
        LOOK: (
            _("Look"),
            _("Something is to be put right"),
            "warn",
            _("Have a steward see to it. Never force a cap."),
        ),
    }
    return Group(part, *texts[part.rank])

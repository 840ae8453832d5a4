"""The front page of a lab: what is due, what is running, and what runs gave back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
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
from inventory.rules.advice import Told
from inventory.selectors.due import LOOK, OVERDUE, READING, SIGN, SOON, TODAY, UNKNOWN, DueItem, today_in
from inventory.selectors.loosening import policy_in_use
from inventory.selectors.running import looks
from inventory.services.delivery.reach import reach_of
from inventory.services.due_telling import judged_as, told_by_id
from inventory.web.addresses import address_of
from inventory.web.desk import Desk
from inventory.web.forms import role_name
from inventory.web.rows import start_of
from recovery.selectors import overview
from recovery.selectors.overview import Part
from recovery.web import today_alerts
from recovery.web.deed import Deed
from recovery.web.deeds import DEEDS
from recovery.web.first_steps import first_steps
from recovery.web.today_alerts import Beside

# The other months are folded away, so that a phone need not scroll past them.
MONTHS_SHOWN = 3


@dataclass(frozen=True)
class Bottle:
    """A container on the due list, where its page is, the alerts because of it, and what to do."""

    item: DueItem
    address: str
    alerts: Sequence[Beside]
    deed: Deed | None = None


class Bottles:
    """Makes them, with what is to be said of their containers by id and their alerts by id in hand."""

    def __init__(self, desk: Desk, said: Mapping[int, Told], beside: Mapping[int, Sequence[Beside]]) -> None:
        self._said, self._beside = said, beside
        self._address, self._may = address_of("container", desk.lab.slug), desk.caller.may

    def of(self, part: Part) -> list[Bottle]:
        return [
            Bottle(
                *(item, self._address(item.code), self._beside.get(item.container_id, ())),
                deed=next((deed for deed in map(DEEDS.get, wanted(item)) if self._can(deed)), None),
            )
            for item in judged_as(part.items, self._said)
        ]

    def _can(self, deed: Deed | None) -> bool:
        return deed is not None and self._may(deed.permission)


def wanted(item: DueItem) -> Iterable[str]:
    """Deeds that a line of the due list asks for, the best first; one of them stands on it.

    A test only where anybody may open it now. What is to be left alone, or asked about first, is kept from
    others or recorded as handed over: nobody lays a hand on it for that.
    """
    if item.test_now:
        yield "test"
    # Disposal is what the verdict asks for, or what its last day ends in.
    if item.level in ("do-not-use", "use") and not item.only_barred:
        yield "discard"
    if not item.set_aside:
        yield "set-aside"
    yield "sign"


@dataclass(frozen=True)
class Group:
    """One heading of the due list: what the rank means for somebody in front of the shelf."""

    part: Part
    bottles: list[Bottle]
    badge: str
    title: str
    style: str
    advice: str = ""

    @property
    def items(self) -> list[DueItem]:
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
    for each in summaries:
        each["unlooked"] = not each["alerts"] and looks(lab=each["lab"]).last_at is None
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
    counts, listed = overview.due_parts(lab=lab, today=today, start=start_of(desk))
    ids = {item.container_id for part in listed for item in part.items}
    to_do = today_alerts.found(desk, listed=ids)
    # The records are looked into once for all that the page tells of.
    said = told_by_id(ids | to_do.containers, today)
    standing = today_alerts.standing(desk, to_do, said)
    parts = {part.rank: part for part in listed}
    soon = parts.pop(SOON, Part(SOON, 0, []))
    bottles = Bottles(desk, said, standing.beside)
    open_count, open_runs = overview.open_runs(lab=lab)
    found_runs = overview.runs_to_answer_for(lab=lab)
    answers = today_alerts.of_runs(desk, found_runs[: overview.RUN_LIMIT])
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
        "start": counts.start,
        "groups": [_group(part, bottles.of(part)) for part in parts.values()],
        "soon": soon,
        "soon_bottles": bottles.of(soon),
        "policy": policy_in_use(lab),
        "first_steps": first_steps(desk),
        "any_container": bool(counts.by_rank) or overview.any_container(lab=lab),
        "alerts": to_do.open_count,
        # Where none stands open, how old that word is: what is due is worked out now, alerts are not.
        "looks": None if to_do.open_count else looks(lab=lab),
        "standing": standing,
        # Those who can do something about it; stewards among them.
        "reach": reach_of(lab) if caller.may("deliveries.read") else None,
        "open_count": open_count,
        "open_runs": open_runs,
        "found_runs": [(run, answers.get(run.pk, ())) for run in found_runs[: overview.RUN_LIMIT]],
        "found_more": len(found_runs) > overview.RUN_LIMIT,
        "runs_more": open_count - len(open_runs),
        "by_solvent": by_solvent,
        "newest": [row for row in by_month if row.rate.group["month"] in newest],
        "earlier": [row for row in by_month if row.rate.group["month"] not in newest],
    }


def _group(part: Part, bottles: list[Bottle]) -> Group:
    """Badge, title, style and advice for each rank of the due list."""
    texts = {
        SIGN: (
            _("Signs"),
            _("Something was seen on it"),
            "danger",
            _("Leave it where it is: do not open, test, turn or carry it. Tell the supervisor."),
        ),
        READING: (
            _("Test"),
            _("The last test does not pass"),
            "danger",
            _("Do not use or distil it. What stands beside each container may ask for more: that holds."),
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
    return Group(part, bottles, *texts[part.rank])

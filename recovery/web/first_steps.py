"""What a new lab does first, one line each with where to do it. The list goes away when all is done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, OuterRef, Q
from django.utils.translation import gettext_lazy

from inventory.models import Container, Event, Lab, Location, Membership, PeroxideTest, User
from inventory.web.desk import Desk

_T = gettext_lazy
POLICY_VERBS = ("policy-chosen", "policy-set")


@dataclass(frozen=True)
class Step:
    """One thing to do. also: a second way to it, as (name of the address, words)."""

    done: bool
    words: Any
    what: Any
    name: str
    link: Any
    permission: str
    also: tuple[str, Any] | None = None


def first_steps(desk: Desk) -> list[Step]:
    """What is left to do and what is done, while something is left that this person may do; else nothing."""
    lab = desk.lab
    if lab.is_sample:
        return []
    asked = {f"has_{name}": Exists(rows) for name, rows in _facts(desk.caller.user).items()}
    found = Lab.objects.filter(pk=lab.pk).values(**asked).get()
    has = {name.removeprefix("has_"): bool(value) for name, value in found.items()}
    steps = [step for step in _steps(has) if desk.caller.may(step.permission)]
    return steps if any(not step.done for step in steps) else []


def _facts(user: User) -> dict[str, Any]:
    """Each asks for one row at most."""
    here = OuterRef("pk")
    standing = Container.objects.filter(lab=here)
    return {
        "policy": Event.objects.filter(subject_kind="lab", subject_id=here, verb__in=POLICY_VERBS),
        "people": Membership.objects.filter(lab=here).exclude(user=user),
        "places": Location.objects.filter(lab=here),
        "stock": standing,
        "to_test": standing.filter(Q(next_test_due__isnull=False), discarded_at=None, volume_ul__gt=0),
        "test": PeroxideTest.objects.filter(lab=here),
    }


def _steps(has: dict[str, bool]) -> list[Step]:
    tested = has["test"] or (has["stock"] and not has["to_test"])
    receive = ("receive", _T("Receive a container"))
    return [
        Step(
            has["policy"], _T("Choose the rules for peroxide tests"),
            _T("The cautious default holds until somebody chooses. Each set of rules names its source."),
            "policies", _T("See the rules"), "policy.set",
        ),
        Step(
            has["people"], _T("Invite the first people"),
            _T("Each gets a link that works once."), "invite", _T("Invite a person"), "people.edit",
        ),
        Step(
            has["places"], _T("Name the places"),
            _T("Cabinets, fridges and rooms, so that limits can be watched."),
            "place-add", _T("Add a place"), "locations.edit",
        ),
        Step(
            has["stock"], _T("Bring the stock in"),
            _T("From the list you keep already, or bottle by bottle."),
            "import", _T("Bring in a list"), "import.write", receive,
        ),
        Step(
            tested, _T("Log the first peroxide test"),
            _T("Choose a container on the shelf and log what the strip shows."),
            "shelf", _T("Go to the shelf"), "safety.test",
        ),
    ]  # fmt: skip

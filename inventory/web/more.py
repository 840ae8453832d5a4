"""What is not needed at every hour: each page with what it is for, by what this person may do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext_lazy

from inventory.web.desk import Desk, desk_page


@dataclass(frozen=True)
class Further:
    """A page further in: the name of its address, its words, what it is for and what it needs."""

    name: str
    words: Any
    what: Any
    permission: str


_T = gettext_lazy
PAGES = (
    Further("recovery", _T("Recovery"), _T("What runs lose: of what, by whom, since when."), "reports.read"),
    Further("plan", _T("Plan a run"), _T("How much solvent, and from which bottles."), "runs.read"),
    Further(
        "solvent-balance", _T("Solvent balance"), _T("What came in and went out in a period."), "reports.read"
    ),
    Further(
        "apparatus",
        _T("Apparatus"),
        _T("Stills and condensers: repairs, and what runs in them lose."),
        "runs.read",
    ),
    Further(
        "loss-fits", _T("Fits of losses"), _T("What your own runs say of losses to come."), "reports.read"
    ),
    Further("receive", _T("Receive a container"), _T("A bottle comes in."), "stock.receive"),
    Further("labels", _T("Labels"), _T("Print labels for containers, single or on sheets."), "stock.read"),
    Further("invite", _T("Invite a person"), _T("A one-time link for somebody new."), "people.edit"),
)


@desk_page("lab.read")
def more(desk: Desk) -> HttpResponse:
    allowed = [page for page in PAGES if desk.caller.may(page.permission)]
    pages = [(page, reverse(page.name, args=[desk.lab.slug])) for page in allowed]
    return desk.render("inventory/more.html", {"pages": pages}, here="more")

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
#: what belongs together, in the order in which it is asked for
GROUPS: tuple[tuple[Any, tuple[Further, ...]], ...] = (
    (
        _T("Stock"),
        (
            Further("receive", _T("Receive a container"), _T("A bottle comes in."), "stock.receive"),
            Further(
                "labels", _T("Labels"), _T("Print labels for containers, single or on sheets."), "stock.read"
            ),
            Further("storage", _T("Storage"), _T("What stands where, against the limits."), "stock.read"),
            Further(
                "solvents",
                _T("Solvents"),
                _T("What is known of each, and how much there is."),
                "catalogue.read",
            ),
            Further(
                "import",
                _T("Bring in a list"),
                _T("A stock list or a run log as a spreadsheet."),
                "import.write",
            ),
        ),
    ),
    (
        _T("Runs and losses"),
        (
            Further("plan", _T("Plan a run"), _T("How much solvent, and from which bottles."), "runs.read"),
            Further(
                "recovery",
                _T("Recovery"),
                _T("What runs lose: of what, by whom, since when."),
                "reports.read",
            ),
            Further(
                "solvent-balance",
                _T("Solvent balance"),
                _T("What came in and went out in a period."),
                "reports.read",
            ),
            Further(
                "apparatus",
                _T("Apparatus"),
                _T("Stills and condensers: repairs, and what runs in them lose."),
                "runs.read",
            ),
            Further(
                "loss-fits",
                _T("Fits of losses"),
                _T("What your own runs say of losses to come."),
                "reports.read",
            ),
        ),
    ),
    (
        _T("Rules and papers"),
        (
            Further(
                "policies",
                _T("Retest policies"),
                _T("The rules, their sources, and which holds."),
                "lab.read",
            ),
            Further(
                "quality-limits",
                _T("Limits of quality"),
                _T("What recovered solvent is held to here, and what is shipped."),
                "lab.read",
            ),
            Further("reagents", _T("Strips and solutions"), _T("What tests are made with."), "safety.read"),
            Further(
                "inspection", _T("Inspection report"), _T("A paper for somebody from outside."), "audit.read"
            ),
            Further("trail", _T("Audit trail"), _T("Who did what, and when."), "audit.read"),
        ),
    ),
    (
        _T("Being told"),
        (
            Further(
                "alerts", _T("Alerts"), _T("What was found, who sees to it, what is put off."), "alerts.read"
            ),
            Further(
                "alert-settings",
                _T("How I am told"),
                _T("Mail at once or in the morning, or none."),
                "mail.own",
            ),
            Further("feeds", _T("Calendars and feeds"), _T("Subscribe to what is due."), "feeds.own"),
            Further(
                "deliveries", _T("Messages"), _T("What waits, what was given up and why."), "deliveries.read"
            ),
        ),
    ),
    (
        _T("People and programs"),
        (
            Further(
                "lab-settings",
                _T("The lab"),
                _T("Its name and time zone, and what to do in an emergency."),
                "lab.edit",
            ),
            Further(
                "people", _T("People"), _T("Who is in the lab, as what, and who is invited."), "people.read"
            ),
            Further("invite", _T("Invite a person"), _T("A one-time link for somebody new."), "people.edit"),
            Further("tokens", _T("Tokens for programs"), _T("For a balance or a spreadsheet."), "tokens.own"),
            Further(
                "webhooks",
                _T("Programs that are told"),
                _T("Addresses that hear of alerts."),
                "webhooks.edit",
            ),
        ),
    ),
    (
        _T("The server"),
        (
            Further(
                "status",
                _T("How the server is doing"),
                _T("Database, jobs, mail, and a check of the ledger."),
                "server.read",
            ),
            Further(
                "failed-jobs", _T("Jobs that failed"), _T("With their error, and run again."), "server.read"
            ),
        ),
    ),
)


@desk_page("lab.read")
def more(desk: Desk) -> HttpResponse:
    may, slug = desk.caller.may, desk.lab.slug
    groups = [
        (words, [(page, reverse(page.name, args=[slug])) for page in pages if may(page.permission)])
        for words, pages in GROUPS
    ]
    return desk.render(
        "inventory/more.html", {"groups": [group for group in groups if group[1]]}, here="more"
    )

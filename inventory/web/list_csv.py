"""Lists of the stewards' pages as CSV: solvent values, policies, and ways in and out for programs.

Of a secret none has more than its page shows: its beginning, whose it is, and when. Of an address that a
program listens at they have the host alone, since the rest of one often is a secret.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from django.http import StreamingHttpResponse

from inventory.selectors.people import feeds_of, tokens_of
from inventory.services import policies
from inventory.web.csv_out import coded, csv_file
from inventory.web.desk import Desk, desk_page
from inventory.web.fact_words import shown
from inventory.web.feeds import KIND_WORDS
from inventory.web.solvents import solvent_or_404
from inventory.web.tokens import SCOPE_WORDS
from inventory.web.webhooks import listed

TOKENS = ("name", "scope", "prefix", "username", "created_at", "last_used_at", "expires_at", "ended")
FEEDS = ("name", "kind", "prefix", "username", "created_at", "last_read_at", "closed_at")
WEBHOOKS = ("name", "host", "rules", "username", "created_at", "held_at", "closed_at", "state", "sent_at")
POLICIES = ("key", "name", "own", "in_use", "source")
FACTS = ("name", "value", "unit", "source", "second", "second_source", "disagreement", "note")


@desk_page("tokens.own")
def tokens_csv(desk: Desk) -> StreamingHttpResponse:
    """A person's own; a supervisor's has everybody's."""
    user = None if desk.caller.may("tokens.edit") else desk.caller.user
    rows = (
        [
            *(token.name, coded(token.scope, SCOPE_WORDS.get(token.scope, token.scope)), token.prefix),
            *(token.user.username, token.created, token.last_used_at, token.expiry_date, token.revoked),
        ]
        for token in tokens_of(lab=desk.lab, user=user)
    )
    return csv_file(f"{desk.lab.slug}-tokens", TOKENS, rows)


@desk_page("feeds.own")
def feeds_csv(desk: Desk) -> StreamingHttpResponse:
    """A person's own; a supervisor's has everybody's."""
    user = None if desk.caller.may("tokens.edit") else desk.caller.user
    rows = (
        [
            *(feed.name, coded(feed.kind, KIND_WORDS.get(feed.kind, feed.kind)), feed.prefix),
            *(feed.user.username, feed.created_at, feed.last_read_at, feed.revoked_at),
        ]
        for feed in feeds_of(lab=desk.lab, user=user)
    )
    return csv_file(f"{desk.lab.slug}-feeds", FEEDS, rows)


@desk_page("webhooks.edit")
def webhooks_csv(desk: Desk) -> StreamingHttpResponse:
    """Each with what became of its last message."""
    rows = []
    for one in listed(desk):
        hook, last = one["hook"], one["last"]
        told_of = coded(" ".join(hook.rules), "; ".join(one["rules"]))
        sent = (coded(last["state"], str(last["state_words"])), last["row"].sent_at) if last else ("", "")
        who = hook.actor.username if hook.actor else ""
        dates = (hook.created_at, hook.held_at, hook.ended_at)
        rows.append([hook.name, urlsplit(hook.url).hostname, told_of, who, *dates, *sent])
    return csv_file(f"{desk.lab.slug}-webhooks", WEBHOOKS, rows)


@desk_page("lab.read")
def policies_csv(desk: Desk) -> StreamingHttpResponse:
    """Those that the lab may choose from; the rules of each have a file of their own."""
    rows = (
        [row.key, row.name, row.lab_id is not None, row.pk == desk.lab.policy_id, row.source]
        for row in policies.policies_of(desk.lab).order_by("name", "id")
    )
    return csv_file(f"{desk.lab.slug}-policies", POLICIES, rows)


@desk_page("catalogue.read")
def facts_csv(desk: Desk, solvent: str) -> StreamingHttpResponse:
    """The recorded values of one solvent, each with its sources."""
    found = solvent_or_404(desk, solvent)
    recorded = {fact["name"]: fact.get("value", "") for fact in found.facts}
    rows = (
        [
            coded(fact["name"], fact["words"]),
            coded(recorded[fact["name"]], fact["value"]),
            *(fact.get(name, "") for name in FACTS[2:]),
        ]
        for fact in shown(found.facts)
    )
    return csv_file(f"{desk.lab.slug}-solvent-{found.key}", FACTS, rows)

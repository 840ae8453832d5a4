"""The statements that make messages out of alerts, in SQL that SQLite and PostgreSQL both read."""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.db import connection

from inventory.rules.telling import DEFAULTS
from inventory.services.watches import rules

# More than this at once from one lab are not mailed one by one: the rest goes out as one summary.
MAILED_ONE_BY_ONE = 20


def mail_host() -> str:
    """The host that message ids and feed ids end in."""
    return urlsplit(settings.STILLKEEP_SITE_URL).hostname or "localhost"


def values(event: str, now: datetime) -> dict[str, Any]:
    """Parameters of every statement. The salt keeps ids apart from those of a database begun anew."""
    return {
        "now": connection.ops.adapt_datetimefield_value(now),
        "salt": secrets.token_hex(6),
        "host": mail_host(),
        "payload": json.dumps({"event": event}),
    }


def ids_value(ids: Sequence[int]) -> Any:
    return list(ids) if connection.vendor == "postgresql" else json.dumps(ids)


INTO = (
    "INSERT INTO inventory_delivery (lab_id, channel, key, message_id, alert_id, user_id, webhook_id, "
    "payload, created_at, due_at, attempts, last_error) "
)
ONCE = " ON CONFLICT (key) DO NOTHING"


def payload_sql(value: str = "%(payload)s") -> str:
    """A value as the database's kind of JSON."""
    return f"CAST({value} AS {'jsonb' if connection.vendor == 'postgresql' else 'text'})"


def among(column: str = "a.id") -> str:
    """Whether a column is one of the ids in hand."""
    if connection.vendor == "postgresql":
        return f"{column} = ANY(%(ids)s)"
    return f"{column} IN (SELECT value FROM json_each(%(ids)s))"  # noqa: S608


def _severity() -> str:
    """Of an alert's rule; one that nobody knows any more counts as the worst."""
    cases = " ".join(f"WHEN '{rule.key}' THEN {rule.severity}" for rule in rules())
    return f"CASE a.rule {cases} ELSE 1 END"


def _chosen_severity() -> str:
    """What a member chose, else what the role is for."""
    cases = " ".join(f"WHEN '{role}' THEN {c.at_once_severity}" for role, c in DEFAULTS.items())
    return f"COALESCE(c.at_once_severity, CASE m.role {cases} ELSE 0 END)"


def wants_digest() -> str:
    """Whether a member chose the digest, or chose nothing and has a role that gets it."""
    roles = ", ".join(f"'{role}'" for role, choice in DEFAULTS.items() if choice.digest)
    return f"(c.digest OR c.id IS NULL AND m.role IN ({roles}))"


# Alerts go to the confirmed address (`addresses.address_for_alerts`), and to none once it was taken away.
REACHED = "u.is_active AND u.email <> '' AND u.mail_confirmed <> ''"
RECEIVERS = (
    "JOIN inventory_membership AS m ON m.lab_id = a.lab_id "
    f"JOIN inventory_user AS u ON u.id = m.user_id AND {REACHED} "
    "LEFT JOIN inventory_mailchoice AS c ON c.membership_id = m.id "
)


def _mail_columns(event: str) -> str:
    return (
        f"SELECT a.lab_id, 'email', '{event}:' || a.id || ':u' || m.user_id, "
        f"'<{event}.' || a.id || '.u' || m.user_id || '.' || %(salt)s || '@' || %(host)s || '>', "
        f"a.id, m.user_id, NULL, {payload_sql()}, %(now)s, %(now)s, 0, '' "
    )


def _ranked() -> str:
    """The alerts in hand with their severity and their place, worst first, among those of their lab."""
    return (
        f"(SELECT a.id, a.lab_id, a.rule, a.closed_at, {_severity()} AS severity, "  # noqa: S608
        f"ROW_NUMBER() OVER (PARTITION BY a.lab_id ORDER BY {_severity()}, a.id) AS place "
        f"FROM inventory_alert AS a WHERE {among()} AND a.closed_at IS NULL) AS a "
    )


def mail_sql() -> str:
    """A mail at once for each member who wants to hear of alerts as grave as this one."""
    return (
        f"{INTO}{_mail_columns('opened')} FROM {_ranked()} {RECEIVERS}"
        # Worst first: they are sent in the order they are made.
        f"WHERE a.place <= {MAILED_ONE_BY_ONE} AND a.severity <= {_chosen_severity()} ORDER BY a.place{ONCE}"
    )


def summary_sql() -> str:
    """One mail for each such member on what is beyond that number."""
    nothing = "CAST(NULL AS bigint)"
    return (
        f"{INTO}SELECT a.lab_id, 'digest', 'many:' || %(salt)s || ':' || m.id, "  # noqa: S608
        "'<many.' || m.id || '.' || %(salt)s || '@' || %(host)s || '>', "
        f"{nothing}, m.user_id, {nothing}, {payload_sql(_MANY)}, %(now)s, %(now)s, 0, '' "
        f"FROM {_ranked()} {RECEIVERS}"
        f"WHERE a.place > {MAILED_ONE_BY_ONE} AND a.severity <= {_chosen_severity()} "
        f"GROUP BY a.lab_id, m.id, m.user_id{ONCE}"
    )


_MANY = '\'{"event": "many"}\''


def escalation_sql() -> str:
    """A mail for every supervisor, whatever they chose: nobody else has answered.

    Where no mail can come to any of them it comes to the stewards, so that it does not end with nobody.
    """
    heads = (
        "SELECT 1 FROM inventory_membership AS h "  # noqa: S608
        f"JOIN inventory_user AS u ON u.id = h.user_id AND {REACHED} "
        "WHERE h.lab_id = a.lab_id AND h.role = 'supervisor'"
    )
    return (
        f"{INTO}{_mail_columns('escalated')} FROM inventory_alert AS a {RECEIVERS}"
        f"WHERE {among()} AND a.closed_at IS NULL AND (m.role = 'supervisor' "
        f"OR m.role = 'steward' AND NOT EXISTS ({heads})){ONCE}"
    )


def webhook_sql(event: str) -> str:
    """A message for each of the lab's webhooks that listens for the rule."""
    if connection.vendor == "postgresql":
        listens = "(w.rules = '[]'::jsonb OR w.rules @> to_jsonb(a.rule::text))"
    else:
        listens = (
            "(json_array_length(w.rules) = 0 OR EXISTS "
            "(SELECT 1 FROM json_each(w.rules) AS r WHERE r.value = a.rule))"
        )
    return (
        f"{INTO}SELECT a.lab_id, 'webhook', '{event}:' || a.id || ':w' || w.id, "  # noqa: S608
        f"'msg_' || %(salt)s || '_{event}_' || a.id || '_' || w.id, "
        f"a.id, NULL, w.id, {payload_sql()}, %(now)s, %(now)s, 0, '' "
        "FROM inventory_alert AS a JOIN inventory_webhook AS w ON w.lab_id = a.lab_id "
        f"WHERE {among()} AND w.ended_at IS NULL AND {listens}{ONCE}"
    )

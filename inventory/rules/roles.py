"""Who may do what: the one table of roles, token scopes and permissions."""

from __future__ import annotations

READ = frozenset(
    {"lab.read", "catalogue.read", "stock.read", "safety.read", "alerts.read", "runs.read", "reports.read"}
)
LOG = frozenset(
    {
        "stock.open",
        "stock.draw",
        "stock.put-back",
        "stock.pour",
        "stock.move",
        "safety.test",
        "safety.observe",
        "safety.treat",
        "safety.quarantine",
        "alerts.answer",
        "waste.log",
        "runs.log",
    }
)
MANAGE = frozenset(
    {
        "stock.receive",
        "stock.count",
        "stock.discard",
        "stock.reverse",
        "stock.edit",
        "locations.edit",
        "safety.withdraw",
        "catalogue.add",
        "catalogue.confirm",
        "alerts.sweep",
        "alerts.put-off",
        "deliveries.read",
        "deliveries.replay",
        "jobs.replay",
        "policy.edit",
        "reagents.edit",
        "stock.levels",
        "waste.edit",
        "losses.fit",
        "import.write",
        "audit.read",
        "people.read",
        "server.read",
    }
)
GOVERN = frozenset(
    {
        "lab.edit",
        "people.edit",
        "policy.set",
        "safety.loosen",
        "runs.override",
        "tokens.edit",
        "webhooks.edit",
    }
)

AUDIT = frozenset({"audit.read", "people.read", "server.read"})

# Every person may keep tokens and feeds of their own, which can never do more than their owner, and say
# how they want to be told of alerts.
OWN = frozenset({"tokens.own", "feeds.own", "mail.own"})

ROLE_PERMISSIONS: dict[str, frozenset[str]] = {
    "member": READ | LOG | OWN,
    "steward": READ | LOG | MANAGE | OWN,
    "supervisor": READ | LOG | MANAGE | GOVERN | OWN,
    "auditor": READ | AUDIT | OWN,
}
SCOPE_PERMISSIONS: dict[str, frozenset[str]] = {
    "read": READ | AUDIT,
    "log": READ | AUDIT | LOG,
    "manage": READ | AUDIT | LOG | MANAGE,
}
ROLES = tuple(ROLE_PERMISSIONS)
SCOPES = tuple(SCOPE_PERMISSIONS)


def allowed(role: str, scope: str | None) -> frozenset[str]:
    """Permissions of a role, narrowed by a token's scope when the caller is a program."""
    own = ROLE_PERMISSIONS.get(role, frozenset())
    return own if scope is None else own & SCOPE_PERMISSIONS.get(scope, frozenset())


def scopes_for(role: str) -> tuple[str, ...]:
    """Scopes that a person of that role may give a token of their own: one who only reads, only reading."""
    return SCOPES if ROLE_PERMISSIONS.get(role, frozenset()) & LOG else ("read",)

"""Where mail for a person goes: to a confirmed address, or nowhere."""

from __future__ import annotations

from django.db.models import Q

from inventory.models import User


def address_for_alerts(user: User) -> str:
    """Where alerts go; empty: nowhere. An address that is taken away ends those to the earlier one too."""
    return user.mail_confirmed if user.email else ""


def reachable_q(user: str) -> Q:
    """Whether alerts may go by mail to the person that a column refers to."""
    held = ~Q(**{f"{user}__email": ""}) & ~Q(**{f"{user}__mail_confirmed": ""})
    return Q(**{f"{user}__is_active": True}) & held

"""Whoever's password is changed is told, by whatever way it was: a page, the command line, a shell.

Django calls each password validator after a new password was saved, which is the one place that all ways
have in common (docs: "Password management in Django", password_changed).
"""

from __future__ import annotations

from django.utils import timezone

from inventory.models import User
from inventory.services.delivery.notices import account_tell


class TellsOfChange:
    """Refuses nothing. A new person has no confirmed address yet, so that making one tells nobody."""

    def validate(self, password: str, user: User | None = None) -> None:
        """Any password will do here: the other validators judge it."""

    def get_help_text(self) -> str:
        return ""

    def password_changed(self, password: str, user: User | None = None) -> None:
        """Write the notice. The clock is read here: Django hands none on."""
        if user is not None:
            account_tell(person=user, what="password-changed", now=timezone.now())

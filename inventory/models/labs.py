"""People, the laboratories they share, and the ways in."""

from __future__ import annotations

from datetime import time
from typing import ClassVar

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q
from rest_framework_api_key.models import AbstractAPIKey

from inventory.rules.roles import ROLES, SCOPES


class User(AbstractUser):
    """A person who signs in. What they may do depends on their membership in each lab."""

    language = models.CharField(
        max_length=10, blank=True, db_default="", help_text="Of pages and mails; empty: the browser's."
    )
    volume_unit = models.CharField(
        max_length=16, blank=True, db_default="", help_text="In which pages show volumes; empty: mL."
    )
    mail_confirmed = models.CharField(
        max_length=254, blank=True, db_default="", help_text="The address that was confirmed by a link."
    )
    mail_asked_at = models.DateTimeField(
        null=True, blank=True, help_text="Of the newest link to confirm `email`; empty: none is out."
    )

    @property
    def display_name(self) -> str:
        return self.get_full_name() or self.username

    @property
    def mail_state(self) -> str:
        """confirmed, waiting (for its link), earlier (so too, but alerts go to the earlier one), or none."""
        if not self.email:
            return "none"
        if self.email == self.mail_confirmed:
            return "confirmed"
        return "earlier" if self.mail_confirmed else "waiting"


class Lab(models.Model):
    """One club's or school's laboratory: all records belong to exactly one."""

    slug = models.SlugField(max_length=60, unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, default="UTC")
    emergency_text = models.TextField(blank=True)
    contact = models.CharField(max_length=200, blank=True)
    policy = models.ForeignKey("inventory.Policy", on_delete=models.PROTECT, related_name="labs")
    due_soon_days = models.PositiveSmallIntegerField(default=14)
    escalate_after_hours = models.PositiveSmallIntegerField(
        default=48, help_text="An alert that nobody has answered by then goes to the supervisors."
    )
    digest_at = models.TimeField(default=time(7, 0), help_text="When the daily digest goes out, lab's zone.")
    digest_planned_on = models.DateField(
        null=True, blank=True, help_text="Last day whose digest has been asked for."
    )
    is_sample = models.BooleanField(
        default=False, db_default=False, help_text="Made up, to look around in; nothing in it is real."
    )
    created_at = models.DateTimeField(auto_now_add=True)

    def __str__(self) -> str:
        return self.name


class Membership(models.Model):
    """One person's role in one lab."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    lab = models.ForeignKey(Lab, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=12, choices=[(r, r) for r in ROLES])
    initials = models.CharField(max_length=12, blank=True, help_text="As this person signs in paper logs.")
    joined_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["user", "lab"], name="membership_once"),
            models.CheckConstraint(condition=Q(role__in=ROLES), name="membership_role_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user} · {self.role} · {self.lab}"


class ApiToken(AbstractAPIKey):
    """A program's way in: acts for one person in one lab, never beyond its scope.

    The secret is shown once; only a digest is stored.
    """

    lab = models.ForeignKey(Lab, on_delete=models.CASCADE, related_name="tokens")
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="tokens")
    scope = models.CharField(max_length=8, choices=[(s, s) for s in SCOPES])
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta(AbstractAPIKey.Meta):
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(scope__in=SCOPES), name="token_scope_known")
        ]


class EntryLink(models.Model):
    """A one-time link: the first one makes the first lab, later ones invite a person into a lab."""

    lab = models.ForeignKey(Lab, null=True, blank=True, on_delete=models.CASCADE, related_name="entry_links")
    role = models.CharField(max_length=12, choices=[(r, r) for r in ROLES])
    secret_sha256 = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    used_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.role} · {self.lab or 'first set-up'}"

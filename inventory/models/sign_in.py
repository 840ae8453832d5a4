"""What people show beside a password when they sign in, and where they are signed in."""

from __future__ import annotations

from typing import ClassVar

from django.contrib.sessions.models import Session
from django.db import models
from django.db.models import Q


class SecondFactor(models.Model):
    """The app that makes a person's one-time codes; whoever has a row needs a code to sign in."""

    user = models.OneToOneField(
        "inventory.User", primary_key=True, on_delete=models.CASCADE, related_name="second_factor"
    )
    secret = models.CharField(max_length=255, help_text="Sealed: `services/second_factor` reads it.")
    last_step = models.BigIntegerField(
        help_text="Of the newest code taken: none counts twice (RFC 6238, 5.2)."
    )
    started_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(last_step__gte=0), name="second_factor_step_not_negative")
        ]

    def __str__(self) -> str:
        return f"second factor of {self.user}"


class RecoveryCode(models.Model):
    """A code on paper that signs in once, when the app is lost. Only a digest is kept."""

    user = models.ForeignKey(
        "inventory.User", on_delete=models.CASCADE, related_name="recovery_codes", db_index=False
    )
    code_sha256 = models.CharField(max_length=64)
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["user", "code_sha256"], name="recovery_code_once")
        ]

    def __str__(self) -> str:
        return f"recovery code of {self.user}"


class Passkey(models.Model):
    """A key that a device or a password manager holds (W3C Web Authentication); here is its public half."""

    user = models.ForeignKey("inventory.User", on_delete=models.CASCADE, related_name="passkeys")
    name = models.CharField(max_length=60)
    credential_id = models.CharField(
        max_length=1400, unique=True, help_text="Base64url, as the browser says it."
    )
    credential = models.BinaryField(help_text="Attested credential data: id and public key (CBOR).")
    sign_count = models.BigIntegerField(default=0, help_text="Zero with keys that do not count.")
    added_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(sign_count__gte=0), name="passkey_count_not_negative")
        ]

    def __str__(self) -> str:
        return f"{self.name} of {self.user}"


class SignedIn(models.Model):
    """A browser in which a person is signed in; gone with its session."""

    session = models.OneToOneField(Session, on_delete=models.CASCADE, related_name="signed_in")
    user = models.ForeignKey("inventory.User", on_delete=models.CASCADE, related_name="signed_in")
    agent = models.CharField(max_length=300, blank=True, help_text="What the browser calls itself.")
    started_at = models.DateTimeField()
    seen_at = models.DateTimeField(help_text="To within some minutes.")

    def __str__(self) -> str:
        return f"{self.user} since {self.started_at:%Y-%m-%d}"

"""What answers about invitations, jobs that failed and the server itself look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import Id, Shape, Words, at, text
from inventory.rules.roles import ROLES

STATES = ("open", "used", "ended")


class InvitationShape(Shape):
    id = Id()
    role = serializers.ChoiceField(ROLES)
    state = serializers.ChoiceField(STATES)
    created_at = at()
    expires_at = at()
    used_at = at(null=True)
    used_by = text(null=True)


class InvitationMadeShape(InvitationShape):
    """`url` comes with the first answer only and is kept nowhere."""

    url = serializers.CharField(required=False)


class FailedJobShape(Shape):
    id = Id()
    name = text()
    key = text()
    attempts = serializers.IntegerField()
    created_at = at()
    failed_at = at(null=True)
    error = text(help_text="Where the server keeps several labs, only the kind of a shared job's error.")


class JobsStateShape(Shape):
    waiting = serializers.IntegerField()
    late = serializers.IntegerField()
    late_since = at(null=True)
    failed = serializers.IntegerField()
    swept_at = at(null=True)
    audited_at = at(null=True)
    audit_failed_at = at(null=True)
    audit_failed = serializers.BooleanField()


class MessagesStateShape(Shape):
    waiting = serializers.IntegerField()
    failed = serializers.IntegerField()
    last_mail_at = at(null=True)


class LedgerCheckShape(Shape):
    checked_at = at()
    username = text()
    clean = serializers.BooleanField()
    differences = serializers.IntegerField()


class StatusShape(Shape):
    """How the server does, as far as a lab may know: jobs are everybody's, messages the lab's own."""

    version = text()
    database = text()
    database_bytes = serializers.IntegerField(allow_null=True)
    guards_missing = Words()
    jobs = JobsStateShape()
    messages = MessagesStateShape()
    ledger_check = LedgerCheckShape(allow_null=True)


class LedgerCheckAskedShape(Shape):
    asked = serializers.BooleanField(help_text="false: it was asked for within this minute already.")

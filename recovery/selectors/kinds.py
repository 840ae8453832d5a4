"""Kinds of run and their fields that a lab may use: the shipped ones and its own."""

from __future__ import annotations

from django.db.models import Q, QuerySet

from inventory.models import Lab
from recovery.models import RunField, RunKind


def fields_of(lab: Lab) -> QuerySet[RunField]:
    """The shipped fields and the lab's own, ended ones too."""
    return RunField.objects.filter(Q(lab=None) | Q(lab=lab)).order_by("id")


def kinds_of(lab: Lab) -> QuerySet[RunKind]:
    """The shipped kinds and the lab's own, ended ones too."""
    return RunKind.objects.filter(Q(lab=None) | Q(lab=lab)).order_by("id")


def fields_by_key(lab: Lab) -> dict[str, RunField]:
    """Fields in use by their keys."""
    return {row.key: row for row in fields_of(lab).filter(ended_at=None)}

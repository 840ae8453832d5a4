"""The same row may come in anew once it was undone: how often it was in before."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Count

from inventory.models import ImportedRow, Lab


def turns_of(lab: Lab, kind: str, fingerprints: Iterable[str]) -> dict[str, int]:
    """Fingerprint → how often a row with it was taken in before; those that never were are left out."""
    rows = ImportedRow.objects.filter(lab=lab, kind=kind, fingerprint__in=list(fingerprints))
    return dict(rows.order_by().values_list("fingerprint").annotate(n=Count("id")))

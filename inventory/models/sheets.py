"""Spreadsheets on their way in: what was sent is kept here between the steps, not in the browser."""

from __future__ import annotations

from typing import ClassVar

from django.db import models


class ImportSheet(models.Model):
    """A sheet that somebody is bringing in, with how its columns are to be read. Forgotten after a while."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.CASCADE, related_name="+", db_index=False)
    actor = models.ForeignKey("inventory.User", on_delete=models.CASCADE, related_name="+")
    target = models.CharField(max_length=12, choices=[("stock", "stock"), ("runs", "runs")])
    filename = models.CharField(max_length=200, blank=True)
    data = models.BinaryField()
    choices = models.JSONField(
        default=dict, help_text="How to read it, as the person chose; empty: as guessed."
    )
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField(db_index=True)
    booked_at = models.DateTimeField(null=True, blank=True, help_text="When its good rows were entered last.")

    class Meta:
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="importsheet_lab_page")]

    def __str__(self) -> str:
        return self.filename or f"sheet {self.pk}"

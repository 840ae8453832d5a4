"""How much recovered solvent was put back in, by month."""

from __future__ import annotations

from typing import ClassVar

from django.db import models


class Reuse(models.Model):
    """Recovered solvent charged to runs in a month, counted every time (I2 of the solvent balance).

    Written in the transaction that books a charge or its reversal, as flows are: those tell the kinds of
    place, not whether what moved had been distilled here before.
    """

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="+", db_index=False)
    solvent = models.ForeignKey(
        "inventory.Solvent", on_delete=models.PROTECT, related_name="+", db_index=False
    )
    month = models.DateField()
    reused_ul = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "solvent", "month"], name="reuse_month_once")
        ]

    def __str__(self) -> str:
        return f"{self.month}: {self.reused_ul}"

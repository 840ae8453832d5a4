"""Kinds of run, the facts they ask for, and their apparatus: data, so that a lab adds its own."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower


class RunKind(models.Model):
    """What a run is, by its trade term. Without a lab it is shipped, and every lab may use it."""

    lab = models.ForeignKey(
        "inventory.Lab", null=True, blank=True, on_delete=models.PROTECT, related_name="run_kinds"
    )
    key = models.SlugField(max_length=60)
    name = models.CharField(max_length=120)
    distils = models.BooleanField(
        default=True, help_text="Whether solvent is distilled or concentrated in it; taken so unless told."
    )
    fields = models.JSONField(
        default=list, help_text="What it asks for, in order: field, default as entered or null, required."
    )
    help_text = models.TextField(blank=True)
    source = models.TextField(blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["key"], condition=Q(lab__isnull=True), name="run_kind_shipped_once"
            ),
            models.UniqueConstraint(
                fields=["lab", "key"], condition=Q(lab__isnull=False), name="run_kind_once_in_lab"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class RunField(models.Model):
    """A fact that a run may be asked for. Without a lab it is shipped."""

    class Quantity(models.TextChoices):
        VOLUME = "volume"
        MASS = "mass"
        TEMPERATURE = "temperature"
        DURATION = "duration"
        COUNT = "count"
        CONCENTRATION = "concentration"
        PRESSURE = "pressure"
        AREA = "area"
        YES_NO = "yes-no"
        CHOICE = "choice"
        TEXT = "text"

    lab = models.ForeignKey(
        "inventory.Lab", null=True, blank=True, on_delete=models.PROTECT, related_name="run_fields"
    )
    key = models.SlugField(max_length=60)
    name = models.CharField(max_length=120)
    quantity = models.CharField(max_length=16, choices=Quantity.choices)
    unit = models.CharField(max_length=16, blank=True, help_text="UCUM code in which numbers are kept.")
    lowest = models.DecimalField(max_digits=15, decimal_places=6, null=True, blank=True)
    highest = models.DecimalField(max_digits=15, decimal_places=6, null=True, blank=True)
    choices = models.JSONField(default=list, help_text="Of a choice: key and name of each.")
    help_text = models.TextField(blank=True)
    source = models.TextField(blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["key"], condition=Q(lab__isnull=True), name="run_field_shipped_once"
            ),
            models.UniqueConstraint(
                fields=["lab", "key"], condition=Q(lab__isnull=False), name="run_field_once_in_lab"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Apparatus(models.Model):
    """A still, a condenser, a rotary evaporator: what solvent passes and where it may leak."""

    class Kind(models.TextChoices):
        STILL = "still"
        CONDENSER = "condenser"
        ROTARY_EVAPORATOR = "rotary-evaporator"
        EXTRACTOR = "extractor"
        COLUMN = "column"
        OTHER = "other"

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="apparatus")
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=20, choices=Kind.choices)
    location = models.ForeignKey(
        "inventory.Location", null=True, blank=True, on_delete=models.PROTECT, related_name="apparatus"
    )
    hold_up_ul = models.BigIntegerField(
        null=True, blank=True, help_text="What stays on its inner walls and in its joints; empty: not known."
    )
    note = models.TextField(blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint("lab", Lower("name"), name="apparatus_name_once_in_lab"),
            models.CheckConstraint(
                condition=Q(hold_up_ul__isnull=True) | Q(hold_up_ul__gte=0),
                name="apparatus_hold_up_not_negative",
            ),
        ]
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="apparatus_lab_page")]

    def __str__(self) -> str:
        return self.name


class ApparatusRecord(models.Model):
    """What was done to an apparatus. Append-only.

    "repaired" and "changed" begin a new baseline of its losses.
    """

    class What(models.TextChoices):
        INSPECTED = "inspected"
        CLEANED = "cleaned"
        REPAIRED = "repaired"
        CHANGED = "changed"
        LEAK_FOUND = "leak-found"
        OTHER = "other"

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="+", db_index=False)
    apparatus = models.ForeignKey(Apparatus, on_delete=models.PROTECT, related_name="records")
    what = models.CharField(max_length=12, choices=What.choices)
    happened_at = models.DateTimeField()
    note = models.TextField(blank=True)
    withdraws = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="withdrawn_by"
    )
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        indexes: ClassVar = [models.Index(fields=["apparatus", "happened_at"], name="apparatus_record_time")]

    def __str__(self) -> str:
        return f"{self.what} {self.apparatus_id}"


class RunApparatus(models.Model):
    """Which apparatus a run was done in; a run may have several."""

    run = models.ForeignKey("recovery.Run", on_delete=models.CASCADE, related_name="run_apparatus")
    apparatus = models.ForeignKey(Apparatus, on_delete=models.PROTECT, related_name="run_apparatus")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "apparatus"], name="run_apparatus_once")
        ]

    def __str__(self) -> str:
        return f"{self.apparatus_id} in run {self.run_id}"


class RunFact(models.Model):
    """A fact of a run as it was told. Append-only: of one field the newest row counts."""

    run = models.ForeignKey("recovery.Run", on_delete=models.PROTECT, related_name="facts")
    field = models.ForeignKey(RunField, on_delete=models.PROTECT, related_name="+")
    as_entered = models.JSONField(help_text="Value and unit as told; empty takes an earlier word back.")
    number = models.DecimalField(
        max_digits=18, decimal_places=6, null=True, blank=True, help_text="In the unit of the field."
    )
    u_number = models.DecimalField(
        max_digits=18, decimal_places=6, null=True, blank=True, help_text="Standard uncertainty (k = 1)."
    )
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        indexes: ClassVar = [models.Index(fields=["run", "field", "id"], name="run_fact_newest")]

    def __str__(self) -> str:
        return f"{self.field_id} of run {self.run_id}"

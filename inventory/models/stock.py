"""Lots, containers, and the movements that are the only truth about volumes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from inventory.rules.alerts import OWN_CODES


class Lot(models.Model):
    """One batch of one solvent: everything in it shares origin, inhibitor and history."""

    class Origin(models.TextChoices):
        PURCHASED = "purchased"
        MADE_HERE = "made-here"
        RECOVERED = "recovered"
        BLEND = "blend"
        NOT_KNOWN = "not-known"

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="lots")
    solvent = models.ForeignKey("inventory.Solvent", on_delete=models.PROTECT, related_name="lots")
    origin = models.CharField(max_length=12, choices=Origin.choices)
    maker = models.CharField(max_length=120, blank=True)
    maker_lot = models.CharField(max_length=80, blank=True)
    expiry_on = models.DateField(null=True, blank=True)
    inhibited = models.BooleanField(null=True, blank=True, help_text="Empty means not stated.")
    inhibitor = models.CharField(max_length=60, blank=True)
    inhibitor_ppm = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    assay = models.CharField(max_length=60, blank=True)
    made_on = models.DateField(null=True, blank=True, help_text="Day it was distilled, blended or made here.")
    times_distilled = models.PositiveSmallIntegerField(default=0)
    created_at = models.DateTimeField()
    topped_up_on = models.DateField(
        null=True, blank=True, help_text="Day inhibitor was added here; counts from a test passed since."
    )
    overridden_on = models.DateField(
        null=True, blank=True, help_text="Day a supervisor let through what it was distilled from, untested."
    )
    override_reason = models.TextField(blank=True, default="", db_default="")
    note = models.TextField(blank=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(origin__in=["purchased", "made-here", "recovered", "blend", "not-known"]),
                name="lot_origin_known",
            )
        ]
        indexes: ClassVar = [models.Index(fields=["lab", "solvent"], name="lot_of_solvent")]

    def __str__(self) -> str:
        return f"lot {self.pk}"


class LotParent(models.Model):
    """How much of an older lot went into a newer one. Append-only."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="parents")
    parent = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="offspring")
    volume_ul = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lot", "parent"], name="lot_parent_once"),
            models.CheckConstraint(condition=Q(volume_ul__gt=0), name="lot_parent_volume_positive"),
            models.CheckConstraint(condition=~Q(lot=F("parent")), name="lot_parent_not_itself"),
        ]

    def __str__(self) -> str:
        return f"{self.parent_id} in {self.lot_id}"


class Container(models.Model):
    """A bottle, can or flask. `volume_ul` is a cached balance with one writer, the ledger service."""

    class Opened(models.TextChoices):
        UNOPENED = "unopened"
        OPENED = "opened"
        UNKNOWN = "unknown"

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="containers")
    place = models.OneToOneField("inventory.Place", on_delete=models.PROTECT, related_name="container")
    code = models.CharField(max_length=24)
    lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="containers")
    location = models.ForeignKey(
        "inventory.Location", null=True, blank=True, on_delete=models.PROTECT, related_name="containers"
    )
    capacity_ul = models.BigIntegerField()
    tare_mg = models.BigIntegerField(null=True, blank=True)
    material = models.CharField(max_length=40, blank=True)
    received_on = models.DateField(null=True, blank=True)
    opened = models.CharField(max_length=8, choices=Opened.choices, default=Opened.UNKNOWN)
    opened_on = models.DateField(null=True, blank=True)
    atmosphere = models.CharField(
        max_length=8, choices=[(a, a) for a in ["air", "inert", "unknown"]], default="unknown"
    )
    closure = models.CharField(
        max_length=16,
        choices=[
            (c, c) for c in ["plastic-screw", "metal-screw", "glass-stopper", "septum", "other", "unknown"]
        ],
        default="unknown",
        db_default="unknown",
    )
    quarantined_at = models.DateTimeField(null=True, blank=True)
    quarantine_reason = models.CharField(max_length=300, blank=True, db_default="")
    volume_ul = models.BigIntegerField(default=0)
    counting_began_at = models.DateTimeField()
    next_test_due = models.DateField(null=True, blank=True)
    due_code = models.CharField(max_length=40, default="not-a-former")
    due_words = models.TextField(blank=True)
    worst_sign = models.CharField(max_length=40, blank=True)
    # Worked out from the facts in the transaction that changes one, for the sweep to read.
    dispose_on = models.DateField(null=True, blank=True, help_text="Last day it may be kept by the policy.")
    expires_on = models.DateField(null=True, blank=True, help_text="The maker's expiry of what is in it.")
    untested_since = models.DateField(
        null=True, blank=True, help_text="A former open since then without any dated test."
    )
    forecast_on = models.DateField(null=True, blank=True)
    forecast_code = models.CharField(max_length=40, blank=True, db_default="")
    forecast_words = models.TextField(blank=True, db_default="")
    policy_due = models.DateField(null=True, blank=True, help_text="Next test by the policy alone.")
    drawable_until = models.DateField(
        null=True, blank=True, help_text="Last day on which the verdict on drawing is sure to be: use."
    )
    count_off_ul = models.BigIntegerField(
        null=True, blank=True, help_text="Last count less recorded, if that was beyond its uncertainty."
    )
    discarded_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            # Read aloud or typed on a phone, capitals are lost: "b-1" is never another bottle than "B-1".
            models.UniqueConstraint("lab", Lower("code"), name="container_code_once_in_lab"),
            models.CheckConstraint(
                condition=Q(volume_ul__gte=0) & Q(volume_ul__lte=F("capacity_ul")),
                name="container_volume_in_bounds",
            ),
            models.CheckConstraint(condition=Q(capacity_ul__gt=0), name="container_capacity_positive"),
            models.CheckConstraint(
                condition=Q(tare_mg__isnull=True) | Q(tare_mg__gte=0), name="container_tare_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(opened="opened") | Q(opened_on__isnull=True), name="container_opened_date_fits"
            ),
            models.CheckConstraint(
                condition=Q(volume_ul=0) | Q(lot__isnull=False), name="container_content_has_lot"
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="container_lab_page"),
            models.Index(fields=["lab", "code"], name="container_by_code"),
            # The sweep reads only these: what is due, what is due for a reason that no date cures, and signs.
            models.Index(
                fields=["next_test_due"],
                condition=Q(discarded_at__isnull=True, volume_ul__gt=0, next_test_due__isnull=False),
                name="container_due",
            ),
            models.Index(
                fields=["due_code"],
                condition=Q(discarded_at__isnull=True, volume_ul__gt=0, due_code__in=OWN_CODES),
                name="container_due_code",
            ),
            models.Index(
                fields=["worst_sign"],
                condition=Q(discarded_at__isnull=True) & ~Q(worst_sign=""),
                name="container_sign",
            ),
            models.Index(
                fields=["dispose_on"],
                condition=Q(discarded_at__isnull=True, volume_ul__gt=0, dispose_on__isnull=False),
                name="container_dispose",
            ),
            models.Index(
                fields=["expires_on"],
                condition=Q(discarded_at__isnull=True, volume_ul__gt=0, expires_on__isnull=False),
                name="container_expires",
            ),
            models.Index(
                fields=["untested_since"],
                condition=Q(discarded_at__isnull=True, volume_ul__gt=0, untested_since__isnull=False),
                name="container_untested",
            ),
            models.Index(
                fields=["forecast_on"],
                condition=Q(discarded_at__isnull=True, volume_ul__gt=0, forecast_on__isnull=False),
                name="container_forecast",
            ),
            models.Index(
                fields=["id"],
                condition=Q(discarded_at__isnull=True, count_off_ul__isnull=False),
                name="container_count_off",
            ),
            models.Index(
                fields=["id"],
                condition=Q(discarded_at__isnull=True, quarantined_at__isnull=False),
                name="container_quarantined",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class Movements(models.QuerySet["Movement"]):
    """Movements to choose from."""

    def touching(self, place_ids: Sequence[int]) -> Movements:
        """Those out of or into these places. What it costs grows with them, not with the ledger.

        Asked for with OR and in the order of their ids, SQLite goes through the whole ledger instead.
        """
        every = Movement.objects.order_by()
        out_of = every.filter(source_id__in=place_ids).values("pk")
        into = every.filter(destination_id__in=place_ids).values("pk")
        return self.filter(pk__in=out_of.union(into, all=True))


class Movement(models.Model):
    """A whole number of microlitres of one lot leaves one place and enters another. Append-only."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="+", db_index=False)
    entry = models.UUIDField(help_text="Movements that were booked together share this.")
    kind = models.CharField(max_length=16)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    solvent = models.ForeignKey(
        "inventory.Solvent", on_delete=models.PROTECT, related_name="+", db_index=False
    )
    source = models.ForeignKey(
        "inventory.Place", on_delete=models.PROTECT, related_name="outgoing", db_index=False
    )
    destination = models.ForeignKey(
        "inventory.Place", on_delete=models.PROTECT, related_name="incoming", db_index=False
    )
    volume_ul = models.BigIntegerField()
    u_volume_ul = models.BigIntegerField(help_text="Standard uncertainty (k = 1).")
    flow_month = models.DateField(help_text="First day of the month it counts in, in the lab's zone.")
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+", db_index=False)
    as_entered = models.JSONField(default=dict)
    reversal_of = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="reversed_by"
    )
    note = models.TextField(blank=True)

    objects = Movements.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(volume_ul__gt=0), name="movement_volume_positive"),
            models.CheckConstraint(condition=Q(u_volume_ul__gte=0), name="movement_uncertainty_not_negative"),
            models.CheckConstraint(condition=~Q(source=F("destination")), name="movement_goes_somewhere"),
        ]
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="movement_lab_page"),
            models.Index(fields=["source", "id"], name="movement_out_of"),
            models.Index(fields=["destination", "id"], name="movement_into"),
            models.Index(fields=["entry"], name="movement_entry"),
        ]

    def __str__(self) -> str:
        return f"movement {self.pk}"


class Flow(models.Model):
    """Monthly sum of movements between two kinds of place; a reversal subtracts from the cell it reverses.

    Written in the transaction that posts a movement, so that a report costs months, not movements.
    """

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="flows", db_index=False)
    solvent = models.ForeignKey(
        "inventory.Solvent", on_delete=models.PROTECT, related_name="+", db_index=False
    )
    month = models.DateField()
    source_kind = models.CharField(max_length=20)
    destination_kind = models.CharField(max_length=20)
    volume_ul = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["lab", "solvent", "month", "source_kind", "destination_kind"], name="flow_cell_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.month} {self.source_kind} to {self.destination_kind}"

"""Where a microlitre can be, and where a container can stand."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower


class PlaceKind(models.TextChoices):
    """Containers and runs hold solvent; every other kind is a named boundary, one of each in a lab."""

    CONTAINER = "container"
    RUN = "run"
    WASTE_CONTAINER = "waste-container"
    SUPPLIER = "supplier"
    MADE_HERE = "made-here"
    BEFORE_COUNTING = "before-counting"
    BLENDING = "blending"
    WATER_LAYER = "water-layer"
    AIR = "air"
    STILL_RESIDUE = "still-residue"
    PRODUCT = "product"
    REACTION = "reaction"
    WASTE = "waste-contractor"
    COUNT_DIFFERENCE = "count-difference"
    UNACCOUNTED = "unaccounted"


HOLDING = [PlaceKind.CONTAINER.value, PlaceKind.RUN.value, PlaceKind.WASTE_CONTAINER.value]
BOUNDARIES = [kind.value for kind in PlaceKind if kind.value not in HOLDING]
# What leaves a run without coming back: the named losses.
LOSSES = [
    PlaceKind.WATER_LAYER.value,
    PlaceKind.AIR.value,
    PlaceKind.STILL_RESIDUE.value,
    PlaceKind.PRODUCT.value,
    PlaceKind.REACTION.value,
    PlaceKind.WASTE.value,
    PlaceKind.UNACCOUNTED.value,
]
# What counts as lost to a run: the named losses, and what was put into a waste container that is still here.
LOST_TO = [*LOSSES, PlaceKind.WASTE_CONTAINER.value]


class Place(models.Model):
    """An end of a movement. Its balance is what came in less what went out."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="places")
    kind = models.CharField(max_length=20, choices=PlaceKind.choices)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["lab", "kind"], condition=~Q(kind__in=HOLDING), name="place_boundary_once_in_lab"
            ),
            models.CheckConstraint(condition=Q(kind__in=PlaceKind.values), name="place_kind_known"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"


class Location(models.Model):
    """A room, cabinet or shelf; locations form a tree."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="locations")
    parent = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="children"
    )
    name = models.CharField(max_length=120)
    folded = models.CharField(max_length=120)
    kind = models.CharField(
        max_length=12,
        choices=[(k, k) for k in ["room", "cabinet", "shelf", "fridge", "other"]],
        default="other",
    )
    note = models.TextField(blank=True)
    volume_m3 = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, help_text="Air in a room; empty: not known."
    )
    air_changes_per_h = models.DecimalField(
        max_digits=6, decimal_places=2, null=True, blank=True, help_text="Empty: not known."
    )
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "folded"], name="location_name_once_in_lab"),
            models.CheckConstraint(
                condition=Q(volume_m3__isnull=True) | Q(volume_m3__gt=0), name="location_volume_positive"
            ),
            models.CheckConstraint(
                condition=Q(air_changes_per_h__isnull=True) | Q(air_changes_per_h__gte=0),
                name="location_air_changes_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class LocationPath(models.Model):
    """Which locations lie inside which, each in itself: a shelf's bottles count in its cabinet and room."""

    ancestor = models.ForeignKey(Location, on_delete=models.CASCADE, related_name="paths_down")
    descendant = models.ForeignKey(Location, on_delete=models.CASCADE, related_name="paths_up")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["ancestor", "descendant"], name="location_path_once")
        ]

    def __str__(self) -> str:
        return f"{self.descendant_id} in {self.ancestor_id}"


class StorageLimit(models.Model):
    """How much may stand in a location, or how large one container there may be, by flammability category.

    measure: total = all that stands there, waste included; container = the size of each; waste = what the
    waste containers there hold. outside_cabinets: what stands in a cabinet below the location is not counted.

    `categories` and `materials` are written ",1,2,3," so that SQL on both databases can look into them;
    empty: any.
    """

    class Measure(models.TextChoices):
        TOTAL = "total"
        CONTAINER = "container"
        WASTE = "waste"

    class Effect(models.TextChoices):
        WARN = "warn"
        REFUSE = "refuse"

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="storage_limits")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="limits")
    key = models.SlugField(
        max_length=80, blank=True, help_text="Row of the shipped table; empty: the lab's own."
    )
    name = models.CharField(max_length=160)
    measure = models.CharField(max_length=12, choices=Measure.choices)
    scheme = models.CharField(max_length=8, choices=[(s, s) for s in ["ghs", "nfpa30"]], default="ghs")
    categories = models.CharField(max_length=80)
    materials = models.CharField(max_length=120, blank=True)
    limit_ul = models.BigIntegerField()
    outside_cabinets = models.BooleanField(default=False)
    effect = models.CharField(max_length=8, choices=Effect.choices)
    code = models.CharField(max_length=120, help_text="The rule it is from, as 29 CFR 1910.106(d)(3)(i).")
    source = models.TextField()
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(limit_ul__gt=0), name="storage_limit_positive"),
            models.CheckConstraint(
                condition=Q(measure__in=["total", "container", "waste"]), name="storage_limit_measure_known"
            ),
            models.CheckConstraint(
                condition=Q(effect__in=["warn", "refuse"]), name="storage_limit_effect_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} at {self.location_id}"


class WasteContainer(models.Model):
    """Where waste of any solvent is collected until a contractor takes it. Its place holds many lots.

    volume_ul is what its movements add up to, rewritten in the transaction that books one.
    """

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="waste_containers")
    place = models.OneToOneField(Place, on_delete=models.PROTECT, related_name="waste_container")
    code = models.CharField(max_length=24)
    stream = models.CharField(max_length=120, help_text="What belongs in it, as halogen-free solvents.")
    location = models.ForeignKey(
        Location, null=True, blank=True, on_delete=models.PROTECT, related_name="waste_containers"
    )
    capacity_ul = models.BigIntegerField()
    full_percent = models.PositiveSmallIntegerField(
        default=80, help_text="Counts as nearly full from here on."
    )
    volume_ul = models.BigIntegerField(default=0)
    started_on = models.DateField(help_text="Day of the first waste in it.")
    days_max = models.PositiveSmallIntegerField(default=180)
    days_source = models.CharField(max_length=200, blank=True)
    collect_by = models.DateField(help_text="started_on and days_max together.")
    collected_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint("lab", Lower("code"), name="waste_container_code_once_in_lab"),
            models.CheckConstraint(
                condition=Q(volume_ul__gte=0) & Q(volume_ul__lte=F("capacity_ul")),
                name="waste_container_volume_in_bounds",
            ),
            models.CheckConstraint(condition=Q(capacity_ul__gt=0), name="waste_container_capacity_positive"),
            models.CheckConstraint(
                condition=Q(full_percent__gte=1) & Q(full_percent__lte=100),
                name="waste_container_full_is_share",
            ),
        ]
        indexes: ClassVar = [
            models.Index(
                fields=["collect_by"], condition=Q(collected_at__isnull=True), name="waste_container_open"
            )
        ]

    def __str__(self) -> str:
        return self.code

"""Where a microlitre can be, and where a container can stand."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q


class PlaceKind(models.TextChoices):
    """Containers and runs hold solvent; every other kind is a named boundary, one of each in a lab."""

    CONTAINER = "container"
    RUN = "run"
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


HOLDING = [PlaceKind.CONTAINER.value, PlaceKind.RUN.value]
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

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "folded"], name="location_name_once_in_lab")
        ]

    def __str__(self) -> str:
        return self.name

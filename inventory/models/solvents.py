"""What the bottles may hold: the catalogue, its names, and retest policies."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, ClassVar

from django.db import models
from django.db.models import Q

from inventory.rules.policy_words import policy_words
from inventory.rules.solvent_words import SHIPPED_NAMES, basis_words

PEROXIDE_CLASSES = ["A", "B", "C", "D", "none", "unknown"]
if TYPE_CHECKING:
    _Field = models.Field[str, str]
    _Characters = models.CharField[str, str]
    _Text = models.TextField[str, str]
else:
    # Beside a field it is nothing of its own.
    _Field = object
    _Characters = models.CharField
    _Text = models.TextField


class _Shipped(_Field):
    """Comes out as a phrase where it is shipped, which a page says in its language: `words` tells.

    To migrations it is the plain field.
    """

    plain: ClassVar[str]

    def __init__(self, *args: Any, words: Callable[[str], str] = str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.words = words

    def from_db_value(self, value: str | None, *_: Any) -> str | None:
        return value if value is None else self.words(value)

    def deconstruct(self) -> Any:
        name, _, args, kwargs = super().deconstruct()
        return name, self.plain, args, kwargs


class ShippedNameField(_Shipped, _Characters):
    """A name: of a solvent or a policy."""

    plain = "django.db.models.CharField"


class ShippedTextField(_Shipped, _Text):
    """A longer text."""

    plain = "django.db.models.TextField"


def solvent_name(value: str) -> str:
    return SHIPPED_NAMES.get(value, value)


class Solvent(models.Model):
    """A catalogue row: shipped (no lab) or a lab's own. `facts` carries every value with its source."""

    class State(models.TextChoices):
        SHIPPED = "shipped"
        UNCONFIRMED = "unconfirmed"
        CONFIRMED = "confirmed"

    lab = models.ForeignKey(
        "inventory.Lab", null=True, blank=True, on_delete=models.CASCADE, related_name="solvents"
    )
    key = models.SlugField(max_length=80)
    name = ShippedNameField(max_length=120, words=solvent_name)
    cas = models.CharField(max_length=12, blank=True)
    state = models.CharField(max_length=12, choices=State.choices)
    molar_mass_g_per_mol = models.DecimalField(max_digits=9, decimal_places=4, null=True)
    density_20c_kg_m3 = models.DecimalField(max_digits=9, decimal_places=3)
    u_density_kg_m3 = models.DecimalField(max_digits=8, decimal_places=3)
    expansion_20c_per_k = models.DecimalField(max_digits=9, decimal_places=7, null=True)
    u_expansion_per_k = models.DecimalField(max_digits=10, decimal_places=8, null=True)
    expansion_slope_per_k2 = models.DecimalField(max_digits=12, decimal_places=10, default=0)
    boiling_point_c = models.DecimalField(max_digits=7, decimal_places=2, null=True)
    flash_point_c = models.DecimalField(max_digits=7, decimal_places=2, null=True)
    lel_vol_pct = models.DecimalField(max_digits=6, decimal_places=3, null=True)
    ghs_category = models.CharField(max_length=8)
    nfpa30_class = models.CharField(max_length=8)
    peroxide_class = models.CharField(max_length=8, choices=[(c, c) for c in PEROXIDE_CLASSES])
    peroxide_basis = ShippedTextField(blank=True, words=basis_words)
    facts = models.JSONField(default=list)
    confirmed_by = models.ForeignKey(
        "inventory.User", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "key"], name="solvent_key_once_in_lab"),
            models.UniqueConstraint(
                fields=["key"], condition=Q(lab__isnull=True), name="solvent_key_once_shipped"
            ),
            models.CheckConstraint(
                condition=Q(peroxide_class__in=PEROXIDE_CLASSES), name="solvent_peroxide_class_known"
            ),
            models.CheckConstraint(condition=Q(density_20c_kg_m3__gt=0), name="solvent_density_positive"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_former(self) -> bool:
        return self.peroxide_class != "none"


class SolventName(models.Model):
    """A name this lab uses for a solvent, beside the shipped synonyms."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.CASCADE, related_name="solvent_names")
    folded = models.CharField(max_length=120)
    solvent = models.ForeignKey(Solvent, on_delete=models.CASCADE, related_name="lab_names")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "folded"], name="solvent_name_once_in_lab")
        ]

    def __str__(self) -> str:
        return self.folded


class StockLevel(models.Model):
    """How much of a solvent a lab wants to have; below it, it is short."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.CASCADE, related_name="stock_levels")
    solvent = models.ForeignKey(Solvent, on_delete=models.CASCADE, related_name="+")
    minimum_ul = models.BigIntegerField()
    note = models.CharField(max_length=200, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "solvent"], name="stock_level_once"),
            models.CheckConstraint(condition=Q(minimum_ul__gt=0), name="stock_level_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.solvent_id}: {self.minimum_ul}"


class Policy(models.Model):
    """Retest rules as data: shipped (no lab) or a lab's own copy. `body` is `rules.retest.Policy` as JSON."""

    lab = models.ForeignKey(
        "inventory.Lab", null=True, blank=True, on_delete=models.CASCADE, related_name="own_policies"
    )
    key = models.SlugField(max_length=60)
    name = ShippedNameField(max_length=120, words=policy_words)
    source = ShippedTextField(words=policy_words)
    body = models.JSONField()
    copied_from = models.SlugField(max_length=60, blank=True, help_text="Key of the policy it began as.")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "key"], name="policy_key_once_in_lab"),
            models.UniqueConstraint(
                fields=["key"], condition=Q(lab__isnull=True), name="policy_key_once_shipped"
            ),
        ]

    def __str__(self) -> str:
        return self.name

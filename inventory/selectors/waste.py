"""How much waste came about, from the monthly flows alone, and the containers that it stands in."""

from __future__ import annotations

from datetime import date
from decimal import ROUND_CEILING, Decimal

from django.db.models import QuerySet

from inventory.models import Flow, Lab, PlaceKind, WasteContainer

GRAM_KG = Decimal("0.001")


def waste_mass_kg(*, lab: Lab, month: date) -> Decimal:
    """Mass of the waste of a month in kg, by the densities at 20 °C, rounded up to the gram.

    What went into waste containers or straight to the contractor; a collection moves what was counted before.
    """
    to_waste = [PlaceKind.WASTE_CONTAINER.value, PlaceKind.WASTE.value]
    flows = Flow.objects.filter(lab=lab, month=month, destination_kind__in=to_waste)
    flows = flows.exclude(source_kind__in=to_waste)
    rows = flows.values_list("volume_ul", "solvent__density_20c_kg_m3")
    # 1 µl is 1e-9 m³.
    mass_kg = sum((volume_ul * density / 10**9 for volume_ul, density in rows), Decimal(0))
    return mass_kg.quantize(GRAM_KG, ROUND_CEILING)


def waste_here(*, lab: Lab) -> QuerySet[WasteContainer]:
    """Waste containers of the lab that have not been collected, the first to go first."""
    rows = WasteContainer.objects.filter(lab=lab, collected_at=None)
    return rows.select_related("location").order_by("collect_by", "code")

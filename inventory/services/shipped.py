"""The catalogue and the policies that come with the package, put into the database after every migrate."""

from __future__ import annotations

from decimal import ROUND_CEILING, Decimal
from typing import Any

from django.db import transaction

from inventory.models import Policy, Solvent
from inventory.rules.catalogue import Fact, SolventData, load_catalogue
from inventory.rules.errors import InputError
from inventory.rules.policy_data import load_policies


def load(*, using: str = "default") -> None:
    """Write the shipped rows, new ones and changed ones; a lab's own rows are never touched."""
    with transaction.atomic(using=using):
        for data in load_catalogue().values():
            row = {**columns(data), "state": Solvent.State.SHIPPED}
            Solvent.objects.using(using).update_or_create(lab=None, key=data.key, defaults=row)
        for policy in load_policies().values():
            body = {"name": policy.name, "source": policy.source, "body": policy.to_json()}
            Policy.objects.using(using).update_or_create(lab=None, key=policy.key, defaults=body)


def columns(data: SolventData) -> dict[str, Any]:
    """Columns of `Solvent` from catalogue data. Raises InputError when no density is known."""
    liquid = data.liquid
    if liquid is None:
        raise InputError(
            "cas", "no-density", f"No density is known for {data.name}.", "Give its density at 20 °C by hand."
        )
    return {
        "name": data.name,
        "cas": data.cas,
        "molar_mass_g_per_mol": data.molar_mass_g_per_mol,
        "density_20c_kg_m3": _rounded(liquid.density_20c_kg_m3, "0.001"),
        "u_density_kg_m3": liquid.u_density_20c_kg_m3.quantize(Decimal("0.001"), ROUND_CEILING),
        "expansion_20c_per_k": _rounded(liquid.expansion_20c_per_k, "0.0000001"),
        "u_expansion_per_k": _rounded(liquid.u_expansion_per_k, "0.00000001"),
        "expansion_slope_per_k2": liquid.expansion_slope_per_k2.quantize(Decimal("0.0000000001")),
        "boiling_point_c": _rounded(data.boiling_point_c, "0.01"),
        "flash_point_c": _rounded(data.flash_point_c, "0.01"),
        "lel_vol_pct": _rounded(data.lel_vol_pct, "0.001"),
        "ghs_category": str(data.ghs_category or "none"),
        "nfpa30_class": str(data.nfpa30_class or "none"),
        "peroxide_class": data.peroxide_class,
        "peroxide_basis": data.peroxide_basis,
        "facts": [_fact(fact) for fact in data.facts] + _labelling(data),
    }


def _rounded(value: Decimal | None, step: str) -> Decimal | None:
    return None if value is None else value.quantize(Decimal(step))


def _fact(fact: Fact) -> dict[str, Any]:
    """A recorded value with its source; what two sources disagree on stays visible."""
    full = {
        "name": fact.name,
        "value": fact.value,
        "unit": fact.unit,
        "source": fact.source,
        "second": fact.second,
        "second_source": fact.second_source,
        "in_use": None if fact.in_use is None else str(fact.in_use),
        "disagreement": fact.disagreement,
        "note": fact.note,
    }
    return {name: value for name, value in full.items() if value not in ("", None)}


def _labelling(data: SolventData) -> list[dict[str, Any]]:
    """What belongs on a label, as facts."""
    rows = {
        "h-codes": " ".join(data.h_codes),
        "euh-codes": " ".join(data.euh_codes),
        "pictograms": " ".join(data.pictograms),
        "signal-word": data.signal_word,
        "un-number": data.un_number,
    }
    return [
        {"name": name, "value": value, "unit": "", "source": data.hazard_basis or "not stated"}
        for name, value in rows.items()
        if value
    ]

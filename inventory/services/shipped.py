"""The catalogue and the policies that come with the package, put into the database after every migrate."""

from __future__ import annotations

from datetime import datetime
from decimal import ROUND_CEILING, Decimal
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from inventory.models import Container, Policy, Solvent
from inventory.rules.catalogue import Fact, SolventData, load_catalogue
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import load_policies
from inventory.services.refreshing import refresh_many


def load(*, now: datetime, using: str = "default") -> None:
    """Write the shipped rows, new ones and changed ones; a lab's own rows are never touched.

    Where a peroxide class or a policy has changed, every due date that rests on it is worked out again.
    """
    with transaction.atomic(using=using):
        solvents = Solvent.objects.using(using).filter(lab=None)
        policies = Policy.objects.using(using).filter(lab=None)
        before = _what_dates_rest_on(solvents, policies)
        for data in load_catalogue().values():
            row = {**columns(data), "state": Solvent.State.SHIPPED}
            solvents.update_or_create(lab=None, key=data.key, defaults=row)
        for policy in load_policies().values():
            body = {"name": policy.name, "source": policy.source, "body": policy.to_json()}
            policies.update_or_create(lab=None, key=policy.key, defaults=body)
        after = _what_dates_rest_on(solvents, policies)
        changed = [key for key, value in before.items() if after[key] != value]
        if changed and using == "default":
            _work_out_again(changed, now)


def _what_dates_rest_on(
    solvents: QuerySet[Solvent], policies: QuerySet[Policy]
) -> dict[tuple[str, int], object]:
    facts: dict[tuple[str, int], object] = {
        ("solvent", pk): (name, state)
        for pk, name, state in solvents.values_list("pk", "peroxide_class", "state")
    }
    return facts | {("policy", pk): body for pk, body in policies.values_list("pk", "body")}


def _work_out_again(changed: list[tuple[str, int]], now: datetime) -> None:
    ids = {kind: [pk for found, pk in changed if found == kind] for kind in ("solvent", "policy")}
    resting = Q(lot__solvent__in=ids["solvent"]) | Q(lab__policy__in=ids["policy"])
    rows = Container.objects.filter(resting, discarded_at=None).order_by("place_id")
    refresh_many(list(rows.values_list("pk", flat=True)), now=now)


def columns(data: SolventData) -> dict[str, Any]:
    """Columns of `Solvent` from catalogue data. Raises InputError when no density is known."""
    liquid = data.liquid
    if liquid is None:
        raise InputError(
            "cas",
            "no-density",
            Phrase("No density is known for {name}.", name=data.name),
            Phrase("Give its density at 20 °C by hand."),
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
    """What belongs on a label, as facts, each with the source and the remark that are its own."""
    rows = {
        "h-codes": " ".join(data.h_codes),
        "euh-codes": " ".join(data.euh_codes),
        "pictograms": " ".join(data.pictograms),
        "signal-word": data.signal_word,
        "un-number": data.un_number,
    }
    sources = {"un-number": data.un_source}
    # A remark is on hazard statements; some of them say which signal word goes with these.
    notes = {"h-codes": data.hazard_note}
    if any(word in data.hazard_note for word in ("Danger", "Warning")):
        notes["signal-word"] = data.hazard_note
    hazards = data.hazard_source or data.hazard_basis or "not stated"
    return [
        {
            "name": name,
            "value": value,
            "unit": "",
            "source": sources.get(name) or hazards,
            **({"note": notes[name]} if notes.get(name) else {}),
        }
        for name, value in rows.items()
        if value
    ]

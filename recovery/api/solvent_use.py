"""Turnover, recycling, savings and the day to reorder, and the prices that savings rest on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import HttpResponse

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, DayField, NoteField, RefField, TextField
from inventory.api.idempotency import Done
from inventory.api.lookup import solvent_in
from inventory.api.paging import Key, orderings, page
from inventory.api.problems import QueryError
from inventory.api.quantities import volume_out
from inventory.api.rows import decimal_text, solvent_ref
from inventory.rules.errors import InputError
from recovery.api.shapes_solvent_use import SolventPriceShape, SolventUsesShape
from recovery.api.solvent_balance import month
from recovery.models import SolventPrice
from recovery.rules import consumption
from recovery.rules.consumption import Outlook
from recovery.rules.solvent_balance_words import month_text
from recovery.rules.solvent_use import SPARED, Month, Spared
from recovery.selectors.solvent_use import SolventUse, solvent_use
from recovery.services.prices import price_put, price_read

NO_PRICE = "No price of this solvent is on record: what was spared is told in volume only."
PARTLY_PRICED = (
    "Part of it was put back in before the first price held: that part is not in the sums of money."
)
NO_LEVEL = "No stock level is set: the day is the one on which nothing fit is left."
BALANCED = "used_up is I1 and reused is I2 of the solvent balance; what is missing counts as used up."
BY_ID = orderings(id=Key("id", "int"))


class SolventUses(LabView):
    """How solvents go round in a period, and how long they last."""

    contracts = {
        "GET": Contract(
            "reports.read",
            SolventUsesShape,
            "Use of solvents, and when to reorder",
            params=(
                month("since", "First month, as 2026-01; twelve months when left out."),
                month("until", "Last month; this one when left out."),
                params.text("solvent", "Id, key, name or synonym; all when left out."),
            ),
            words="Not paged: there is one entry for each solvent that ever moved here.",
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        try:
            since, until, found = solvent_use(lab=self.caller.lab, today=self.today, **self.query)
        except InputError as error:
            raise QueryError(error.field, error.code, error.detail, error.remedy) from error
        return self.listing(
            {
                "since": month_text(since),
                "until": month_text(until),
                "method": consumption.METHOD,
                "sources": [consumption.SOURCE],
                "words": [SPARED, BALANCED],
                "results": [_use_out(each) for each in found],
            }
        )


def _use_out(each: SolventUse) -> dict[str, Any]:
    use = each.use
    return {
        "solvent": solvent_ref(each.id, each.key, each.name),
        "put_to_use": volume_out(use.put_to_use_ul),
        "charged": volume_out(use.charged_ul),
        "returned": volume_out(use.returned_ul),
        "bought": volume_out(use.bought_ul),
        "used_up": volume_out(use.used_up_ul),
        "reused": volume_out(use.reused_ul),
        "standing_mean": volume_out(use.mean_standing_ul),
        "make_up_per_month": volume_out(use.make_up_ul),
        "turnover": decimal_text(use.turnover),
        "returned_fraction": decimal_text(use.returned_fraction),
        "recycle_ratio": decimal_text(use.recycle_ratio),
        "waste_avoided": volume_out(use.reused_ul),
        "spared": [_spared_out(saved) for saved in each.spared],
        "outlook": _outlook_out(each.outlook, each),
        "words": _words(each),
        "months": [_month_out(of) for of in use.months],
    }


def _words(each: SolventUse) -> list[str]:
    found = [] if each.minimum_ul is not None else [NO_LEVEL]
    if not each.priced:
        found.append(NO_PRICE)
    elif sum(saved.priced_ul for saved in each.spared) < each.use.reused_ul:
        found.append(PARTLY_PRICED)
    return found


def _spared_out(saved: Spared) -> dict[str, Any]:
    return {
        "currency": saved.currency,
        "not_bought": decimal_text(saved.not_bought),
        "not_thrown_away": decimal_text(saved.not_thrown_away),
        "volume": volume_out(saved.priced_ul),
    }


def _outlook_out(ahead: Outlook, each: SolventUse) -> dict[str, Any]:
    spread = None if ahead.spread_ul is None else round(ahead.spread_ul)
    return {
        "code": ahead.code,
        "months": ahead.months,
        "per_month": volume_out(round(ahead.mean_ul), spread),
        "next_month_low": None if ahead.low_ul is None else volume_out(round(ahead.low_ul)),
        "next_month_high": None if ahead.high_ul is None else volume_out(round(ahead.high_ul)),
        "fit": volume_out(each.fit_ul),
        "minimum": None if each.minimum_ul is None else volume_out(each.minimum_ul),
        "reorder_on": ahead.reorder_on,
        "earliest_on": ahead.earliest_on,
        "latest_on": ahead.latest_on,
        "words": ahead.words,
    }


def _month_out(of: Month) -> dict[str, Any]:
    return {
        "month": of.month,
        "charged": volume_out(of.charged_ul),
        "drawn": volume_out(of.drawn_ul),
        "returned": volume_out(of.returned_ul),
        "bought": volume_out(of.bought_ul),
        "used_up": volume_out(of.used_up_ul),
        "reused": volume_out(of.reused_ul),
        "standing": volume_out(of.standing_ul),
    }


# -- prices


class PricePut(Body):
    """What a litre costs from a day on. The newest word for a day counts; nothing is overwritten."""

    solvent = RefField(help_text="Id, key, name or CAS number.")
    per_litre = TextField(max_length=20, help_text='As "38.50".')
    waste_per_litre = TextField(max_length=20, required=False, help_text="To have a litre taken away.")
    currency = TextField(max_length=3, help_text="ISO 4217, as EUR.")
    since_on = DayField(required=False, help_text="Left out: today.")
    note = NoteField()


PRICE_COLUMNS = (
    "id", "solvent_id", "solvent__key", "solvent__name", "since_on", "per_litre", "waste_per_litre",
    "currency", "note", "recorded_at",
)  # fmt: skip


def price_out(row: Sequence[Any]) -> dict[str, Any]:
    """One row of `PRICE_COLUMNS`."""
    pk, solvent_id, key, name, since_on, per_litre, waste, currency, note, recorded_at = row
    return {
        "id": str(pk),
        "solvent": solvent_ref(solvent_id, key, name),
        "since_on": since_on,
        "per_litre": decimal_text(per_litre),
        "waste_per_litre": decimal_text(waste),
        "currency": currency,
        "note": note,
        "recorded_at": recorded_at,
    }


class SolventPrices(LabView):
    """What solvents cost this lab."""

    contracts = {
        "GET": Contract(
            "reports.read",
            SolventPriceShape,
            "Prices of solvents",
            params=(params.text("solvent"), *params.paging(BY_ID)),
            paged=True,
        ),
        "POST": Contract("stock.levels", SolventPriceShape, "Set a price", body=PricePut, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = SolventPrice.objects.filter(lab=self.caller.lab)
        if "solvent" in given:
            rows = rows.filter(solvent__key=given["solvent"])
        keys = BY_ID[given.get("ordering", "id")]
        asked: Any = {"keys": keys, "columns": PRICE_COLUMNS, "given": given, "shape": price_out}
        return self.listing(page(request._request, rows, **asked))

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            waste = data.get("waste_per_litre")
            made = price_put(
                **self.by,
                solvent=solvent_in(self.caller, data["solvent"]),
                per_litre=price_read(data["per_litre"], "per_litre"),
                waste_per_litre=None if waste is None else price_read(waste, "waste_per_litre"),
                currency=data["currency"],
                since_on=data.get("since_on"),
                note=data.get("note", ""),
            )
            return Done(price_out(SolventPrice.objects.values_list(*PRICE_COLUMNS).get(pk=made.pk)))

        return self.write(work)

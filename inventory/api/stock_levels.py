"""How much of a solvent a lab wants to have, beside how much there is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import Http404, HttpResponse

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import AmountField, Body, NoteField, RefField
from inventory.api.idempotency import Done
from inventory.api.labs import Nothing
from inventory.api.lookup import solvent_at, solvent_in
from inventory.api.paging import Key, orderings, page
from inventory.api.quantities import volume_out
from inventory.api.rows import solvent_ref
from inventory.api.shapes_alerts import StockLevelShape
from inventory.models import StockLevel
from inventory.selectors.due import today_in
from inventory.selectors.stock_levels import OnHand, on_hand
from inventory.services.measuring import measured
from inventory.services.stock_levels import stock_level_end, stock_level_put

COLUMNS = ("id", "solvent_id", "solvent__key", "solvent__name", "minimum_ul", "note", "ended_at")
BY_NAME = orderings(name=Key("solvent__name", "str"))


class LevelPut(Body):
    """Less than `minimum` fit to use is an alert."""

    solvent = RefField(help_text="Id, key, name or CAS number.")
    minimum = AmountField()
    note = NoteField(max_length=200)


def _level_out(row: Sequence[Any], held: OnHand) -> dict[str, Any]:
    pk, solvent_id, key, name, minimum_ul, note, ended_at = row
    return {
        "id": str(pk),
        "solvent": solvent_ref(solvent_id, key, name),
        "minimum": volume_out(minimum_ul),
        "on_hand": volume_out(held.on_hand_ul),
        "fit": volume_out(held.fit_ul),
        "short_by": volume_out(max(0, minimum_ul - held.fit_ul)),
        "note": note,
        "ended_at": ended_at,
    }


class _Levels(LabView):
    """Answers about stock levels."""

    def shown(self, rows: Sequence[Sequence[Any]]) -> list[dict[str, Any]]:
        """Rows of COLUMNS with what there is of each, in one statement."""
        today = today_in(self.caller.lab, self.now)
        held = on_hand(level_ids=[row[0] for row in rows], today=today)
        return [_level_out(row, held[row[0]]) for row in rows]

    def one(self, level: StockLevel) -> Done:
        return Done(self.shown([StockLevel.objects.values_list(*COLUMNS).get(pk=level.pk)])[0])


class StockLevels(_Levels):
    """The solvents that a lab wants to have enough of."""

    contracts = {
        "GET": Contract(
            "stock.read",
            StockLevelShape,
            "Stock levels",
            params=(params.text("solvent"), params.flag("ended"), *params.paging(BY_NAME)),
            paged=True,
            words="Ended ones are left out unless asked for.",
        ),
        "POST": Contract("stock.levels", StockLevelShape, "Set a stock level", body=LevelPut, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = StockLevel.objects.filter(lab=self.caller.lab, ended_at__isnull=not given.get("ended", False))
        if "solvent" in given:
            rows = rows.filter(solvent__key=given["solvent"])
        keys = BY_NAME[given.get("ordering", "name")]
        body = page(request._request, rows, keys=keys, columns=COLUMNS, given=given, shape=tuple)
        body["results"] = self.shown(body["results"])
        return self.listing(body)

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            solvent = solvent_in(self.caller, data["solvent"])
            minimum = measured(data["minimum"], solvent, field="minimum")
            level = stock_level_put(
                **self.by, solvent=solvent, minimum_ul=minimum.volume_ul, note=data.get("note", "")
            )
            return self.one(level)

        return self.write(work)


class StockLevelEndings(_Levels):
    """The lab no longer minds how much of a solvent there is."""

    contracts = {
        "POST": Contract("stock.levels", StockLevelShape, "End a stock level", body=Nothing, status=201)
    }

    def post(self, request: Any, lab: str, solvent: str) -> HttpResponse:
        found = solvent_at(self.caller, solvent)
        level = StockLevel.objects.filter(lab=self.caller.lab, solvent=found).first()
        if level is None:
            raise Http404
        return self.write(lambda data: self.one(stock_level_end(**self.by, level=level)))

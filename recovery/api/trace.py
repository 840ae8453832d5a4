"""Where a lot came from and where it went, and how often what is in a bottle has been distilled."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

from django.http import HttpResponse

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.lookup import container_at, lot_at
from inventory.api.paging import Key, Ordering, paged
from inventory.api.params import paging
from inventory.api.quantities import volume_out
from inventory.api.rows import solvent_ref
from inventory.models import Lot
from recovery.api.shapes_trace import LotAncestorsShape, LotDescendantsShape, TimesDistilledShape
from recovery.rules.whereabouts import Whereabouts
from recovery.selectors import trace

BY_GENERATION: Mapping[str, Ordering] = {
    "generation": [Key("generation", "int"), Key("id", "int")],
    "-generation": [Key("generation", "int", descending=True), Key("id", "int", descending=True)],
}
GENERATIONS_MAX = 1000
STEP = Decimal("0.000001")
PARAMS = (
    params.number("generations", "No further than this.", least=1, most=GENERATIONS_MAX),
    *paging(BY_GENERATION),
)
IN_PROPORTION = (
    "What is drawn of a blend, or distilled back from a run, counts as its parts in proportion: a still does "
    "not keep them apart by itself, but nobody measured that here."
)
CUT_SHORT = "Only so many generations were asked for: longer ways round count nothing."


class _Trace(LabView):
    """One direction: the shares of the other lots, and a page of them."""

    def traced(self, found: Lot, steps: Mapping[int, int], told: Callable[[int], tuple[Any, Any]]) -> Any:
        """told: lot → its volume and share."""
        given = self.query
        others = sorted((step, pk) for pk, step in steps.items() if pk != found.pk)
        walk = _fetch(others)
        keys = BY_GENERATION[given.get("ordering", "generation")]
        body = paged(self.request._request, keys=keys, given=given, fetch=walk, shape=lambda row: row)
        shown = [row[0] for row in body["results"]]
        body["results"] = _rows(shown, steps, told)
        words = [IN_PROPORTION] + ([CUT_SHORT] if "generations" in given else [])
        deepest = max(steps.values())
        return {"lot": str(found.pk), "lots": len(others), "generations": deepest, "words": words, **body}


def _fetch(others: Sequence[tuple[int, int]]) -> Any:
    def fetch(walk: Sequence[Key], place: Sequence[Any] | None, nulls_last: bool, limit: int) -> Any:
        down = walk[0].descending
        ordered = sorted(others, reverse=down)
        if place is not None:
            mark = tuple(place)
            ordered = [other for other in ordered if (other < mark if down else other > mark)]
        return [(step, pk, pk) for step, pk in ordered[:limit]]

    return fetch


def _rows(
    lot_ids: Sequence[int], steps: Mapping[int, int], told: Callable[[int], tuple[Any, Any]]
) -> list[dict[str, Any]]:
    lots = Lot.objects.select_related("solvent").defer("solvent__facts").in_bulk(lot_ids)
    passed = trace.passed_by(lot_ids)
    return [_row(lots[pk], steps[pk], *told(pk), passed[pk]) for pk in lot_ids]


def _row(lot: Lot, step: int, volume: Any, share: Any, passed: trace.Passed) -> dict[str, Any]:
    return {
        "id": str(lot.pk),
        "generation": step,
        "solvent": solvent_ref(lot.solvent_id, lot.solvent.key, lot.solvent.name),
        "origin": lot.origin,
        "made_on": lot.made_on,
        "times_distilled": lot.times_distilled,
        "maker": lot.maker,
        "maker_lot": lot.maker_lot,
        "volume": volume,
        "share": share,
        "containers": [
            {"id": str(pk), "code": code, "volume": volume_out(ul)} for pk, code, ul in passed.containers
        ],
        "runs": [str(pk) for pk in passed.runs],
    }


def share_text(part: Fraction) -> str:
    """To six decimals."""
    return format((Decimal(part.numerator) / Decimal(part.denominator)).quantize(STEP), "f")


def _part(part: int, whole: int) -> str:
    return share_text(Fraction(part, whole) if whole else Fraction())


class LotAncestors(_Trace):
    """What a lot was made of, back to the lots that were bought, made here or found here."""

    contracts = {"GET": Contract("stock.read", LotAncestorsShape, "What a lot was made of", params=PARAMS)}

    def get(self, request: Any, lab: str, lot: str) -> HttpResponse:
        found = lot_at(self.caller, lot)
        made = trace.ancestry(lot=found, generations=self.query.get("generations"))
        whole = made.whole_ul

        def told(pk: int) -> tuple[Any, str]:
            return volume_out(made.volumes_ul[pk]), _part(made.volumes_ul[pk], whole)

        body = self.traced(found, made.steps, told)
        body["volume"] = volume_out(whole)
        body["by_origin"] = [
            {"origin": origin, "volume": volume_out(ul), "share": _part(ul, whole)}
            for origin, ul in made.by_origin.items()
        ]
        return self.listing(body)


class LotDescendants(_Trace):
    """What became of a lot: blends with it, what was distilled of it, where it stands and where it went."""

    contracts = {"GET": Contract("stock.read", LotDescendantsShape, "What became of a lot", params=PARAMS)}

    def get(self, request: Any, lab: str, lot: str) -> HttpResponse:
        found = lot_at(self.caller, lot)
        made = trace.descent(lot=found, generations=self.query.get("generations"))

        def told(pk: int) -> tuple[Any, str]:
            share = made.shares[pk]
            return volume_out(round(share * made.made_ul[pk])), share_text(share)

        body = self.traced(found, made.steps, told)
        body["where"] = made.where and _where(made.where)
        return self.listing(body)


def _where(where: Whereabouts) -> dict[str, Any]:
    return {
        "came_in": volume_out(round(where.came_in_ul)),
        "in_containers": volume_out(round(sum(where.standing.values(), Fraction()))),
        "gone": _kinds(where.gone),
        "lost_in_runs": _kinds(where.lost),
    }


def _kinds(volumes_ul: Mapping[str, Fraction]) -> list[dict[str, Any]]:
    return [{"kind": kind, "volume": volume_out(round(ul))} for kind, ul in sorted(volumes_ul.items())]


class ContainerTimesDistilled(LabView):
    """How often what is in a container has been distilled, by volume: a blend is more than its worst part."""

    contracts = {
        "GET": Contract("stock.read", TimesDistilledShape, "How often distilled, by volume", tagged=True)
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        found = container_at(self.caller, container)
        spread = trace.times_distilled_in(container=found)
        whole = sum(spread.values())
        mean = sum(times * ul for times, ul in spread.items())
        body = {
            "container": {"id": str(found.pk), "code": found.code},
            "volume": volume_out(found.volume_ul),
            "most": max(spread, default=None),
            "mean": _part(mean, whole) if whole else None,
            "results": [
                {"times_distilled": times, "volume": volume_out(ul), "share": _part(ul, whole)}
                for times, ul in spread.items()
            ],
        }
        return self.detail(body)

"""What stands in a place, to hang on its door: as a page to print, as PDF and as CSV."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.http import HttpResponse, StreamingHttpResponse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from inventory.models import Container, Location, WasteContainer
from inventory.rules.cautions import CAUTIONS
from inventory.rules.paper import Column, Line, Paper, Part
from inventory.selectors import storage
from inventory.services.bottles import Bottle, bottles
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page
from inventory.web.language import spoken
from inventory.web.papers import PAPERS, amount, day, opened_words, pdf_answer
from inventory.web.rows import start_of

#: a verdict for each takes its time
PAGE = 100
CSV_COLUMNS = (
    "place", "code", "solvent", "signal_word", "volume_ul", "capacity_ul", "opened", "opened_on", "test_by",
    "level", "verdict",
)  # fmt: skip


@dataclass(frozen=True)
class Stock:
    """A place with what stands in it and below: by place, then by code. count: of all its containers."""

    place: Location
    bottles: list[Bottle]
    waste: list[WasteContainer]
    count: int


def _found(desk: Desk, location: str, *, start: int = 0, limit: int | None = None) -> Stock:
    """start, limit: which of the containers; without them all."""
    place = desk.caller.by_id(Location.objects.all(), location)
    inside = storage.below(place.pk)
    held = Container.objects.filter(lab=desk.lab, location__in=inside, discarded_at=None)
    ids = held.order_by("location__name", "code").values_list("pk", flat=True)
    waste = WasteContainer.objects.filter(lab=desk.lab, location__in=inside, collected_at=None)
    rows = waste.select_related("location").order_by("code")
    chosen = ids[start:] if limit is None else ids[start : start + limit]
    return Stock(place, bottles(ids=chosen, today=desk.today), list(rows), held.count())


def signal(bottle: Bottle) -> str:
    """The signal word; where none is on record it says so, which is no promise."""
    if bottle.signal_word:
        return spoken(bottle.signal_word)
    if not bottle.solvent:
        return "–"
    return "–" if bottle.hazards_known else _("not on record: see the label")


def on_page(day: date) -> str:
    """A day as every page tells it."""
    return date_format(day, "DATE_FORMAT")


@desk_page("stock.read")
def list_page(desk: Desk, location: str) -> HttpResponse:
    """The list with a style of its own for paper. Of a long one so many at a time: the PDF has them all."""
    start = start_of(desk)
    stock = _found(desk, location, start=start, limit=PAGE)
    found, last = stock.bottles, start + len(stock.bottles)
    rows = [
        {
            "bottle": bottle,
            "signal": signal(bottle),
            "opened": opened_words(bottle, on_page),
            "grave": bottle.alone or bottle.overdue(desk.today),
        }
        for bottle in found
    ]
    context: dict[str, Any] = {
        "place": stock.place,
        "rows": rows,
        "waste": stock.waste,
        "count": stock.count,
        "first": start + 1,
        "last": last,
        "before": max(start - PAGE, 0) if start else None,
        "further": last if last < stock.count else None,
        "now": desk.now,
        "papers": PAPERS,
    }
    context |= {"local_code": spoken(CAUTIONS["local-code"]), "several": len({b.place for b in found}) > 1}
    return desk.render("inventory/cabinet_list.html", context, here="more")


@desk_page("stock.read")
def list_csv(desk: Desk, location: str) -> StreamingHttpResponse:
    stock = _found(desk, location)
    rows = [
        [
            *(one.place, one.code, one.solvent, one.signal_word, one.volume_ul, one.capacity_ul),
            *(one.opened, one.opened_on, one.test_by, one.level, one.verdict),
        ]
        for one in stock.bottles
    ]
    return csv_file(f"{desk.lab.slug}-place-{stock.place.pk}", CSV_COLUMNS, rows)


@desk_page("stock.read")
def list_file(desk: Desk, location: str) -> HttpResponse:
    """The same as PDF. paper: a4 or letter."""
    stock = _found(desk, location)
    place = stock.place
    size = desk.request.GET.get("paper", "a4")
    paper = Paper(
        title=place.name,
        facts=[
            (_("Laboratory"), desk.lab.name),
            (_("As it stood on"), f"{localtime(desk.now):%Y-%m-%d %H:%M}"),
            (_("In an emergency"), desk.lab.emergency_text or _("Follow the notice in the room.")),
        ],
        parts=[_bottles(desk, stock.bottles), _wastes(desk, stock.waste)],
        foot=f"{place.name} · {desk.lab.name}",
        page_words=_("Page {page} of {pages}"),
    )
    name = f"{desk.lab.slug}-place-{place.pk}"
    return pdf_answer(paper, size if size in dict(PAPERS) else "a4", name)


def _bottles(desk: Desk, found: list[Bottle]) -> Part:
    return Part(
        title=_("What stands in it"),
        columns=[
            Column(_("Code"), 10),
            Column(_("What is in it"), 22),
            Column(_("Signal word"), 9),
            Column(_("Amount"), 12, right=True),
            Column(_("Opened"), 11),
            Column(_("Test by"), 11),
            Column(_("Verdict today"), 19, strong=True),
            Column(_("Place"), 14),
        ],
        lines=[
            Line(
                [
                    one.code,
                    spoken(one.solvent) or _("empty, never filled"),
                    signal(one),
                    amount(one.volume_ul) if one.volume_ul else _("empty"),
                    opened_words(one),
                    day(one.test_by),
                    spoken(one.verdict),
                    one.place,
                ],
                grave=one.alone or one.overdue(desk.today),
            )
            for one in found
        ],
        empty=_("Nothing stands here by the records."),
    )


def _wastes(desk: Desk, waste: list[WasteContainer]) -> Part:
    return Part(
        title=_("Waste containers"),
        columns=[
            Column(_("Code"), 14),
            Column(_("What belongs in it"), 34),
            Column(_("Amount"), 12, right=True),
            Column(_("Of"), 12, right=True),
            Column(_("Collect by"), 14, strong=True),
            Column(_("Place"), 18),
        ],
        lines=[
            Line(
                [
                    one.code,
                    one.stream,
                    amount(one.volume_ul),
                    amount(one.capacity_ul),
                    day(one.collect_by),
                    one.location.name if one.location else "",
                ],
                grave=one.collect_by < desk.today,
            )
            for one in waste
        ],
        empty=_("None."),
        after=spoken(CAUTIONS["local-code"]),
    )

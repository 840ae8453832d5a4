"""What stands in a place, to hang on its door: as a page to print, as PDF and as CSV."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse, StreamingHttpResponse
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

CSV_COLUMNS = (
    "place", "code", "solvent", "signal_word", "volume_ul", "capacity_ul", "opened", "opened_on", "test_by",
    "level", "verdict",
)  # fmt: skip


def _found(desk: Desk, location: str) -> tuple[Location, list[Bottle], list[WasteContainer]]:
    """The place, and what stands in it and below: by place, then by code."""
    place = desk.caller.by_id(Location.objects.all(), location)
    inside = storage.below(place.pk)
    held = Container.objects.filter(lab=desk.lab, location__in=inside, discarded_at=None)
    ids = held.order_by("location__name", "code").values_list("pk", flat=True)
    waste = WasteContainer.objects.filter(lab=desk.lab, location__in=inside, collected_at=None)
    rows = waste.select_related("location").order_by("code")
    return place, bottles(ids=ids, today=desk.today), list(rows)


def signal(bottle: Bottle) -> str:
    """The signal word; where none is on record it says so, which is no promise."""
    if bottle.signal_word:
        return bottle.signal_word
    if not bottle.solvent:
        return "–"
    return "–" if bottle.hazards_known else _("not on record: see the label")


@desk_page("stock.read")
def list_page(desk: Desk, location: str) -> HttpResponse:
    """The list with a style of its own for paper."""
    place, found, waste = _found(desk, location)
    rows = [
        {
            "bottle": bottle,
            "signal": signal(bottle),
            "opened": opened_words(bottle),
            "grave": bottle.alone or bottle.overdue(desk.today),
        }
        for bottle in found
    ]
    context: dict[str, Any] = {
        "place": place,
        "rows": rows,
        "waste": waste,
        "now": desk.now,
        "papers": PAPERS,
    }
    context |= {"local_code": spoken(CAUTIONS["local-code"]), "several": len({b.place for b in found}) > 1}
    return desk.render("inventory/cabinet_list.html", context, here="more")


@desk_page("stock.read")
def list_csv(desk: Desk, location: str) -> StreamingHttpResponse:
    place, found, _waste = _found(desk, location)
    rows = [
        [
            *(one.place, one.code, one.solvent, one.signal_word, one.volume_ul, one.capacity_ul),
            *(one.opened, one.opened_on, one.due_on, one.told.level, one.told.verdict),
        ]
        for one in found
    ]
    return csv_file(f"{desk.lab.slug}-place-{place.pk}", CSV_COLUMNS, rows)


@desk_page("stock.read")
def list_file(desk: Desk, location: str) -> HttpResponse:
    """The same as PDF. paper: a4 or letter."""
    place, found, waste = _found(desk, location)
    size = desk.request.GET.get("paper", "a4")
    paper = Paper(
        title=place.name,
        facts=[
            (_("Laboratory"), desk.lab.name),
            (_("As it stood on"), f"{localtime(desk.now):%Y-%m-%d %H:%M}"),
            (_("In an emergency"), desk.lab.emergency_text or _("Follow the notice in the room.")),
        ],
        parts=[_bottles(desk, found), _wastes(desk, waste)],
        foot=f"{place.name} · {desk.lab.name}",
        page_words=_("Page {page} of {pages}"),
    )
    name = f"{desk.lab.slug}-place-{place.pk}"
    return pdf_answer(paper, size if size in dict(PAPERS) else "a4", name)


def _bottles(desk: Desk, found: list[Bottle]) -> Part:
    return Part(
        title=_("What stands in it"),
        columns=[
            Column(_("Code"), 12),
            Column(_("What is in it"), 20),
            Column(_("Signal word"), 11),
            Column(_("Amount"), 10, right=True),
            Column(_("Opened"), 11),
            Column(_("Test by"), 11),
            Column(_("Verdict today"), 19, strong=True),
            Column(_("Place"), 14),
        ],
        lines=[
            Line(
                [
                    one.code,
                    one.solvent or _("empty, never filled"),
                    signal(one),
                    amount(one.volume_ul) if one.volume_ul else _("empty"),
                    opened_words(one),
                    day(one.due_on),
                    spoken(one.told.verdict),
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

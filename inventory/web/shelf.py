"""The shelf: every container of the lab with filters kept in the address, as a page and as CSV."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.http import HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext_lazy

from inventory.models import Location, Solvent
from inventory.selectors.due import READINGS_BAD
from inventory.selectors.shelf import COLUMNS, Sort, containers_listed
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page

PAGE = 100
CSV_PAGE = 500
ORDERS = {
    "due": (Sort("next_test_due", nullable=True), Sort("id")),
    "code": (Sort("code"), Sort("id")),
    "opened": (Sort("opened_on", nullable=True), Sort("id")),
    "least": (Sort("volume_ul"), Sort("id")),
}
KINDS = {
    "": gettext_lazy("in use"),
    "signs": gettext_lazy("with a sign seen on them"),
    "empty": gettext_lazy("empty ones"),
    "unopened": gettext_lazy("not opened yet"),
    "discarded": gettext_lazy("discarded ones"),
}
_GIVEN: dict[str, dict[str, Any]] = {
    "": {},
    "signs": {"signs": True},
    "empty": {"empty": True},
    "unopened": {"opened": "unopened"},
    "discarded": {"discarded": True},
}
CSV_COLUMNS = (
    "code", "solvent_name", "location_name", "volume_ul", "capacity_ul", "received_on", "opened",
    "opened_on", "next_test_due", "due_words", "worst_sign", "discarded_at",
)  # fmt: skip


class ShelfFilter(forms.Form):
    """What to show. It reads, so it needs no key, and its answer has an address of its own."""

    q = forms.CharField(
        label=gettext_lazy("Search"),
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
    )
    solvent = forms.ChoiceField(label=gettext_lazy("Solvent"), required=False, choices=[])
    place = forms.ChoiceField(label=gettext_lazy("Place"), required=False, choices=[])
    kind = forms.ChoiceField(label=gettext_lazy("Which"), required=False, choices=list(KINDS.items()))
    order = forms.ChoiceField(
        label=gettext_lazy("Order"),
        required=False,
        choices=[
            ("due", gettext_lazy("next test first")),
            ("code", gettext_lazy("by code")),
            ("opened", gettext_lazy("longest open first")),
            ("least", gettext_lazy("least content first")),
        ],
    )

    def __init__(self, data: Any, *, desk: Desk) -> None:
        super().__init__(data, label_suffix="")
        solvents = Solvent.objects.filter(lots__lab=desk.lab).distinct().order_by("name")
        places = Location.objects.filter(lab=desk.lab, ended_at=None).order_by("name")
        for name, rows in (("solvent", solvents), ("place", places)):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = [("", gettext_lazy("all")), *((str(row.pk), row.name) for row in rows)]

    def given(self) -> tuple[dict[str, Any], str]:
        """Filters as the selector takes them, and the order. What cannot be read is left out."""
        told = self.cleaned_data if self.is_valid() else getattr(self, "cleaned_data", {})
        given: dict[str, Any] = dict(_GIVEN[told.get("kind", "")])
        if told.get("q"):
            given["q"] = told["q"]
        if told.get("solvent"):
            given["solvent"] = told["solvent"]
        if told.get("place"):
            given["location"] = int(told["place"])
        return given, told.get("order") or "due"


@desk_page("stock.read")
def shelf(desk: Desk) -> HttpResponse:
    """A hundred containers at a time."""
    form = ShelfFilter(desk.request.GET, desk=desk)
    given, order = form.given()
    keys = ORDERS[order]
    rows = containers_listed(
        lab=desk.lab, given=given, order=keys, place=_after(desk.request.GET.get("after", "")), limit=PAGE + 1
    )
    shown = rows[:PAGE]
    kept = {name: value for name, value in desk.request.GET.items() if value and name != "after"}
    more = urlencode({**kept, "after": _mark(shown[-1], len(keys))}) if len(rows) > PAGE else ""
    return desk.render(
        "inventory/shelf.html",
        {
            "form": form,
            "rows": (named := [_marked(_named(row, len(keys)), desk.today) for row in shown]),
            "codes": " ".join(row["code"] for row in named),
            "more": more,
            "download": urlencode(kept),
            "filtered": bool(kept),
        },
        here="shelf",
    )


@desk_page("stock.read")
def shelf_csv(desk: Desk) -> StreamingHttpResponse:
    """The same list, all of it, for a spreadsheet. Volumes are in µL at 20 °C."""
    given, order = ShelfFilter(desk.request.GET, desk=desk).given()
    return csv_file(f"{desk.lab.slug}-shelf", CSV_COLUMNS, _rows(desk, given, order))


def _rows(desk: Desk, given: dict[str, Any], order: str) -> Iterator[list[Any]]:
    keys = ORDERS[order]
    place: list[Any] | None = None
    while True:
        rows = containers_listed(lab=desk.lab, given=given, order=keys, place=place, limit=CSV_PAGE)
        for row in rows:
            named = _named(row, len(keys))
            yield [named[name] for name in CSV_COLUMNS]
        if len(rows) < CSV_PAGE:
            return
        place = list(rows[-1][: len(keys)])


def _named(row: tuple[Any, ...], keys: int) -> dict[str, Any]:
    named = dict(zip(COLUMNS, row[keys:], strict=True))
    for name in ("next_test_due", "opened_on", "received_on"):
        # SQLite gives days as text where the statement is written out.
        if isinstance(named[name], str):
            named[name] = date.fromisoformat(named[name])
    return named


def _marked(named: dict[str, Any], today: date) -> dict[str, Any]:
    """With what is wrong of it: a test that does not pass says more than the day of the next one."""
    due = named["next_test_due"]
    failed = named["due_code"] in READINGS_BAD and named["volume_ul"] > 0
    return {**named, "failed": failed, "overdue": due is not None and due < today}


def _mark(row: tuple[Any, ...], keys: int) -> str:
    return "~".join("" if value is None else str(value) for value in row[:keys])


def _after(text: str) -> list[Any] | None:
    """The place in the list that an address names; an address that was tampered with starts anew."""
    value, mark, pk = text.rpartition("~")
    if not mark or not pk.isdigit() or len(pk) > 18:
        return None
    first: Any = value or None
    if value.isdigit() and len(value) <= 18:
        first = int(value)
    elif re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        try:
            first = date.fromisoformat(value)
        except ValueError:
            return None
    return [first, int(pk)]

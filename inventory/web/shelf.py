"""The shelf: every container of the lab with filters kept in the address, as a page and as CSV."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.http import HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext, gettext_lazy

from inventory.models import Location, Solvent
from inventory.rules.levels import LEVEL_WORDS
from inventory.rules.solvent_words import solvent_words
from inventory.selectors.due import READINGS_BAD
from inventory.selectors.shelf import WITH_DANGER, Sort, containers_listed
from inventory.selectors.shelf_danger import (
    LEAVE,
    LEAVE_PERHAPS,
    NO_USE,
    TEST_FIRST,
    UNDECIDED,
    danger_sql,
)
from inventory.services.catalogue import solvents_of
from inventory.services.due_telling import due_said
from inventory.services.facts import policy_of
from inventory.services.speaking import shown_order
from inventory.web.csv_out import csv_file, in_english
from inventory.web.desk import Desk, desk_page
from inventory.web.language import spoken

PAGE = 100
CSV_PAGE = 500
WHOLE_MAX = 18
ORDERS = {
    "due": (Sort("danger"), Sort("next_test_due", nullable=True), Sort("id")),
    "code": (Sort("code"), Sort("id")),
    "opened": (Sort("opened_on", nullable=True), Sort("id")),
    "least": (Sort("volume_ul"), Sort("id")),
}
# The level that leads in a band; what is overdue says so itself.
_LEVELS = {
    LEAVE: LEVEL_WORDS["do-not-touch"],
    NO_USE: LEVEL_WORDS["do-not-use"],
    TEST_FIRST: LEVEL_WORDS["test-first"],
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
        help_text=gettext_lazy("Among equal dangers, the next test decides."),
        choices=[
            ("due", gettext_lazy("most dangerous first")),
            ("code", gettext_lazy("by code")),
            ("opened", gettext_lazy("longest open first")),
            ("least", gettext_lazy("least content first")),
        ],
    )

    def __init__(self, data: Any, *, desk: Desk) -> None:
        super().__init__(data, label_suffix="")
        held = {row.pk: row for row in Solvent.objects.filter(lots__lab=desk.lab).distinct()}
        solvents = sorted(_with_asked(held, desk), key=lambda row: shown_order(row.name))
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


def _with_asked(held: dict[int, Solvent], desk: Desk) -> list[Solvent]:
    """The solvents that are here, and the one that is asked for, which may be of the catalogue alone."""
    ref = desk.request.GET.get("solvent", "")
    if ref.isascii() and ref.isdigit() and len(ref) <= WHOLE_MAX and int(ref) not in held:
        return [*held.values(), *solvents_of(desk.lab).filter(pk=int(ref))]
    return list(held.values())


@desk_page("stock.read")
def shelf(desk: Desk) -> HttpResponse:
    """A hundred containers at a time."""
    form = ShelfFilter(desk.request.GET, desk=desk)
    given, order = form.given()
    keys = ORDERS[order]
    place = _after(desk.request.GET.get("after", ""), keys)
    rows = _listed(desk, given, keys, place=place, limit=PAGE + 1)
    shown = rows[:PAGE]
    kept = {name: value for name, value in desk.request.GET.items() if value and name != "after"}
    more = urlencode({**kept, "after": _mark(shown[-1], len(keys))}) if len(rows) > PAGE else ""
    return desk.render(
        "inventory/shelf.html",
        {
            "form": form,
            "rows": (named := [marked(row[len(keys) :], desk.today) for row in shown]),
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
        rows = _listed(desk, given, keys, place=place, limit=CSV_PAGE)
        found = [_named(row[len(keys) :]) for row in rows]
        # Its words are kept in English: another language asks for what they came from.
        said = {} if in_english() else due_said([named["id"] for named in found], desk.today)
        for named in found:
            named["due_words"] = said.get(named["id"], named["due_words"])
            if left_alone(named):
                named["next_test_due"], named["due_words"] = None, ""
            yield [named[name] for name in CSV_COLUMNS]
        if len(rows) < CSV_PAGE:
            return
        place = list(rows[-1][: len(keys)])


def _listed(desk: Desk, given: dict[str, Any], keys: tuple[Sort, ...], **part: Any) -> list[tuple[Any, ...]]:
    danger = danger_sql(policy_of(desk.lab), desk.today)
    return containers_listed(lab=desk.lab, given=given, order=keys, danger=danger, **part)


def listed_in(desk: Desk, locations: Collection[int], limit: int) -> list[dict[str, Any]]:
    """What stands in some places, the most dangerous first, with the marks of the shelf."""
    keys = ORDERS["due"]
    rows = _listed(desk, {"inside": list(locations)}, keys, limit=limit)
    return [marked(row[len(keys) :], desk.today) for row in rows]


def _named(row: tuple[Any, ...]) -> dict[str, Any]:
    named = dict(zip(WITH_DANGER, row, strict=True))
    named["solvent_name"] = solvent_words(named["solvent_name"] or "")
    for name in ("next_test_due", "opened_on", "received_on"):
        # SQLite gives days as text where the statement is written out.
        if isinstance(named[name], str):
            named[name] = date.fromisoformat(named[name])
    return named


def marked(row: tuple[Any, ...], today: date) -> dict[str, Any]:
    """With what is wrong of it: what forbids touching or using it says more than the day of its next test.

    style: of its frame; wrong: the words that lead, "" where its sign or its day says all.
    """
    named = _named(row)
    due, band = named["next_test_due"], named["danger"]
    overdue = due is not None and due < today
    grave = band <= UNDECIDED or named["worst_sign"] != ""
    return {
        **named,
        "overdue": overdue and not left_alone(named),
        "grave": grave,
        "wrong": _wrong(named, overdue=overdue),
        "failed": named["due_code"] in READINGS_BAD,
        "style": "danger" if grave else "warn" if overdue or band == TEST_FIRST else "",
    }


def left_alone(named: Mapping[str, Any]) -> bool:
    """Nobody uses, opens or tests it, or that may be so: no day of a test is named."""
    return int(named["danger"]) <= NO_USE


def _wrong(named: Mapping[str, Any], *, overdue: bool) -> str:
    band = named["danger"]
    if band == LEAVE_PERHAPS:
        return gettext("It may have to be left alone: read its page before anybody touches it.")
    if band == NO_USE and named["quarantined_at"]:
        return gettext("barred")
    if band == TEST_FIRST and (overdue or named["worst_sign"]):
        return ""
    return spoken(_LEVELS.get(band, ""))


def _mark(row: tuple[Any, ...], keys: int) -> str:
    return "~".join("" if value is None else str(value) for value in row[:keys])


def _after(text: str, keys: tuple[Sort, ...]) -> list[Any] | None:
    """The place in the list that an address names; an address that was tampered with starts anew."""
    parts = text.rsplit("~", len(keys) - 1)
    if len(parts) != len(keys):
        return None
    try:
        return [_value(part, key) for part, key in zip(parts, keys, strict=True)]
    except ValueError:
        return None


def _value(text: str, key: Sort) -> Any:
    """One value of it, of the kind that its column holds. Raises ValueError."""
    if key.nullable:
        return date.fromisoformat(text) if text else None
    if key.column == "code":
        return text
    if not text.isascii() or not text.isdigit() or len(text) > WHOLE_MAX:
        raise ValueError(text)
    return int(text)

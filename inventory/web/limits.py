"""Limits of a place: from the shipped table or the lab's own, changed, ended. Looser is signed."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from django import forms
from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Location, StorageLimit
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import parse_quantity
from inventory.rules.storage import CATEGORIES, load_reductions, load_templates
from inventory.rules.table_words import table_words
from inventory.services import limits
from inventory.web.bench_forms import REASON, UNITS, number_input
from inventory.web.desk import Desk, DeskForm, desk_page
from inventory.web.language import spoken
from inventory.web.places import form_page, posted

EFFECTS = (
    ("warn", gettext_lazy("warn, and let it be")),
    ("refuse", gettext_lazy("refuse what goes beyond it")),
)
MEASURES = (
    ("total", gettext_lazy("all that stands there")),
    ("container", gettext_lazy("the size of each container")),
    ("waste", gettext_lazy("the waste there")),
)
KINDS_OF_LIQUID = {
    "": ("ghs", (), gettext_lazy("every liquid")),
    "1": ("ghs", ("1",), gettext_lazy("GHS category 1: boils at 35 °C or below")),
    "1-2": ("ghs", ("1", "2"), gettext_lazy("GHS categories 1 and 2")),
    "1-3": ("ghs", ("1", "2", "3"), gettext_lazy("GHS categories 1 to 3")),
    "1-4": ("ghs", CATEGORIES["ghs"], gettext_lazy("GHS categories 1 to 4")),
    "I": ("nfpa30", ("IA", "IB", "IC"), gettext_lazy("class I of NFPA 30")),
    "I-IIIA": ("nfpa30", ("IA", "IB", "IC", "II", "IIIA"), gettext_lazy("classes I to IIIA of NFPA 30")),
}


def _sets() -> list[tuple[str, str]]:
    """Sets of the table by the rule they are from, then rows that stand alone."""
    sets: dict[str, tuple[str, int]] = {}
    single = []
    for row in load_templates().values():
        if row.set:
            name, count = sets.get(
                row.set, (f"{spoken(row.name).split(':')[0].split(', ')[0]} · {spoken(row.code)}", 0)
            )
            sets[row.set] = (name, count + 1)
        else:
            single.append((row.key, f"{spoken(row.name)} · {spoken(row.code)}"))
    return [*((key, f"{name} ({count})") for key, (name, count) in sets.items()), *single]


def _grouped() -> list[tuple[Any, Any]]:
    rows = [
        (row.key, f"{spoken(row.name)}: {row.amount} · {spoken(row.code)}")
        for row in load_templates().values()
    ]
    return [
        ("", gettext_lazy("choose")),
        (gettext_lazy("Rows that belong together"), _sets()),
        (gettext_lazy("One row"), [row for row in rows if row[0] not in dict(_sets())]),
    ]


class TableForm(DeskForm):
    """Which rows of the table hold here."""

    field_of = {"template.key": "template", "template.name": "template", "limit": "template"}

    template = forms.ChoiceField(
        label=gettext_lazy("From the published tables"),
        choices=_grouped,
        help_text=gettext_lazy("None of them holds by itself: ask which one holds where you are."),
    )
    area_m2 = forms.CharField(
        label=gettext_lazy("Floor area, m²"),
        required=False,
        max_length=20,
        widget=number_input(),
        help_text=gettext_lazy("Only for figures that go by area."),
    )
    reduction = forms.ChoiceField(
        label=gettext_lazy("What the floor takes off"),
        required=False,
        choices=lambda: [
            ("", gettext_lazy("nothing")),
            *((row.key, f"{spoken(row.name)}: {row.keep_percent} %") for row in load_reductions().values()),
        ],
    )
    effect = forms.ChoiceField(
        label=gettext_lazy("What it does"),
        required=False,
        choices=[("", gettext_lazy("as the table has it")), *EFFECTS],
    )


class OwnForm(DeskForm):
    """A limit in the lab's own words, with where its figure is from."""

    field_of = {"limit": "amount"}

    name = forms.CharField(label=gettext_lazy("Name"), max_length=160)
    amount = forms.CharField(label=gettext_lazy("At most"), max_length=30, widget=number_input())
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS, initial="L")
    measure = forms.ChoiceField(label=gettext_lazy("What counts"), choices=MEASURES)
    liquids = forms.ChoiceField(
        label=gettext_lazy("Of which liquids"),
        required=False,
        choices=[(key, words) for key, (_scheme, _some, words) in KINDS_OF_LIQUID.items()],
    )
    outside_cabinets = forms.BooleanField(
        label=gettext_lazy("What stands in a cabinet does not count"), required=False
    )
    effect = forms.ChoiceField(label=gettext_lazy("What it does"), choices=EFFECTS)
    code = forms.CharField(
        label=gettext_lazy("Which rule"), max_length=120, help_text=gettext_lazy("As: school rule 4.")
    )
    source = forms.CharField(
        label=gettext_lazy("Where that can be read"), max_length=1000, widget=forms.Textarea(attrs=REASON)
    )


class LimitForm(DeskForm):
    """Stricter is free; a larger figure, or only a warning, needs a supervisor and a reason."""

    field_of = {"limit": "amount"}

    name = forms.CharField(label=gettext_lazy("Name"), max_length=160)
    amount = forms.CharField(label=gettext_lazy("At most"), max_length=30, widget=number_input())
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS)
    effect = forms.ChoiceField(label=gettext_lazy("What it does"), choices=EFFECTS)
    source = forms.CharField(
        label=gettext_lazy("Where that can be read"), max_length=1000, widget=forms.Textarea(attrs=REASON)
    )
    reason = forms.CharField(
        label=gettext_lazy("Reason, if it gets looser"),
        required=False,
        max_length=500,
        widget=forms.Textarea(attrs=REASON),
        help_text=gettext_lazy("Stricter is free. Looser is for a supervisor, and stays on record."),
    )


class EndForm(DeskForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it holds no longer"), max_length=500, widget=forms.Textarea(attrs=REASON)
    )


def amount_ul(told: dict[str, Any]) -> int:
    """Whole microlitres, rounded down: a limit never grows by rounding. Raises InputError naming `amount`."""
    raw = {"value": told["amount"], "unit": told["unit"]}
    quantity = parse_quantity(raw, field="amount", dimension="volume", allow_zero=False)
    return limits.check_size(int(quantity.to("uL")))


@desk_page("locations.edit", "POST")
def add(desk: Desk, location: str) -> HttpResponse:
    """Let rows of the table, or a limit of the lab's own, hold in a place and below."""
    place = desk.caller.by_id(Location.objects.all(), location)
    own_words = "own" in desk.request.GET
    form = (OwnForm if own_words else TableForm)(posted(desk))
    back = reverse("place", args=[desk.lab.slug, place.pk])

    def work() -> str:
        made = (_own if own_words else _from_table)(desk, place, form.cleaned_data)
        return _("Holds in %(place)s now: %(names)s.") % {
            "place": place.name,
            "names": "; ".join(row.name for row in made),
        }

    here = reverse("limit-add", args=[desk.lab.slug, place.pk])
    other = (here, _("Choose from the tables")) if own_words else (f"{here}?own=1", _("Enter one of our own"))
    return form_page(
        desk, form, work, lambda: back, title=_("Add a limit to %(name)s") % {"name": place.name},
        button=_("Let it hold"), back=back, other=other,
        words=_("It holds in this place and in all that lies in it. Follow your local code."),
    )  # fmt: skip


def _from_table(desk: Desk, place: Location, told: dict[str, Any]) -> Sequence[StorageLimit]:
    reduction = limits.reduction_named(told["reduction"]) if told["reduction"] else None
    return limits.limits_apply(
        **desk.by,
        location=place,
        templates=limits.templates_named(told["template"]),
        area_m2=_area(told["area_m2"]),
        reduction=reduction,
        effect=told["effect"],
    )


def _area(text: str) -> Decimal | None:
    if not text.strip():
        return None
    try:
        area = Decimal(text.strip().replace(",", "."))
    except InvalidOperation:
        area = Decimal("NaN")
    if not area.is_finite() or not 0 < area <= 1_000_000:
        raise InputError(
            "area_m2", "not-a-number", Phrase("That is no area."), Phrase("Write square metres, as 48.5.")
        )
    return area


def _own(desk: Desk, place: Location, told: dict[str, Any]) -> Sequence[StorageLimit]:
    scheme, categories, _words = KINDS_OF_LIQUID[told["liquids"]]
    row = limits.OwnLimit(
        limit_ul=amount_ul(told),
        scheme=scheme,
        categories=categories,
        **{name: told[name] for name in ("name", "code", "source", "measure", "effect", "outside_cabinets")},
    )
    return [limits.limit_own(**desk.by, location=place, limit=row)]


def _place_of(desk: Desk, row: StorageLimit) -> tuple[str, str]:
    return reverse("place", args=[desk.lab.slug, row.location_id]), row.location.name


def _from(row: StorageLimit, place: str) -> str:
    return _("From %(code)s, in %(place)s.") % {"code": spoken(table_words(row.code)), "place": place}


@desk_page("locations.edit", "POST")
def change(desk: Desk, limit: str) -> HttpResponse:
    """Another figure, effect, name or source."""
    row = desk.caller.by_id(StorageLimit.objects.select_related("location"), limit)
    start = {name: getattr(row, name) for name in ("name", "effect", "source")}
    litre = {"amount": f"{(Decimal(row.limit_ul) / 10**6).normalize():f}", "unit": "L"}
    form = LimitForm(posted(desk), initial={**start, **litre})
    back, place = _place_of(desk, row)

    def work() -> str:
        told = form.cleaned_data
        changes = {name: told[name] for name in ("name", "effect", "source")} | {"limit_ul": amount_ul(told)}
        may = desk.caller.may("safety.loosen")
        limits.limit_change(**desk.by, limit=row, changes=changes, reason=told["reason"], may_loosen=may)
        return _("Changed.")

    return form_page(
        desk, form, work, lambda: back, title=_("Change the limit “%(name)s”") % {"name": row.name},
        words=_from(row, place),
        button=_("Save the change"), back=back,
    )  # fmt: skip


@desk_page("safety.loosen", "POST")
def end(desk: Desk, limit: str) -> HttpResponse:
    """A limit holds no longer: for a supervisor, with a reason."""
    row = desk.caller.by_id(StorageLimit.objects.select_related("location"), limit)
    form = EndForm(posted(desk))
    back, place = _place_of(desk, row)

    def work() -> str:
        reason = form.cleaned_data["reason"]
        limits.limit_end(**desk.by, limit=row, reason=reason, may_loosen=True)
        return _("“%(name)s” holds no longer. Who ended it, and why, stays on record.") % {"name": row.name}

    return form_page(
        desk, form, work, lambda: back, title=_("End the limit “%(name)s”") % {"name": row.name},
        words=_from(row, place),
        button=_("End it"), back=back, grave=True,
    )  # fmt: skip

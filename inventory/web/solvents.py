"""The catalogue as a lab sees it: what is known of each solvent, from where, and how much there is of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlencode

from django import forms
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Solvent, StockLevel
from inventory.rules.errors import InputError
from inventory.rules.label_text import hazards_of
from inventory.selectors.stock import Stock, stock_by_solvent
from inventory.selectors.stock_levels import OnHand, on_hand
from inventory.services.catalogue import solvent_add, solvent_confirm, solvents_like, solvents_of
from inventory.services.facts import class_for_safety
from inventory.services.measuring import measured
from inventory.services.speaking import language_asked, shown_order, spoken
from inventory.services.stock_levels import stock_level_end, stock_level_put
from inventory.web.bench_forms import REASON, number_input
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, DeskForm, desk_page
from inventory.web.fact_words import on_page, shown, source_of
from inventory.web.places import form_page, posted

UNITS = (("L", "L"), ("mL", "mL"), ("kg", "kg"), ("g", "g"))
WHICH = {
    "": gettext_lazy("all"),
    "here": gettext_lazy("those that are here"),
    "short": gettext_lazy("those that run short"),
    "level": gettext_lazy("those with a level"),
    "own": gettext_lazy("our own"),
}
CLASSES = {
    "A": gettext_lazy("A: forms dangerous peroxides even unopened"),
    "B": gettext_lazy("B: dangerous when concentrated or distilled"),
    "C": gettext_lazy("C: may polymerise by its peroxides"),
    "D": gettext_lazy("D: may form peroxides, in none of the other classes"),
    "none": gettext_lazy("none: forms no peroxides"),
}
CSV_COLUMNS = (
    "solvent", "cas", "own", "state", "peroxide_class", "peroxide_basis", "density_20c_kg_m3",
    "density_source", "flash_point_c", "flash_point_source", "ghs_category", "nfpa30_class", "fresh_ul",
    "recovered_ul", "other_ul", "fit_ul", "level_ul", "short",
)  # fmt: skip


@dataclass(frozen=True)
class Listed:
    """A solvent with its stock. level None: the lab has not said how much it wants to have."""

    solvent: Solvent
    stock: Stock
    level: StockLevel | None
    held: OnHand | None

    @property
    def short(self) -> bool:
        return self.level is not None and self.held is not None and self.held.fit_ul < self.level.minimum_ul

    @property
    def peroxide_class(self) -> str:
        """As it is handled: of one that nobody has confirmed it is not known."""
        return class_for_safety(self.solvent)

    @property
    def density_source(self) -> str:
        return source_of(self.solvent.facts, "density-20c")

    @property
    def flash_source(self) -> str:
        return source_of(self.solvent.facts, "flash-point")


class SolventFilter(forms.Form):
    """Its answer has an address of its own."""

    q = forms.CharField(
        label=gettext_lazy("Search"),
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
    )
    which = forms.ChoiceField(label=gettext_lazy("Which"), required=False, choices=list(WHICH.items()))


def _listed(desk: Desk, rows: Iterable[Solvent]) -> list[Listed]:
    stock = stock_by_solvent(lab=desk.lab)
    levels = {one.solvent_id: one for one in StockLevel.objects.filter(lab=desk.lab, ended_at=None)}
    held = on_hand(level_ids=[one.pk for one in levels.values()], today=desk.today)
    return [
        Listed(row, stock.get(row.pk, Stock()), level, held.get(level.pk) if level else None)
        for row in rows
        for level in [levels.get(row.pk)]
    ]


def _asked(desk: Desk) -> tuple[SolventFilter, list[Listed]]:
    form = SolventFilter(desk.request.GET, label_suffix="")
    told = form.cleaned_data if form.is_valid() else {}
    rows = solvents_of(desk.lab)
    if told.get("q"):
        rows = rows.filter(solvents_like(lab=desk.lab, words=told["q"]))
    found = _listed(desk, sorted(rows, key=lambda row: shown_order(row.name)))
    return form, [one for one in found if _wanted(one, told.get("which", ""))]


def _wanted(one: Listed, which: str) -> bool:
    """Whether it is one of those that the form asks for."""
    if which == "here":
        return one.stock.containers > 0
    if which == "short":
        return one.short
    if which == "level":
        return one.level is not None
    return which != "own" or one.solvent.lab_id is not None


@desk_page("catalogue.read")
def solvents_page(desk: Desk) -> HttpResponse:
    """Every solvent that the lab may enter, with what matters of it and how much there is."""
    form, found = _asked(desk)
    kept = {name: value for name, value in desk.request.GET.items() if value}
    context = {"form": form, "found": found, "download": urlencode(kept), "filtered": bool(kept)}
    return desk.render("inventory/solvents.html", context, here="more")


@desk_page("catalogue.read")
def solvents_csv(desk: Desk) -> StreamingHttpResponse:
    """The same list. Volumes in µL at 20 °C."""
    _form, found = _asked(desk)
    rows = [
        [
            *(one.solvent.name, one.solvent.cas, one.solvent.lab_id is not None, one.solvent.state),
            *(one.peroxide_class, one.solvent.peroxide_basis, one.solvent.density_20c_kg_m3),
            *(one.density_source, one.solvent.flash_point_c, one.flash_source, one.solvent.ghs_category),
            *(one.solvent.nfpa30_class, one.stock.fresh_ul, one.stock.recovered_ul, one.stock.other_ul),
            *(one.held.fit_ul if one.held else None, one.level.minimum_ul if one.level else None, one.short),
        ]
        for one in found
    ]
    return csv_file(f"{desk.lab.slug}-solvents", CSV_COLUMNS, rows)


def solvent_or_404(desk: Desk, ref: str) -> Solvent:
    """By id or key, shipped or the lab's own."""
    own = solvents_of(desk.lab)
    found = own.filter(pk=int(ref)).first() if ref.isascii() and ref.isdigit() and len(ref) < 19 else None
    found = found or (own.filter(key=ref).first() if "\x00" not in ref else None)
    if found is None:
        raise Http404
    return found


@desk_page("catalogue.read")
def solvent_page(desk: Desk, solvent: str) -> HttpResponse:
    """All that is recorded of one solvent, each value with its source."""
    found = solvent_or_404(desk, solvent)
    (listed,) = _listed(desk, solvents_of(desk.lab).filter(pk=found.pk))
    context = {
        "one": listed,
        "solvent": found,
        "facts": on_page(shown(found.facts)),
        "hazards": hazards_of(found.key, language_asked()),
        "class_words": CLASSES.get(listed.peroxide_class, _("not known: handled as the worst")),
        "to_confirm": found.state == Solvent.State.UNCONFIRMED,
    }
    return desk.render("inventory/solvent.html", context, here="more")


class AddForm(DeskForm):
    """By its CAS number; the data come from a library and count as unconfirmed."""

    field_of = {"density_20c_kg_m3": "density"}

    cas = forms.CharField(
        label=gettext_lazy("CAS number"),
        max_length=20,
        help_text=gettext_lazy("As 110-54-3. It stands on the label and on the data sheet."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    name = forms.CharField(label=gettext_lazy("Name that you use"), required=False, max_length=120)
    density = forms.CharField(
        label=gettext_lazy("Density at 20 °C, kg/m³"),
        required=False,
        max_length=20,
        widget=number_input(),
        help_text=gettext_lazy("Only if you are asked for it."),
    )


@desk_page("catalogue.add", "POST")
def add(desk: Desk) -> HttpResponse:
    """A solvent that is not listed yet."""
    form = AddForm(posted(desk))
    made: list[Solvent] = []

    def work() -> str:
        told = form.cleaned_data
        density = told["density"].replace(",", ".")
        row = solvent_add(**desk.by, cas=told["cas"], name=told["name"], density_20c_kg_m3=density)
        made.append(row)
        return _("%(name)s is listed. Until its class is confirmed it is handled as the worst.") % {
            "name": spoken(row.name)
        }

    def to() -> str:
        if made:
            return reverse("solvent", args=[desk.lab.slug, made[0].pk])
        return reverse("solvents", args=[desk.lab.slug]) + "?which=own"

    return form_page(
        desk, form, work, to, title=_("Add a solvent"), button=_("Look it up and add it"),
        words=_("Its data come from a library of published values. A steward confirms its peroxide class "
                "afterwards, from a table or data sheet."),
        back=reverse("solvents", args=[desk.lab.slug]),
    )  # fmt: skip


class ConfirmForm(DeskForm):
    """A steward answers for the class, with where it is from."""

    peroxide_class = forms.ChoiceField(
        label=gettext_lazy("Class of peroxide former"), choices=list(CLASSES.items())
    )
    basis = forms.CharField(
        label=gettext_lazy("The table or sheet it is from"),
        max_length=500,
        widget=forms.Textarea(attrs=REASON),
        help_text=gettext_lazy("Where a container would look safer by it, a supervisor signs for it."),
    )


@desk_page("catalogue.confirm", "POST")
def confirm(desk: Desk, solvent: str) -> HttpResponse:
    """The class of a solvent of the lab's own."""
    found = solvent_or_404(desk, solvent)
    form = ConfirmForm(posted(desk))
    back = reverse("solvent", args=[desk.lab.slug, found.pk])

    def work() -> str:
        told = form.cleaned_data
        may = desk.caller.may("safety.loosen")
        given = {"peroxide_class": told["peroxide_class"], "basis": told["basis"]}
        solvent_confirm(**desk.by, solvent=found, may_loosen=may, **given)
        return _("Confirmed.")

    return form_page(
        desk, form, work, lambda: back, title=_("Confirm %(name)s") % {"name": spoken(found.name)},
        words=_("Look it up in a table of peroxide formers; “none” needs a source as well."),
        button=_("Confirm the solvent"), back=back,
    )  # fmt: skip


class LevelForm(DeskForm):
    """How much there should be at least."""

    field_of = {"minimum": "amount", "solvent": "amount"}

    amount = forms.CharField(
        label=gettext_lazy("At least"),
        required=False,
        max_length=30,
        widget=number_input(),
        help_text=gettext_lazy("Less of it fit to use is told as running short. Empty: no level any more."),
    )
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS)
    note = forms.CharField(label=gettext_lazy("Note"), required=False, max_length=200)


@desk_page("stock.levels", "POST")
def level(desk: Desk, solvent: str) -> HttpResponse:
    """Set the level of a solvent, another one, or none."""
    found = solvent_or_404(desk, solvent)
    held = StockLevel.objects.filter(lab=desk.lab, solvent=found, ended_at=None).first()
    start = {"amount": f"{held.minimum_ul / 10**6:g}", "note": held.note} if held else {}
    form = LevelForm(posted(desk), initial={"unit": "L", **start})
    back = reverse("solvent", args=[desk.lab.slug, found.pk])

    def work() -> str:
        told = form.cleaned_data
        if told["amount"].strip():
            raw = {"value": told["amount"], "unit": told["unit"]}
            wanted = measured(raw, found, field="minimum")
            stock_level_put(**desk.by, solvent=found, minimum_ul=wanted.volume_ul, note=told["note"])
            return _("The level is set.")
        if held is None:
            raise InputError("amount", "missing", _("How much is not said."), _("Write an amount."))
        stock_level_end(**desk.by, level=held)
        return _("There is no level any more.")

    return form_page(
        desk, form, work, lambda: back, title=_("Level of %(name)s") % {"name": spoken(found.name)},
        button=_("Set the level"), back=back,
    )  # fmt: skip

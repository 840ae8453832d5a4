"""A container comes in: what is on its label, and nothing that is not known."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Location
from inventory.rules.quantity import parse_quantity
from inventory.services.catalogue import solvent_named, solvents_of
from inventory.services.containers import ContainerFacts, LotFacts, receive
from inventory.services.speaking import shown_order
from inventory.services.storage import Override
from inventory.templatetags.amounts import UNIT
from inventory.web.bench_forms import UNITS, number_input, size_ul
from inventory.web.desk import Desk, DeskForm, desk_page, done, status_of

DAY = {"type": "date"}
UNKNOWN, YES, NO = "unknown", "yes", "no"


def _day(label: Any, help_text: Any = "") -> forms.DateField:
    widget = forms.DateInput(attrs=DAY, format="%Y-%m-%d")
    return forms.DateField(label=label, required=False, help_text=help_text, widget=widget)


class ReceiveForm(DeskForm):
    """What is left empty counts as not known, which is handled as the worst case."""

    field_of = {
        "volume": "amount",
        "expiry_on": "expiry_on",
        "tare": "tare",
        "container": "code",
    }

    solvent = forms.CharField(
        label=gettext_lazy("Solvent"),
        max_length=120,
        widget=forms.TextInput(attrs={"list": "solvents", "autocomplete": "off", "autofocus": True}),
        help_text=gettext_lazy("Name, synonym or CAS number."),
    )
    amount = forms.CharField(label=gettext_lazy("How much is in it"), max_length=30, widget=number_input())
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS)
    capacity = forms.CharField(
        label=gettext_lazy("Size of the container"),
        required=False,
        max_length=30,
        widget=number_input(),
        help_text=gettext_lazy("In the same unit. Empty: it is full."),
    )
    received_on = _day(gettext_lazy("Received on"))
    opened = forms.ChoiceField(
        label=gettext_lazy("Opened?"),
        choices=[
            ("unopened", gettext_lazy("not yet")),
            ("opened", gettext_lazy("yes")),
            ("unknown", gettext_lazy("not known")),
        ],
    )
    opened_on = _day(gettext_lazy("Opened on"), gettext_lazy("If it has been opened and the day is known."))
    location = forms.ModelChoiceField(
        label=gettext_lazy("Place"), required=False, queryset=Location.objects.none(),
        empty_label=gettext_lazy("not put away yet"),
    )  # fmt: skip
    maker = forms.CharField(label=gettext_lazy("Maker"), required=False, max_length=120)
    maker_lot = forms.CharField(label=gettext_lazy("Maker's lot"), required=False, max_length=80)
    expiry_on = _day(gettext_lazy("Expiry on the label"))
    inhibited = forms.ChoiceField(
        label=gettext_lazy("Inhibitor on the label?"),
        choices=[
            (UNKNOWN, gettext_lazy("not told")), (YES, gettext_lazy("yes")), (NO, gettext_lazy("no")),
        ],
    )  # fmt: skip
    inhibitor = forms.CharField(
        label=gettext_lazy("Which inhibitor"),
        required=False,
        max_length=60,
        help_text=gettext_lazy("As BHT 5 ppm."),
    )
    origin = forms.ChoiceField(
        label=gettext_lazy("Where from"),
        choices=[
            ("purchased", gettext_lazy("bought")),
            ("made-here", gettext_lazy("made here")),
            ("recovered", gettext_lazy("distilled back, before counting began")),
            ("not-known", gettext_lazy("not known")),
        ],
    )
    code = forms.CharField(
        label=gettext_lazy("A code of your own"),
        required=False,
        max_length=24,
        help_text=gettext_lazy("Empty: one with a check character is made."),
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
    )
    tare = forms.CharField(
        label=gettext_lazy("Empty weight in g"), required=False, max_length=30, widget=number_input()
    )
    note = forms.CharField(label=gettext_lazy("Note"), required=False, max_length=500)
    override_reason = forms.CharField(
        label=gettext_lazy("Reason against a storage rule that refuses"),
        required=False,
        max_length=500,
        help_text=gettext_lazy("Only a supervisor may give one."),
    )

    seldom = ("origin", "code", "tare", "note", "override_reason")

    def __init__(self, *args: Any, desk: Desk, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["location"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Location.objects.filter(lab=desk.lab, ended_at=None).order_by("name")

    def often(self) -> list[Any]:
        return [field for field in self.visible_fields() if field.name not in self.seldom]

    def rarely(self) -> list[Any]:
        return [self[name] for name in self.seldom]


@desk_page("stock.receive", "POST")
def receive_page(desk: Desk) -> HttpResponse:
    """Receive a filled container and go to its page, from where its label is printed.

    `?solvent=` is the id of what is low: it stands there already.
    """
    request = desk.request
    start: dict[str, Any] = {
        "received_on": desk.today,
        "opened": "unopened",
        "unit": UNIT.get() or "mL",
        "origin": "purchased",
    }
    low = request.GET.get("solvent", "")
    if low.isascii() and low.isdigit() and len(low) < 19:
        start["solvent"] = solvents_of(desk.lab).filter(pk=low).values_list("name", flat=True).first() or ""
    form = ReceiveForm(request.POST if request.method == "POST" else None, desk=desk, initial=start)
    if request.method == "POST" and form.is_valid():
        code = done(desk, form, lambda: _received(desk, form))
        if code is not None:
            messages.success(request, _("Received as %(code)s. Label it now.") % {"code": code})
            return redirect("container", slug=desk.lab.slug, code=code)
    names = sorted(solvents_of(desk.lab).values_list("name", flat=True), key=shown_order)
    context = {"form": form, "names": names}
    return desk.render("inventory/receive.html", context, here="shelf", status=status_of(form))


def _received(desk: Desk, form: ReceiveForm) -> str:
    told = form.cleaned_data
    made = receive(
        **desk.by,
        solvent=solvent_named(lab=desk.lab, name=told["solvent"]),
        amount={"value": told["amount"], "unit": told["unit"]},
        facts=_facts(told),
        lot=_lot(told),
        override=Override(told["override_reason"], allowed=desk.caller.may("safety.loosen")),
    )
    return made.container.code


def _facts(told: dict[str, Any]) -> ContainerFacts:
    tare = told["tare"]
    return ContainerFacts(
        code=told["code"],
        capacity_ul=_capacity_ul(told),
        tare_mg=int(parse_quantity(f"{tare} g", field="tare", dimension="mass").to("mg")) if tare else None,
        received_on=told["received_on"],
        opened=told["opened"],
        opened_on=told["opened_on"],
        location=told["location"],
        note=told["note"],
    )


def _capacity_ul(told: dict[str, Any]) -> int:
    """The size told, or just what is in it."""
    text = told["capacity"] or told["amount"]
    field = "capacity" if told["capacity"] else "amount"
    return size_ul(text, told["unit"], field)


def _lot(told: dict[str, Any]) -> LotFacts:
    return LotFacts(
        origin=told["origin"],
        maker=told["maker"],
        maker_lot=told["maker_lot"],
        expiry_on=told["expiry_on"],
        inhibited={YES: True, NO: False}.get(told["inhibited"]),
        inhibitor=told["inhibitor"],
    )

"""A place comes, changes or goes out of use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Model
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Location
from inventory.rules.quantity import parse_quantity
from inventory.services.locations import location_add, location_change, location_end
from inventory.services.storage import Override
from inventory.web.bench_forms import REASON, number_input
from inventory.web.desk import Desk, DeskForm, desk_page, done, status_of
from inventory.web.language import spoken
from inventory.web.storage import KINDS


class PlaceForm(DeskForm):
    """A name, what it is, and what it stands in."""

    name = forms.CharField(
        label=gettext_lazy("Name"),
        max_length=120,
        help_text=gettext_lazy("As it is written on the door: Blue cabinet, Shelf 2."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    kind = forms.ChoiceField(
        label=gettext_lazy("What it is"),
        choices=list(KINDS.items()),
        help_text=gettext_lazy("A plain cupboard is an “other place”: only a cabinet for flammable liquids "
                               "counts as a cabinet."),
    )  # fmt: skip
    parent = forms.ModelChoiceField(
        label=gettext_lazy("Stands in"), required=False, queryset=Location.objects.none(),
        empty_label=gettext_lazy("nothing else"),
    )  # fmt: skip

    def __init__(self, *args: Any, desk: Desk, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["parent"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Location.objects.filter(lab=desk.lab, ended_at=None).order_by("name")


class ChangeForm(PlaceForm):
    """What moves takes everything in it along, against the limits of its new place."""

    field_of = {"override_reason": "reason", "room_volume": "room_volume", "air_changes": "air_changes"}

    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=500, widget=forms.Textarea(attrs=REASON)
    )
    room_volume = forms.CharField(
        label=gettext_lazy("Air in the room, m³"),
        required=False,
        max_length=20,
        widget=number_input(),
        help_text=gettext_lazy("For the check of vapour. Empty: not known."),
    )
    air_changes = forms.CharField(
        label=gettext_lazy("Changes of air an hour"), required=False, max_length=20, widget=number_input()
    )
    reason = forms.CharField(
        label=gettext_lazy("Reason against a storage rule that refuses"),
        required=False,
        max_length=500,
        help_text=gettext_lazy("Only a supervisor may give one."),
    )

    def changes(self) -> dict[str, Any]:
        """What the service takes. Raises InputError naming the figure that cannot be read."""
        told = self.cleaned_data
        air = {
            "volume_m3": _figure(told["room_volume"], "room_volume", "volume", "m3"),
            "air_changes_per_h": _figure(told["air_changes"], "air_changes", "frequency", "/h"),
        }
        return {**{name: told[name] for name in ("name", "kind", "note", "parent")}, **air}


def _figure(text: str, field: str, dimension: Any, unit: str) -> Any:
    if not text.strip():
        return None
    return parse_quantity({"value": text, "unit": unit}, field=field, dimension=dimension).to(unit)


class EndForm(DeskForm):
    """Why it goes out of use."""

    field_of = {"location": ""}

    reason = forms.CharField(
        label=gettext_lazy("Reason"), max_length=500, widget=forms.Textarea(attrs=REASON)
    )


def form_page(
    desk: Desk,
    form: DeskForm,
    work: Callable[[], str],
    to: Callable[[], str],
    about: Model | None = None,
    *,
    template: str = "inventory/keeping_form.html",
    **context: Any,
) -> HttpResponse:
    """A page with one form: carried out, it leads on to the address `to` and tells what was done.

    about: the record that it is of. context: with `queue`, how it is called while it waits for the network.
    """
    if desk.request.method == "POST" and form.is_valid():
        words = done(desk, form, work, about)
        if words is not None:
            messages.success(desk.request, words)
            return redirect(to())
    context = {"form": form, **context}
    return desk.render(template, context, here="more", status=status_of(form))


def posted(desk: Desk) -> Any:
    return desk.request.POST if desk.request.method == "POST" else None


@desk_page("locations.edit", "POST")
def add(desk: Desk) -> HttpResponse:
    """A new room, cabinet or shelf."""
    start = {"kind": "shelf", "parent": desk.request.GET.get("in")}
    form = PlaceForm(posted(desk), desk=desk, initial=start)

    def work() -> str:
        told = form.cleaned_data
        made = location_add(**desk.by, name=told["name"], kind=told["kind"], parent=told["parent"])
        return _("%(name)s is there now.") % {"name": made.name}

    return form_page(
        desk, form, work, lambda: reverse("storage", args=[desk.lab.slug]),
        title=_("Add a place"), button=_("Add the place"), back=reverse("storage", args=[desk.lab.slug]),
        back_words=_("Storage"),
    )  # fmt: skip


@desk_page("locations.edit", "POST")
def change(desk: Desk, location: str) -> HttpResponse:
    """Another name, kind or place for a place, and what is known of its air."""
    place = desk.caller.by_id(Location.objects.all(), location)
    names = ("name", "kind", "parent", "note")
    start = {name: getattr(place, name) for name in names}
    start |= {"room_volume": place.volume_m3, "air_changes": place.air_changes_per_h}
    form = ChangeForm(posted(desk), desk=desk, initial=start)
    own = reverse("place", args=[desk.lab.slug, place.pk])

    def work() -> str:
        reason = form.cleaned_data["reason"]
        override = Override(reason, allowed=desk.caller.may("safety.loosen"))
        found = location_change(
            **desk.by, location=place, changes=form.changes(), reason=reason, override=override
        )
        said = [_("Changed.")] + [spoken(warning.words) for warning in found.warnings]
        return " ".join(said)

    return form_page(
        desk, form, work, lambda: own, title=_("Change or move %(name)s") % {"name": place.name},
        button=_("Save the change"), back=own, back_words=place.name,
    )  # fmt: skip


@desk_page("locations.edit", "POST")
def end(desk: Desk, location: str) -> HttpResponse:
    """A place that is empty goes out of use."""
    place = desk.caller.by_id(Location.objects.all(), location)
    form = EndForm(posted(desk))
    own = reverse("place", args=[desk.lab.slug, place.pk])

    def work() -> str:
        location_end(**desk.by, location=place, reason=form.cleaned_data["reason"])
        return _("%(name)s is out of use, and its limits with it.") % {"name": place.name}

    return form_page(
        desk, form, work, lambda: reverse("storage", args=[desk.lab.slug]),
        title=_("Take %(name)s out of use") % {"name": place.name}, button=_("Take it out of use"),
        words=_("Only an empty place goes out of use: nothing may stand in it, and no other place."),
        back=own, back_words=place.name, grave=True,
    )  # fmt: skip

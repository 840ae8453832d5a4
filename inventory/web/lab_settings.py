"""What a supervisor settles for the whole lab: its name and zone, whom to ring, and when alerts go on."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Lab
from inventory.services.importing import lock_lab
from inventory.services.lab_editing import TEXTS, lab_edit
from inventory.web import common_fields
from inventory.web.bench_forms import REASON
from inventory.web.desk import Desk, DeskForm, desk_page
from inventory.web.places import form_page, posted


class LabForm(DeskForm):
    """The facts of the lab as they stand; what is left as it is, is not written again."""

    name = forms.CharField(
        label=gettext_lazy("Name of the lab"), max_length=Lab._meta.get_field("name").max_length
    )
    emergency_text = common_fields.emergency_text()
    contact = common_fields.contact()
    time_zone = forms.CharField(
        label=gettext_lazy("Time zone"),
        max_length=Lab._meta.get_field("time_zone").max_length,
        help_text=gettext_lazy("Decides on which day a test falls due. A name such as Europe/Berlin."),
        widget=forms.TextInput(attrs={"autocapitalize": "none", "spellcheck": "false"}),
    )
    due_soon_days = forms.IntegerField(
        label=gettext_lazy("A test is due soon this many days before"), min_value=0, max_value=365
    )
    escalate_after_hours = forms.IntegerField(
        label=gettext_lazy("Hours until an alert that nobody answers goes to the supervisors"),
        min_value=1,
        max_value=720,
        help_text=gettext_lazy("More than now needs a reason."),
    )
    digest_at = forms.TimeField(
        label=gettext_lazy("When the mail of the morning goes out"),
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )
    reason = forms.CharField(
        label=gettext_lazy("Reason"), required=False, max_length=500, widget=forms.Textarea(attrs=REASON)
    )

    def __init__(self, *args: Any, lab: Lab, **kwargs: Any) -> None:
        super().__init__(*args, initial={name: getattr(lab, name) for name in TEXTS}, **kwargs)

    def changes(self) -> dict[str, Any]:
        """What was changed on the page, so that an older page takes back nothing that it did not touch."""
        return {name: self.cleaned_data[name] for name in self.changed_data if name in TEXTS}


@desk_page("lab.edit", "POST")
def lab_settings(desk: Desk) -> HttpResponse:
    """The rules for test dates have a page of their own."""
    form = LabForm(posted(desk), lab=desk.lab)
    own = reverse("lab", args=[desk.lab.slug])

    def work() -> str:
        told = {**desk.by, "lab": lock_lab(desk.lab)}
        lab_edit(**told, changes=form.changes(), reason=form.cleaned_data["reason"])
        return _("Changed.")

    return form_page(
        desk, form, work, lambda: own, title=_("The lab"), button=_("Save the settings"), back=own,
        other=(reverse("policies", args=[desk.lab.slug]), _("Retest policies")),
    )  # fmt: skip

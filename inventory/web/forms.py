"""Forms of the pages that let people in. The services decide; a form only asks and shows what they refuse."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Lab, User
from inventory.rules.errors import InputError
from inventory.rules.policy_data import DEFAULT_POLICY_KEY
from inventory.web import common_fields
from inventory.web.language import spoken
from inventory.web.policy_choice import shipped_choices

REGIONS = frozenset(
    [
        "Africa",
        "America",
        "Antarctica",
        "Arctic",
        "Asia",
        "Atlantic",
        "Australia",
        "Europe",
        "Indian",
        "Pacific",
    ]
)


def time_zone_choices() -> list[Any]:
    """Nothing chosen, UTC, then every place of the tz database, grouped by region."""
    places = sorted(zone for zone in available_timezones() if zone.split("/")[0] in REGIONS and "/" in zone)
    grouped = groupby(places, key=lambda zone: zone.split("/")[0])
    return [
        ("", _("Choose the zone of your lab")),
        ("UTC", "UTC"),
        *((region, [(zone, zone.replace("_", " ")) for zone in zones]) for region, zones in grouped),
    ]


class PersonForm(forms.Form):
    """A new person: sign-in name, name, and the password twice."""

    field_of: Mapping[str, str] = {"username": "username", "password": "password"}

    username = forms.CharField(
        label=gettext_lazy("Sign-in name"),
        max_length=150,
        help_text=gettext_lazy("Letters, digits and @ . + - _"),
        widget=forms.TextInput(
            attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}
        ),
    )
    person_name = forms.CharField(
        label=gettext_lazy("Your name"),
        max_length=150,
        required=False,
        help_text=gettext_lazy("As others in the lab know you."),
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )
    password = common_fields.new_password(gettext_lazy("Password"))
    again = common_fields.same_password()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("password") != cleaned.get("again") and "again" in cleaned:
            self.add_error("again", _("This is not the same password. Type both again."))
        return cleaned

    def refuse(self, error: InputError) -> None:
        """Show a service's refusal at the field it names."""
        self.add_error(
            self.field_of.get(error.field), f"{spoken(error.detail)} {spoken(error.remedy)}".strip()
        )

    def person(self) -> dict[str, str]:
        """What the service needs of the person."""
        return {name: self.cleaned_data[name] for name in ("username", "password", "person_name")}

    def lab(self) -> dict[str, str]:
        """What the service needs of a lab: nothing, an invitation names it."""
        return {}


class SetUpForm(PersonForm):
    """The first person and the lab."""

    field_of = {
        **PersonForm.field_of,
        "name": "lab_name",
        "slug": "lab_name",
        "time_zone": "time_zone",
        "policy": "policy",
        "reason": "policy_reason",
    }

    lab_name = forms.CharField(
        label=gettext_lazy("Name of the lab"),
        max_length=Lab._meta.get_field("name").max_length,
        widget=forms.TextInput(attrs={"autocomplete": "organization"}),
    )
    time_zone = forms.ChoiceField(
        label=gettext_lazy("Time zone"),
        choices=time_zone_choices,
        help_text=gettext_lazy("Test dates, quiet hours and all times on pages follow it."),
        # zone.js chooses that of the browser, if it is one of these and nobody has chosen yet.
        widget=forms.Select(attrs={"data-own-zone": ""}),
    )
    policy = forms.ChoiceField(
        label=gettext_lazy("Rules for peroxide tests"),
        choices=shipped_choices,
        initial=DEFAULT_POLICY_KEY,
        required=False,
        help_text=gettext_lazy("Each is described below with its source. You can change it later."),
    )
    policy_reason = forms.CharField(
        label=gettext_lazy("Why not the cautious default"),
        required=False,
        max_length=500,
        help_text=gettext_lazy("Needed where the rules you choose are looser in anything."),
    )
    emergency_text = common_fields.emergency_text()
    contact = common_fields.contact()

    def lab(self) -> dict[str, str]:
        cleaned = self.cleaned_data
        told = ("time_zone", "policy", "policy_reason", "emergency_text", "contact")
        texts = {name: cleaned[name] for name in told}
        return {"name": cleaned["lab_name"], **texts}


def role_name(role: str) -> str:
    """A role in the language of the page; one without a name of its own as it is kept."""
    names = {
        "member": _("member"),
        "steward": _("steward"),
        "supervisor": _("supervisor"),
        "auditor": _("auditor"),
    }
    return names.get(role, role)


def role_words() -> dict[str, str]:
    return {
        "member": _("takes solvent, logs runs and tests"),
        "steward": _("receives, labels, counts, imports, discards"),
        "supervisor": _("sets policy and invites people"),
        "auditor": _("reads everything, changes nothing"),
    }


def user_or_none(user: Any) -> User | None:
    """The signed-in person, if there is one."""
    return user if user.is_authenticated else None

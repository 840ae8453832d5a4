"""Forms of the pages on which people look after their own account."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.http import HttpRequest
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Passkey, User
from inventory.rules.errors import InputError
from inventory.rules.shown_units import UNITS
from inventory.web import common_fields
from inventory.web.attempts import Limit, give_back, take, too_many
from inventory.web.language import spoken

# Whoever finds a phone that is signed in must not guess the password here instead of at the door.
BY_PERSON = Limit("own-password", attempts=8, seconds=15 * 60)


class OwnForm(forms.Form):
    """A form about oneself; `refuse` shows what a service says at the field it names."""

    wait_seconds = 0

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})

    def refuse(self, error: InputError) -> None:
        at = error.field if error.field in self.fields else None
        self.add_error(at, f"{spoken(error.detail)} {spoken(error.remedy)}".strip())

    @property
    def status(self) -> int:
        if self.wait_seconds:
            return 429
        return 400 if self.errors else 200


class ProvingForm(OwnForm):
    """Asks for the password once more, since a signed-in phone may lie about."""

    now_password = forms.CharField(
        label=gettext_lazy("Your password"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    def __init__(self, *args: Any, request: HttpRequest, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.person: Any = request.user

    def clean_now_password(self) -> str:
        typed = str(self.cleaned_data["now_password"])
        slot = take(BY_PERSON, str(self.person.pk))
        self.wait_seconds = slot.wait_seconds
        if slot.wait_seconds:
            raise forms.ValidationError(too_many(slot.wait_seconds))
        if not self.person.check_password(typed):
            raise forms.ValidationError(_("This is not your password."))
        give_back(slot)
        return typed


class YouForm(OwnForm):
    """Name, and how pages show things to this person."""

    name = forms.CharField(
        label=gettext_lazy("Your name"),
        max_length=User._meta.get_field("first_name").max_length,
        required=False,
        help_text=gettext_lazy("As others in the lab know you."),
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )
    language = forms.ChoiceField(label=gettext_lazy("Language"), choices=[], required=False)
    volume_unit = forms.ChoiceField(
        label=gettext_lazy("Volumes are shown in"),
        choices=[],
        required=False,
        help_text=gettext_lazy(
            "For you alone, on pages, in pictures and in lists as CSV, which keep the µL too. You may always "
            "type any unit. Labels and papers, which others read, and the fields of a plan keep mL."
        ),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = {
            "language": [("", _("As your browser asks")), *settings.LANGUAGES],
            "volume_unit": [("", "mL"), *((key, unit.symbol) for key, unit in UNITS.items() if key != "mL")],
        }
        for name, offered in choices.items():
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = offered


class PasswordForm(ProvingForm):
    """A new password, twice."""

    password = common_fields.new_password(gettext_lazy("New password"))
    again = common_fields.same_password()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("password") != cleaned.get("again") and "again" in cleaned:
            self.add_error("again", _("This is not the same password. Type both again."))
        return cleaned


class TurnOnForm(ProvingForm):
    """The first code of the app."""

    code = forms.CharField(
        label=gettext_lazy("Code"),
        max_length=40,
        help_text=gettext_lazy("The six digits that the app shows now."),
        widget=forms.TextInput(
            attrs={"autocomplete": "one-time-code", "inputmode": "numeric", "spellcheck": "false"}
        ),
    )
    field_order = ["code", "now_password"]


class PasskeyName(OwnForm):
    name = forms.CharField(
        label=gettext_lazy("Name of the device"),
        max_length=Passkey._meta.get_field("name").max_length,
        help_text=gettext_lazy("So that you know it again, as “phone” or “key ring”."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )


class PasskeyForm(ProvingForm):
    """A new passkey: the name of its device; the script asks with these, then sends what the device made."""

    name = forms.CharField(
        label=gettext_lazy("Name of the device"),
        max_length=Passkey._meta.get_field("name").max_length,
        help_text=gettext_lazy("So that you know it again, as “phone” or “key ring”."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    field_order = ["name", "now_password"]

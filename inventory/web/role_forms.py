"""The forms that ask for a role: of a person, and of whoever opens an invitation."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.rules.roles import ROLES
from inventory.web.desk import DeskForm
from inventory.web.forms import role_name, role_words


class InviteForm(DeskForm):
    """The role that an invitation gives."""

    role = forms.ChoiceField(label=gettext_lazy("Role"), choices=[])

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        words = role_words()
        field = self.fields["role"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [(role, role_name(role)) for role in ROLES]
        field.help_text = "; ".join(f"{role_name(role)}: {words[role]}" for role in ROLES) + "."


class RoleForm(InviteForm):
    """What somebody is in the lab."""

    initials = forms.CharField(
        label=gettext_lazy("Initials"),
        required=False,
        max_length=12,
        help_text=gettext_lazy("As this person signs in paper logs."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

"""Fields that several forms have: the words of a lab, and a new password twice."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.models import Lab


def emergency_text() -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("What to do in an emergency"),
        required=False,
        max_length=2000,
        help_text=gettext_lazy(
            "Whom to ring, where to go. Stands on top of the lab's page, and on labels with room."
        ),
        widget=forms.Textarea(attrs={"rows": 3}),
    )


def contact() -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("Who looks after the lab"),
        required=False,
        max_length=Lab._meta.get_field("contact").max_length,
        help_text=gettext_lazy("A name and a number to ring. It stands on every label, so keep it short."),
    )


def new_password(label: Any) -> forms.CharField:
    return forms.CharField(
        label=label,
        strip=False,
        help_text=gettext_lazy("At least 10 characters, not only digits. Three or four words are good."),
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


def same_password() -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("The same password again"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

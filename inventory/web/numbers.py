"""Numbers typed on a page in another language: asked about where they can be read in two ways."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.utils.formats import get_format
from django.utils.translation import gettext as _

# Where the comma is the decimal mark, the point groups thousands: 1.500 may be one and a half thousand.
_GROUPED = re.compile(r"\s*[+-]?([1-9][0-9]{0,2})\.([0-9]{3})(?![0-9.,])")


def point_may_group(text: str) -> tuple[str, str] | None:
    """Both readings of a number whose point may be either mark in the page's language; None: one alone."""
    if get_format("DECIMAL_SEPARATOR") != ",":
        return None
    found = _GROUPED.match(text)
    return (f"{found[1]},{found[2]}".rstrip("0").rstrip(","), found[1] + found[2]) if found else None


class AsksWhatIsMeant(forms.Form):
    """A form that never takes a point for a decimal mark where its reader may mean thousands.

    Bears on text fields with a decimal keyboard. `1,500` is asked about by the rules in every language.
    """

    def full_clean(self) -> None:
        super().full_clean()
        if not self.is_bound:
            return
        for name, field in self.fields.items():
            told: Any = self.cleaned_data.get(name)
            if isinstance(told, str) and field.widget.attrs.get("inputmode") == "decimal":
                self._ask(name, told)

    def _ask(self, name: str, told: str) -> None:
        readings = point_may_group(told)
        if readings:
            words = _("“%(text)s” can be read in two ways: write %(decimal)s or %(whole)s.")
            self.add_error(name, words % {"text": told, "decimal": readings[0], "whole": readings[1]})

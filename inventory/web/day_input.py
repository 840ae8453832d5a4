"""A day or month in the address of a page, shown as it was typed where it is none."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import forms


class DayInput(forms.DateInput):
    """Of a type that browsers have a calendar for, unless what is shown in it is none of that type.

    A browser throws such a value away and complains in its console; as text it stands there to be mended.
    """

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        context = super().get_context(name, value, attrs)
        shown = context["widget"]["value"]
        if shown and not self._is_one(str(shown)):
            context["widget"]["type"] = "text"
        return context

    def _is_one(self, text: str) -> bool:
        try:
            return datetime.strptime(text, str(self.format)).strftime(str(self.format)) == text
        except ValueError:
            return False

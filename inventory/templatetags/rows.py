"""For lists whose rows carry buttons."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import uuid4

from django import template
from django.utils.formats import get_format
from django.utils.translation import gettext_lazy

register = template.Library()
# What a check of the ledger looked at, by the name that its record has.
COMPARED = {
    "containers": gettext_lazy("containers"),
    "movements": gettext_lazy("movements"),
    "flows": gettext_lazy("months of flows"),
    "due dates": gettext_lazy("due dates"),
    "runs": gettext_lazy("runs"),
    "months of reuse": gettext_lazy("months of reuse"),
}


@register.simple_tag
def fresh_key() -> str:
    """A key for one small form: sent twice, it is carried out once."""
    return str(uuid4())


@register.filter
def of(found: Mapping[Any, Any], key: Any) -> Any:
    """What a mapping holds under a key; nothing when it holds none."""
    return found.get(key, ())


@register.filter
def size(count_bytes: int) -> str:
    """Bytes as people read them, in steps of a thousand (SI)."""
    value, unit = float(count_bytes), "B"
    for larger in ("kB", "MB", "GB", "TB"):
        if value < 1000:
            break
        value, unit = value / 1000, larger
    digits = f"{value:.0f}" if unit in ("B", "kB") else f"{value:.1f}"
    return f"{digits.replace('.', get_format('DECIMAL_SEPARATOR'))}\u00a0{unit}"


@register.filter
def compared_words(name: str) -> str:
    """What was compared; a name that is not known as the record has it."""
    return str(COMPARED.get(name, name))

"""For lists whose rows carry buttons."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import uuid4

from django import template

register = template.Library()


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
    return f"{value:.0f}\u00a0{unit}" if unit in ("B", "kB") else f"{value:.1f}\u00a0{unit}"

"""Words and figures on the pages of those who look after the stock."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any

from django import template

from inventory.templatetags.amounts import marked, percent

register = template.Library()


@register.filter
def percent_of_one(share: float) -> str:
    """A share in per cent with one decimal."""
    return percent(Decimal(str(round(share, 4))))


@register.filter
def at_most(number: int, most: int) -> int:
    return min(number, most)


@register.filter
def plain(value: Decimal | None) -> str:
    """A decimal without trailing noughts; a dash where it is not known."""
    return "–" if value is None else f"{value.normalize():f}"


@register.filter
def numeral(value: str | Decimal) -> str:
    """A number with the marks of the page's language; whatever else stands there, as it is."""
    text = str(value)
    try:
        Decimal(text)
    except InvalidOperation:
        return text
    return marked(text)


@register.filter
def label_of(names: Any, key: Any) -> Any:
    """The words for a key in a mapping; the key itself where it has none."""
    return names.get(key, key)

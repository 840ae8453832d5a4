"""Volumes, shares and days as people read them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from decimal import ROUND_HALF_UP, Decimal

from django import template
from django.utils.formats import get_format
from django.utils.safestring import SafeString
from django.utils.translation import gettext, gettext_noop, ngettext

from inventory.rules.shown_units import shown

register = template.Library()
THIN_SPACE = "\u202f"
NO_BREAK = "\u00a0"
MINUS = "\u2212"
STEP = Decimal("0.1")
SIGN_WORDS = {
    "crystals": gettext_noop("Crystals"),
    "viscous-layer": gettext_noop("Viscous layer"),
    "cloudy": gettext_noop("Cloudy"),
    "cap-stuck": gettext_noop("Cap stuck"),
    "cap-rusted": gettext_noop("Cap or can rusted"),
    "odd-colour": gettext_noop("Odd colour"),
    "peroxide-unknown": gettext_noop("Peroxide not known"),
    "label-unreadable": gettext_noop("Label unreadable"),
    "dates-doubtful": gettext_noop("Dates doubtful"),
}

UNIT = ContextVar("volume_unit", default="")


@contextmanager
def volumes_in(unit: str) -> Iterator[None]:
    """Pages that are made inside show volumes in this unit of `rules.shown_units`."""
    before = UNIT.set(unit)
    try:
        yield
    finally:
        UNIT.reset(before)


@register.filter
def marked(number: str) -> str:
    """Digits with the decimal mark and the minus of the page's language."""
    return number.replace(".", get_format("DECIMAL_SEPARATOR")).replace("-", MINUS)


def grouped(value: Decimal) -> str:
    """A number as people read it, thousands set apart by a thin space."""
    return marked(f"{value:,}".replace(",", THIN_SPACE))


@register.filter
def ml(volume_ul: int) -> SafeString:
    """Microlitres in the reader's unit, else in mL; the exact number stays in the mark-up."""
    value, symbol = shown(volume_ul, UNIT.get())
    # Digits and their marks need no escaping, and a page may show hundreds of these.
    return SafeString(f'<data value="{volume_ul}">{grouped(value)}{NO_BREAK}{symbol}</data>')


def ml_text(volume_ul: int) -> str:
    """The same without mark-up, for a message."""
    value, symbol = shown(volume_ul, UNIT.get())
    return f"{grouped(value)}{NO_BREAK}{symbol}"


@register.filter
def percent(fraction: Decimal | None) -> str:
    """A fraction as per cent with one decimal; a dash when there is nothing to divide by."""
    if fraction is None:
        return "–"
    return f"{grouped((fraction * 100).quantize(STEP, ROUND_HALF_UP))}{NO_BREAK}%"


@register.filter
def bar(fraction: Decimal | None) -> int:
    """Length of a bar in hundredths, between 0 and 100."""
    return 0 if fraction is None else min(100, max(0, round(fraction * 100)))


@register.filter
def sign(word: str) -> str:
    """A sign seen on a container, in words."""
    return gettext(SIGN_WORDS.get(word, word))


@register.filter
def since(days: int | None) -> str:
    """How long ago, or in how many days."""
    if days is None:
        return ""
    if days == 0:
        return gettext("today")
    if days < 0:
        return ngettext("in %(n)d day", "in %(n)d days", -days) % {"n": -days}
    return ngettext("%(n)d day overdue", "%(n)d days overdue", days) % {"n": days}

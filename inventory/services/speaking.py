"""Words of the rules in a language: that of the page at hand, or one that is named."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal
from functools import cache, partial
from typing import Any

from django.conf import settings
from django.utils import translation
from django.utils.formats import date_format, get_format
from django.utils.translation import gettext

from inventory.rules.phrases import NamedDay, Phrase

# What somebody may ask for by name; the first is what programs get.
SPOKEN = ("en", "de")


def written(part: Any, form: str) -> str:
    """A part of a sentence as the language of the page writes it, its days as everywhere on the page."""
    return _written(part, form, english=translation.get_language() == settings.LANGUAGE_CODE)


def _written(part: Any, form: str, *, english: bool) -> str:
    if isinstance(part, str) or (english and isinstance(part, NamedDay)):
        return format(part, form)
    if isinstance(part, date):
        timed = isinstance(part, datetime) and "%H" in form
        return date_format(part, "DATETIME_FORMAT" if timed else "DATE_FORMAT")
    if english:
        return format(part, form)
    number = isinstance(part, float | Decimal)
    return format(part, form).replace(".", get_format("DECIMAL_SEPARATOR")) if number else format(part, form)


_WRITTEN_IN_ENGLISH = partial(_written, english=True)


def spoken(words: str) -> str:
    """Words of the rules in the language of the page; such as have no translation stay as they are."""
    if not isinstance(words, Phrase):
        return words
    if translation.get_language() == settings.LANGUAGE_CODE:
        # A page says hundreds, and English is what they are in.
        return words.said(str, _WRITTEN_IN_ENGLISH)
    return words.said(gettext, written)


def shown_order(words: str) -> str:
    """What a list shown by these words is put in order by: as the page says them, without capitals."""
    return spoken(words).casefold()


@cache
def speaker(language: str) -> Callable[[str], str]:
    """What says words in a language of `SPOKEN`, whatever the page is in; always the same one."""
    if language == SPOKEN[0]:
        return str

    def say(words: str) -> str:
        with translation.override(language):
            return spoken(words)

    return say


def language_asked() -> str:
    """The language of the page, as one of `SPOKEN`."""
    code = (translation.get_language() or "").partition("-")[0]
    return code if code in SPOKEN else SPOKEN[0]

"""Which language a page is in: of the cookie, else of the browser. Programs always get English."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.locale import LocaleMiddleware
from django.utils import translation
from django.utils.formats import date_format, get_format
from django.utils.html import escape
from django.utils.translation import gettext
from django.views.decorators.http import require_POST
from django.views.i18n import set_language

from inventory.rules.phrases import Phrase

# Nobody reads these but programs, which compare words or show them to people of many languages.
PROGRAMS = ("/api/", "/feeds/", "/healthz", "/readyz")


def is_for_programs(request: HttpRequest) -> bool:
    return request.path_info.startswith(PROGRAMS)


def use(request: HttpRequest, language: str) -> None:
    """Show this page in a language of `settings.LANGUAGES`; any other leaves it as it is."""
    if language in dict(settings.LANGUAGES) and not is_for_programs(request):
        translation.activate(language)
        request.LANGUAGE_CODE = language


class LanguageMiddleware(LocaleMiddleware):
    """Django's choice of a language by cookie and Accept-Language, for pages alone."""

    def process_request(self, request: HttpRequest) -> None:
        if is_for_programs(request):
            translation.activate(settings.LANGUAGE_CODE)
        else:
            super().process_request(request)

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        return response if is_for_programs(request) else super().process_response(request, response)


@require_POST
def choose(request: HttpRequest) -> HttpResponse:
    """Keep the language that somebody without an account chose, in a cookie."""
    return set_language(request)


def written(part: Any, form: str) -> str:
    """A part of a sentence as the language of the page writes it; English as the rules have it."""
    if translation.get_language() == settings.LANGUAGE_CODE or isinstance(part, str):
        return format(part, form)
    if isinstance(part, date):
        return date_format(part, "DATE_FORMAT")
    number = isinstance(part, float | Decimal)
    return format(part, form).replace(".", get_format("DECIMAL_SEPARATOR")) if number else format(part, form)


def spoken(words: str) -> str:
    """Words of the rules in the language of the page; such as have no translation stay as they are."""
    return words.said(gettext, written) if isinstance(words, Phrase) else words


def shown(words: Phrase) -> str:
    """The same as mark-up: what a template shows of a `Phrase`."""
    return escape(spoken(words))

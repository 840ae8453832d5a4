"""Which language a page is in: of the cookie, else of the browser. Programs always get English."""

from __future__ import annotations

import re

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.locale import LocaleMiddleware
from django.utils import translation
from django.utils.html import escape
from django.utils.safestring import SafeString
from django.views.decorators.http import require_POST
from django.views.i18n import set_language

from inventory.rules.phrases import Phrase
from inventory.services.speaking import SPOKEN, language_asked, spoken
from inventory.templatetags.amounts import NO_BREAK

__all__ = [
    "LanguageMiddleware",
    "choose",
    "is_for_programs",
    "language_wanted",
    "shown",
    "spoken",
    "unparted",
    "use",
]

# A line of a page does not end between a figure and its unit.
BEFORE_UNIT = re.compile(r"(?<=\d) (?=°C|%|(?:ppm|mol|mL|µL|L|mg|kg|g|kPa|K|m³|mm|h)(?!\w))")
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


def language_wanted() -> dict[str, str]:
    """What asks an address for programs for the words of this page; nothing where those are English."""
    language = language_asked()
    return {} if language == SPOKEN[0] else {"language": language}


def unparted(words: str) -> str:
    """The same for a page, whose lines may end at any blank but not before a unit."""
    return BEFORE_UNIT.sub(NO_BREAK, words)


def shown(words: Phrase) -> str:
    """The same as mark-up: what a template shows of a `Phrase`."""
    return SafeString(unparted(escape(spoken(words))))

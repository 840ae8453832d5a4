"""Which language a page is in: of the cookie, else of the browser. Programs always get English."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.locale import LocaleMiddleware
from django.utils import translation
from django.utils.html import escape
from django.views.decorators.http import require_POST
from django.views.i18n import set_language

from inventory.rules.phrases import Phrase
from inventory.services.speaking import spoken

__all__ = ["LanguageMiddleware", "choose", "is_for_programs", "shown", "spoken", "use"]

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


def shown(words: Phrase) -> str:
    """The same as mark-up: what a template shows of a `Phrase`."""
    return escape(spoken(words))

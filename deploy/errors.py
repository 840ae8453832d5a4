"""Refusals outside of any view: a page for people, a problem for programs."""

from __future__ import annotations

import sys
from http import HTTPStatus

from django.http import HttpRequest, HttpResponse
from django.template import loader
from django.views import defaults

from inventory.api import problems
from inventory.api.overload import RETRY_AFTER_S, is_overload


def _for_program(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    if _for_program(request):
        return problems.problem(400, "invalid", "This request could not be read.", request=request)
    return defaults.bad_request(request, exception)


def denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    if _for_program(request):
        return problems.problem(403, "not-allowed", HTTPStatus.FORBIDDEN.description, request=request)
    return defaults.permission_denied(request, exception)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return (
        problems.not_found(request) if _for_program(request) else defaults.page_not_found(request, exception)
    )


def unexpected(request: HttpRequest) -> HttpResponse:
    """500; or 503 with Retry-After when it is the database that is busy or away."""
    if is_overload(sys.exc_info()[1]):
        return problems.busy(request) if _for_program(request) else _busy_page()
    return problems.unexpected(request) if _for_program(request) else defaults.server_error(request)


def _busy_page() -> HttpResponse:
    """Made without the request: who is signed in would be asked of the database."""
    response = HttpResponse(loader.get_template("503.html").render(), status=503)
    response["Retry-After"] = str(RETRY_AFTER_S)
    return response

"""Refusals outside of any view: a page for people, a problem for programs."""

from __future__ import annotations

from http import HTTPStatus

from django.http import HttpRequest, HttpResponse
from django.views import defaults

from inventory.api import problems


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
    return problems.unexpected(request) if _for_program(request) else defaults.server_error(request)

"""Response headers that Django 5.2 does not set by itself."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from inventory.web.content_policy import POLICY


class ContentSecurityPolicyMiddleware:
    """Adds a strict Content-Security-Policy unless the view has set its own."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        return response

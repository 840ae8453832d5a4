"""One id for a request: taken from the caller or made, sent back, and written beside every log line."""

from __future__ import annotations

import logging
import re
import uuid
from collections.abc import Callable
from contextvars import ContextVar

from django.http import HttpRequest, HttpResponse

HEADER = "X-Request-ID"
_GOOD = re.compile(r"[A-Za-z0-9._-]{1,64}")
_current: ContextVar[str] = ContextVar("request_id", default="-")


class RequestIdMiddleware:
    """Outermost of all, so that refusals of the others carry the id too."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        given = request.headers.get(HEADER, "")
        # Anything else could forge log lines.
        request_id = given if _GOOD.fullmatch(given) else uuid.uuid4().hex
        request.request_id = request_id  # type: ignore[attr-defined]
        before = _current.set(request_id)
        try:
            response = self.get_response(request)
        finally:
            _current.reset(before)
        response[HEADER] = request_id
        return response


class RequestIdFilter(logging.Filter):
    """Gives every record a `request_id`, - outside of requests."""

    def filter(self, record: logging.LogRecord) -> bool:
        if not hasattr(record, "request_id"):
            record.request_id = _current.get()
        return True

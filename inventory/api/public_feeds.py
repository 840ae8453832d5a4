"""The secret addresses themselves: no sign-in, no session; what does not stand is simply not there."""

from __future__ import annotations

from time import time

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_safe

from inventory.api import throttle
from inventory.api.replies import tagged
from inventory.models import Feed
from inventory.selectors.site import site_of
from inventory.services.delivery.feed_text import atom_bytes, calendar_bytes
from inventory.services.delivery.feeds import feed_find

# A calendar asks every quarter of an hour at most; a minute may hold a few readers of the same address.
READS_PER_MINUTE = 20


@require_safe
def calendar(request: HttpRequest, secret: str) -> HttpResponse:
    """The due tests as RFC 5545."""
    feed, refusal = _let_in(request, secret, "calendar")
    if refusal:
        return refusal
    content = calendar_bytes(feed, timezone.now(), site_of(request))
    return _answer(request, content, "text/calendar; charset=utf-8")


@require_safe
def atom(request: HttpRequest, secret: str) -> HttpResponse:
    """The alerts as RFC 4287."""
    feed, refusal = _let_in(request, secret, "atom")
    if refusal:
        return refusal
    return _answer(
        request,
        atom_bytes(feed, timezone.now(), site_of(request), request.path),
        "application/atom+xml; charset=utf-8",
    )


def _let_in(request: HttpRequest, secret: str, kind: str) -> tuple[Feed, HttpResponse | None]:
    """The feed, or 404; a refusal when it is read too often. Guesses are counted by address."""
    feed = feed_find(secret=secret, kind=kind, now=timezone.now())
    if feed is None:
        if wait := _too_many(f"feed-guess-{request.META.get('REMOTE_ADDR', '')}"):
            return Feed(), wait
        raise Http404
    return feed, _too_many(f"feed-{feed.pk}")


def _too_many(caller: str) -> HttpResponse | None:
    if not settings.STILLKEEP_API_PER_MINUTE:
        return None
    wait_s = throttle.counter.take(caller, min(READS_PER_MINUTE, settings.STILLKEEP_API_PER_MINUTE), time())
    if wait_s <= 0:
        return None
    refusal = HttpResponse(
        "Read too often; the address stays the same.", status=429, content_type="text/plain"
    )
    refusal["Retry-After"] = str(int(wait_s) + 1)
    return refusal


def _answer(request: HttpRequest, content: bytes, media_type: str) -> HttpResponse:
    response = tagged(request, content, media_type)
    response["X-Robots-Tag"] = "noindex"
    return response


urlpatterns = [
    path("<str:secret>/calendar.ics", calendar, name="feed-calendar"),
    path("<str:secret>/alerts.atom", atom, name="feed-atom"),
]

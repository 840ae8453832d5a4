"""What follows a person through all pages: their language, their unit of volumes, and that they were seen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from inventory.models import User
from inventory.services import sessions
from inventory.templatetags.amounts import volumes_in
from inventory.web import language
from inventory.web.forms import user_or_none

SEEN = "seen"
SEEN_EVERY_SECONDS = 5 * 60


class PersonMiddleware:
    """Shows pages as the signed-in person wants them; comes after the one that says who that is."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        person = _at_a_page(request)
        if person is None:
            return self.get_response(request)
        keep_seen(request, person)
        language.use(request, person.language)
        with volumes_in(person.volume_unit):
            return self.get_response(request)


def _at_a_page(request: HttpRequest) -> User | None:
    """Who asks for a page; nobody is looked up for programs or without a session."""
    if settings.SESSION_COOKIE_NAME not in request.COOKIES or language.is_for_programs(request):
        return None
    return user_or_none(request.user)


def keep_seen(request: HttpRequest, person: User) -> None:
    """Note now and then, not with every page, that the session of a browser is in use."""
    now = timezone.now()
    if now.timestamp() - request.session.get(SEEN, 0) < SEEN_EVERY_SECONDS:
        return
    key, agent = request.session.session_key, request.META.get("HTTP_USER_AGENT", "")
    if key is not None:  # one begun in place of another person's session has none before the next page
        request.session[SEEN] = int(now.timestamp())
        sessions.seen(user=person, now=now, session_key=key, agent=agent)


def on_signed_in(*, request: HttpRequest | None, user: User, **_: Any) -> None:
    """A session begins: whoever signs in, by whatever way."""
    if request is not None and hasattr(request, "session"):
        request.session.pop(SEEN, None)
        keep_seen(request, user)

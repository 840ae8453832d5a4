"""Signing in with a passkey: the page asks for a challenge, the browser answers it, the answer is posted."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit

from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from inventory.rules.errors import InputError
from inventory.services import passkeys
from inventory.services.passkeys import Site, State
from inventory.web.attempts import Limit, address_of, take, too_many
from inventory.web.entry import BACKEND
from inventory.web.language import spoken

ASKED = "passkey_asked"
ASKED_SECONDS = 5 * 60
# No answer can be guessed; this bounds the sessions that questions make.
BY_ADDRESS = Limit("passkey-address", attempts=100, seconds=15 * 60)


def site_of(request: HttpRequest) -> Site:
    """The name under which the browser sees this server; Django has checked that it is one of ours."""
    there = urlsplit(f"//{request.get_host()}")
    return Site(request.scheme or "", there.hostname or "", str(there.port or ""))


def keep_asked(request: HttpRequest, purpose: str, state: State) -> None:
    """Keep a challenge for some minutes; it serves once, and for this purpose alone."""
    until = timezone.now().timestamp() + ASKED_SECONDS
    request.session[ASKED] = {"purpose": purpose, "until": until, "state": state}


def take_asked(request: HttpRequest, purpose: str) -> State | None:
    """The state of the challenge that was asked last, or None; it is gone afterwards."""
    kept: Any = request.session.pop(ASKED, None)
    if kept is None or kept["purpose"] != purpose or kept["until"] < timezone.now().timestamp():
        return None
    state: State = kept["state"]
    return state


@never_cache
@require_POST
def ask(request: HttpRequest) -> HttpResponse:
    """A challenge for any passkey of this site, as JSON."""
    slot = take(BY_ADDRESS, address_of(request))
    if slot.wait_seconds:
        headers = {"Retry-After": str(slot.wait_seconds)}
        return JsonResponse({"fault": too_many(slot.wait_seconds)}, status=429, headers=headers)
    options, state = passkeys.ask_to_sign_in(site=site_of(request))
    keep_asked(request, "sign-in", state)
    return JsonResponse(options)


@never_cache
@require_POST
def sign_in(request: HttpRequest) -> HttpResponse:
    """Let in whoever's passkey answered; else back to the sign-in page with words."""
    onward = request.POST.get("next", "")
    try:
        person = passkeys.sign_in(
            now=timezone.now(),
            site=site_of(request),
            state=take_asked(request, "sign-in") or {},
            answer=request.POST.get("answer", ""),
        )
    except InputError as error:
        messages.error(request, f"{spoken(error.detail)} {spoken(error.remedy)}")
        return redirect("login")
    login(request, person, backend=BACKEND)
    hosts = {request.get_host()}
    return redirect(onward if url_has_allowed_host_and_scheme(onward, hosts, request.is_secure()) else "home")

"""The page "You": name, language and units, password, and where one is signed in."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, cast

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from inventory.models import Passkey, User
from inventory.rules.errors import InputError
from inventory.services import people, second_factor, sessions
from inventory.web import language
from inventory.web.personal import on_signed_in
from inventory.web.you_forms import PasswordForm, YouForm

View = Callable[..., HttpResponse]


PAGE = ("GET", "HEAD", "POST")


def own_page(*methods: str) -> Callable[[View], View]:
    """A view for whoever is signed in, of their own account."""

    def wrap(view: View) -> View:
        @never_cache
        @sensitive_post_parameters()
        @login_required
        @require_http_methods(list(methods))
        @wraps(view)
        def page(request: HttpRequest, **address: Any) -> HttpResponse:
            return view(request, cast(User, request.user), **address)

        return page

    return wrap


def shown(request: HttpRequest, template: str, form: Any, **context: Any) -> HttpResponse:
    """The page with its form; 429 with Retry-After while attempts are bounded."""
    answer = render(request, f"inventory/{template}.html", {"form": form, **context}, status=form.status)
    if form.wait_seconds:
        answer["Retry-After"] = str(form.wait_seconds)
    return answer


@own_page(*PAGE)
def you(request: HttpRequest, person: User) -> HttpResponse:
    """Who one is here, and the ways to everything else of the account."""
    initial = {
        "name": person.get_full_name(),
        "language": person.language,
        "volume_unit": person.volume_unit,
    }
    form = YouForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            people.person_change(actor=person, **form.cleaned_data)
        except InputError as error:
            form.refuse(error)
        else:
            language.use(request, person.language)
            messages.success(request, _("Saved."))
            return redirect("you")
    now, key = timezone.now(), request.session.session_key or ""
    return shown(
        request,
        "you",
        form,
        memberships=person.memberships.select_related("lab").order_by("lab__name"),
        mail=person.mail_state,
        factor=second_factor.wanted(user=person),
        passkeys=Passkey.objects.filter(user=person).count(),
        places=len(sessions.places_of(user=person, now=now, session_key=key)),
    )


@own_page(*PAGE)
def password(request: HttpRequest, person: User) -> HttpResponse:
    """A new password; every other browser is signed out by it."""
    form = PasswordForm(request.POST or None, request=request)
    if request.method == "POST" and form.is_valid():
        try:
            new = form.cleaned_data["password"]
            people.password_change(actor=person, password=new)
        except InputError as error:
            form.refuse(error)
        else:
            sessions.end_all(user=person, but=request.session.session_key or "")
            update_session_auth_hash(request, person)
            on_signed_in(request=request, user=person)  # under its new key
            messages.success(request, _("Your password is changed. You are signed out everywhere else."))
            return redirect("you")
    return shown(request, "you_password", form)


@own_page(*PAGE)
def places(request: HttpRequest, person: User) -> HttpResponse:
    """Where one is signed in; each place is ended here, or all others at once."""
    key = request.session.session_key or ""
    if request.method == "POST":
        messages.success(request, _ended(request, person, key))
        return redirect("you-places")
    found = sessions.places_of(user=person, now=timezone.now(), session_key=key)
    return render(request, "inventory/you_places.html", {"places": found})


def _ended(request: HttpRequest, person: User, key: str) -> str:
    """End what was asked for and say so; what has ended already counts as done."""
    place = request.POST.get("place", "")
    if place.isdecimal():
        sessions.end(user=person, place=int(place[:18]), but=key)
        return _("Signed out there.")
    count = sessions.end_all(user=person, but=key)
    return ngettext("Signed out in %(n)d other place.", "Signed out in %(n)d other places.", count) % {
        "n": count
    }

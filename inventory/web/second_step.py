"""The second step of signing in: a one-time code, after the password was right.

Until then the session only remembers who has said the right password, for some minutes; nobody is signed in.
"""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.crypto import constant_time_compare
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from inventory.models import User
from inventory.services import second_factor
from inventory.web.attempts import Limit, forget, take, too_many
from inventory.web.entry import BACKEND

HELD = "half_in"
HELD_SECONDS = 10 * 60
# Six digits, three of them right at any time: 10 an hour give somebody who has the password one chance in
# about 33 000 for each hour of trying.
BY_PERSON = Limit("second-step", attempts=10, seconds=60 * 60)
FEW_CODES = 3


class CodeForm(forms.Form):
    """A code of the app or of the paper."""

    code = forms.CharField(
        label=gettext_lazy("Code"),
        max_length=40,
        help_text=gettext_lazy("The six digits that your app shows now, or one of your recovery codes."),
        widget=forms.TextInput(
            attrs={
                "autocomplete": "one-time-code",
                "autocapitalize": "none",
                "spellcheck": "false",
                "autofocus": True,
            }
        ),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})


def hold(request: HttpRequest, person: User, onward: str) -> None:
    """Remember that this person said the right password, and where they wanted to go."""
    request.session.cycle_key()
    request.session[HELD] = {
        "person": person.pk,
        "password": person.get_session_auth_hash(),
        "until": timezone.now().timestamp() + HELD_SECONDS,
        "onward": onward,
    }


def _held(request: HttpRequest) -> User | None:
    """Who said the right password a moment ago; nobody once it was changed meanwhile."""
    kept = request.session.get(HELD)
    if kept is None or kept["until"] < timezone.now().timestamp():
        return None
    person = User.objects.filter(pk=kept["person"], is_active=True).first()
    if person is None or not constant_time_compare(kept["password"], person.get_session_auth_hash()):
        return None
    return person


@never_cache
@sensitive_post_parameters("code")
@require_http_methods(["GET", "HEAD", "POST"])
def second(request: HttpRequest) -> HttpResponse:
    """Ask for the code; 429 with Retry-After while attempts are bounded."""
    if request.user.is_authenticated:
        return redirect("home")
    person = _held(request)
    if person is None:
        messages.info(request, _("Start again with your name and password."))
        return redirect("login")
    form = CodeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        slot = take(BY_PERSON, str(person.pk))
        if slot.wait_seconds:
            form.add_error("code", too_many(slot.wait_seconds))
            answer = _page(request, form, 429)
            answer["Retry-After"] = str(slot.wait_seconds)
            return answer
        if second_factor.accept(user=person, now=timezone.now(), code=form.cleaned_data["code"]):
            return _let_in(request, person)
        form.add_error("code", _("This code is not right, or was used already. Wait for the next one."))
    return _page(request, form, 400 if form.errors else 200)


def _page(request: HttpRequest, form: CodeForm, status: int) -> HttpResponse:
    held = _held(request)
    unreadable = held is not None and not second_factor.is_readable(user=held)
    context = {"form": form, "unreadable": unreadable}
    return render(request, "inventory/login_second.html", context, status=status)


def _let_in(request: HttpRequest, person: User) -> HttpResponse:
    onward = request.session.pop(HELD)["onward"]
    forget(BY_PERSON, str(person.pk))
    login(request, person, backend=BACKEND)
    if not second_factor.is_readable(user=person):
        messages.warning(
            request,
            _(
                "The codes of your app cannot be checked any more, since the key of this server was changed. "
                "Choose your name above, then “Second step”: turn it off, and on again with the app."
            ),
        )
    left = second_factor.recovery_codes_left(user=person)
    if left <= FEW_CODES:
        words = ngettext(
            "Only %(n)d recovery code is left. Make new ones: choose your name above.",
            "Only %(n)d recovery codes are left. Make new ones: choose your name above.",
            left,
        )
        messages.warning(request, words % {"n": left})
    return redirect(onward)

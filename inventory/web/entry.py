"""One-time links: the first set-up of a server, and invitations into a lab."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_http_methods

from inventory.models import EntryLink, Lab
from inventory.rules.errors import Conflict, InputError
from inventory.services import labs
from inventory.web.forms import PersonForm, SetUpForm, user_or_none
from inventory.web.language import spoken
from inventory.web.policy_choice import shipped_described

BACKEND = "django.contrib.auth.backends.ModelBackend"
# The address holds the secret, so a Referer may name the host alone. "no-referrer" would also make browsers
# send "Origin: null" with the form (Fetch standard, "append a request Origin header"), which the guard
# against forged requests must refuse.
REFERRER = "strict-origin"


@never_cache
@sensitive_post_parameters("password", "again")
@sensitive_variables("secret")
@require_http_methods(["GET", "HEAD", "POST"])
def enter(request: HttpRequest, secret: str) -> HttpResponse:
    """Use a one-time link. 410 once it was used or has ended."""
    link = labs.entry_link_find(secret=secret, now=timezone.now())
    if link is None:
        response = ended(request)
    elif link.lab is not None and user_or_none(request.user):
        response = join(request, link, secret)
    else:
        response = start(request, link, secret)
    response["Referrer-Policy"] = REFERRER
    return response


def ended(request: HttpRequest) -> HttpResponse:
    return render(request, "inventory/link_ended.html", status=410)


@sensitive_variables("secret")
def start(request: HttpRequest, link: EntryLink, secret: str) -> HttpResponse:
    """Make a new person, and the lab too when this is the first set-up."""
    kind = PersonForm if link.lab else SetUpForm
    form = kind(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            user, lab = labs.entry_link_use(secret=secret, now=timezone.now(), **form.person(), **form.lab())
        except InputError as error:
            if error.code == "link-spent":
                return ended(request)
            form.refuse(error)
        else:
            login(request, user, backend=BACKEND)
            return welcome(request, lab)
    status = 400 if form.errors else 200
    return render(request, "inventory/enter.html", _parts(form, link), status=status)


def _parts(form: PersonForm, link: EntryLink) -> dict[str, Any]:
    """The form in its groups: the person, then the lab."""
    person = [form[name] for name in PersonForm.base_fields]
    lab = [form[name] for name in form.fields if name not in PersonForm.base_fields]
    policies = shipped_described() if lab else []
    return {"form": form, "link": link, "person_fields": person, "lab_fields": lab, "policies": policies}


@sensitive_variables("secret")
def join(request: HttpRequest, link: EntryLink, secret: str) -> HttpResponse:
    """Let somebody who is signed in already join the lab."""
    user = user_or_none(request.user)
    if user is not None and request.method == "POST":
        try:
            return welcome(request, labs.entry_link_join(secret=secret, now=timezone.now(), user=user))
        except Conflict as error:
            messages.info(request, spoken(error.detail))
            return redirect("home")
        except InputError:
            return ended(request)
    return render(request, "inventory/join.html", {"link": link})


def welcome(request: HttpRequest, lab: Lab) -> HttpResponse:
    messages.success(request, _("Welcome to %(lab)s.") % {"lab": lab.name})
    return redirect("lab", slug=lab.slug)

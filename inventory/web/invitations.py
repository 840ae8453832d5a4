"""Invitations: a supervisor makes a one-time link and hands it on."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from inventory import access
from inventory.services import labs
from inventory.web.forms import InviteForm


@never_cache
@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def invite(request: HttpRequest, slug: str) -> HttpResponse:
    """Choose a role and get a link, which is shown this once. Strangers 404, others than supervisors 403."""
    assert request.user.is_authenticated
    caller = access.enter(request.user, slug)
    if not caller.may("people.edit"):
        raise PermissionDenied
    form = InviteForm(request.POST or None, initial={"role": "member"})
    context = {"form": form, "lab": caller.lab}
    if request.method == "POST" and form.is_valid():
        role = form.cleaned_data["role"]
        link, secret = labs.invitation_create(
            lab=caller.lab, actor=caller.user, now=timezone.now(), role=role
        )
        address = request.build_absolute_uri(reverse("enter", args=[secret]))
        return render(request, "inventory/invited.html", {**context, "link": link, "address": address})
    return render(request, "inventory/invite.html", context, status=400 if form.errors else 200)

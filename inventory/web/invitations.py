"""Invitations: a supervisor makes a one-time link and hands it on."""

from __future__ import annotations

from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables

from inventory.models import EntryLink
from inventory.services import labs
from inventory.web.desk import Desk, desk_page, done, status_of
from inventory.web.role_forms import InviteForm


@desk_page("people.edit", "POST")
@sensitive_variables("secret", "address")
def invite(desk: Desk) -> HttpResponse:
    """Choose a role and get a link, which is shown this once. Strangers 404, others than supervisors 403."""
    request = desk.request
    form = InviteForm(request.POST or None, initial={"role": "member"})
    made: list[tuple[EntryLink, str]] = []

    def work() -> str:
        made.append(labs.invitation_create(**desk.by, role=form.cleaned_data["role"]))
        return _("The link is made.")

    if request.method == "POST" and form.is_valid() and done(desk, form, work) is not None:
        # Sent twice, only the first answer holds the link: it is kept nowhere.
        link, secret = made[0] if made else (None, "")
        address = request.build_absolute_uri(reverse("enter", args=[secret])) if secret else ""
        return desk.render("inventory/invited.html", {"link": link, "address": address}, here="more")
    return desk.render("inventory/invite.html", {"form": form}, here="more", status=status_of(form))

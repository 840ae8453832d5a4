"""A lab to look around in, made and taken away with one button each."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _

from inventory.web.desk import Desk, DeskForm, desk_page, done, status_of
from recovery.services.sample import sample_make, sample_of, sample_remove


@desk_page("import.write", "POST")
def sample(desk: Desk) -> HttpResponse:
    """Make a sample lab beside this one; in a sample lab, take it away."""
    form = DeskForm(desk.request.POST if desk.request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        slug = done(desk, form, lambda: _removed(desk) if desk.lab.is_sample else _made(desk))
        if slug == "":
            messages.success(desk.request, _("The sample lab is gone."))
            return redirect("home")
        if slug is not None:
            messages.success(desk.request, _("This is the sample lab. Try anything: nothing here is real."))
            return redirect("lab", slug=slug)
    context = {"form": form, "held": None if desk.lab.is_sample else sample_of(desk.caller.user)}
    return desk.render("recovery/sample.html", context, here="more", status=status_of(form))


def _made(desk: Desk) -> str:
    return sample_make(actor=desk.caller.user, now=desk.now, time_zone=desk.lab.time_zone).slug


def _removed(desk: Desk) -> str:
    sample_remove(**desk.by)
    return ""

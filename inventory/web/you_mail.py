"""One's own mail address: typed here, confirmed by a link that was sent to it."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_http_methods

from inventory.models import Lab, User
from inventory.rules.errors import InputError
from inventory.services.delivery import confirming
from inventory.services.delivery.choices import ADDRESS_LENGTH_MAX, check_address
from inventory.web.entry import REFERRER
from inventory.web.you import PAGE, own_page, shown
from inventory.web.you_forms import OwnForm

STATE_WORDS = {
    "none": gettext_lazy("none"),
    "confirmed": gettext_lazy("confirmed"),
    "waiting": gettext_lazy("not confirmed"),
    "earlier": gettext_lazy("not confirmed"),
}


class AddressForm(OwnForm):
    """The address of all labs."""

    email = forms.CharField(
        label=gettext_lazy("Mail address"),
        required=False,
        max_length=ADDRESS_LENGTH_MAX,
        help_text=gettext_lazy("The same in all your labs. Empty: no mail at all."),
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
    )


@own_page(*PAGE)
def mail(request: HttpRequest, person: User) -> HttpResponse:
    """The address, whether it is confirmed, and the link once more."""
    again = "again" in request.POST
    data = {"email": person.email} if again else request.POST or None
    form = AddressForm(data, initial={"email": person.email})
    labs = [each.lab for each in person.memberships.select_related("lab").order_by("pk")]
    lab = labs[0] if labs else None
    if request.method == "POST" and lab is not None and form.is_valid():
        try:
            words = _kept(person, lab, form, again)
        except InputError as error:
            form.refuse(error)
            if error.code == "too-often":
                form.wait_seconds = confirming.wait_seconds(user=person, now=timezone.now())
        else:
            messages.success(request, words)
            return redirect("you-mail")
    state = person.mail_state
    return shown(
        request,
        "you_mail",
        form,
        labs=labs,
        state=state,
        state_words=STATE_WORDS[state],
        unconfirmed=state in ("waiting", "earlier"),
        confirmed=person.mail_confirmed,
        asked_at=person.mail_asked_at,
        days=confirming.LINK_LIFE.days,
        sends_mail=settings.STILLKEEP_SENDS_MAIL,
    )


def _kept(person: User, lab: Lab, form: Any, again: bool) -> str:
    """Do what the button says; words about what came of it."""
    now = timezone.now()
    if again:
        confirming.send_again(lab=lab, actor=person, now=now)
    else:
        check_address(form.cleaned_data["email"])
        confirming.address_change(lab=lab, actor=person, now=now, email=form.cleaned_data["email"])
    if person.mail_state in ("waiting", "earlier") and person.mail_asked_at:
        return _("A link is on its way to %(email)s.") % {"email": person.email}
    return _("Saved.")


@never_cache
@sensitive_variables("secret")
@require_http_methods(["GET", "HEAD", "POST"])
def confirm(request: HttpRequest, secret: str) -> HttpResponse:
    """Behind the link: the button confirms, looking does not, since scanners of mail follow links.

    410 with the same words for every link that does not serve, whatever the reason.
    """
    now = timezone.now()
    find = confirming.confirm if request.method == "POST" else confirming.found
    person = find(token=secret, now=now)
    context = {"address": person.email if person else "", "done": request.method == "POST"}
    answer = render(request, "inventory/confirm_mail.html", context, status=200 if person else 410)
    answer["Referrer-Policy"] = REFERRER
    return answer

"""Signing in with a name and a password, with a bound on guesses.

The answer is the same whether or not a name exists, and a locked name refuses the right password too: so
neither can be learned by trying.
"""

from __future__ import annotations

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext, gettext_lazy

from inventory.models import User
from inventory.services import second_factor
from inventory.web import second_step
from inventory.web.attempts import Limit, Slot, address_of, forget, give_back, take, too_many
from inventory.web.passkey_sign_in import site_of

# A whole school may share one address, so that bound is the wider one.
BY_NAME = Limit("sign-in-name", attempts=8, seconds=15 * 60)
BY_ADDRESS = Limit("sign-in-address", attempts=60, seconds=15 * 60)


class SignInForm(AuthenticationForm):
    """Name and password. `wait_seconds` is above zero when there were too many attempts."""

    error_messages = {
        "invalid_login": gettext_lazy(
            "This name and password do not belong together. Check both; capitals count."
        ),
        "inactive": gettext_lazy(
            "This name and password do not belong together. Check both; capitals count."
        ),
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.wait_seconds = 0
        name = self.fields["username"]
        name.label = gettext_lazy("Sign-in name")
        name.widget.attrs |= {"autocapitalize": "none", "autocomplete": "username", "spellcheck": "false"}
        self.label_suffix = ""

    def clean(self) -> dict[str, Any]:
        name = self.cleaned_data.get("username")
        if not name or not self.cleaned_data.get("password"):
            return self.cleaned_data
        assert self.request is not None
        by_address = take(BY_ADDRESS, address_of(self.request))
        by_name = take(BY_NAME, name)
        self.wait_seconds = max(by_address.wait_seconds, by_name.wait_seconds)
        if self.wait_seconds:
            give_back(by_address, by_name)
            raise ValidationError(too_many(self.wait_seconds), code="too-many-attempts")
        cleaned = super().clean()
        self._passed(by_address, name)
        return cleaned

    def _passed(self, by_address: Slot, name: str) -> None:
        """The right password ends the count of the name, but not that of other names at the address."""
        give_back(by_address)
        forget(BY_NAME, name)


class SignIn(LoginView):
    """The sign-in page; 429 with Retry-After while attempts are bounded."""

    template_name = "inventory/login.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        nobody_yet = not User.objects.exists()
        onward = self.get_redirect_url()
        passkeys = site_of(self.request).takes_passkeys
        return super().get_context_data(
            title=gettext("Sign in"), nobody_yet=nobody_yet, onward=onward, passkeys=passkeys, **kwargs
        )

    def form_valid(self, form: Any) -> HttpResponse:
        """The right password; with a second step the person is not in yet."""
        person = form.get_user()
        if not second_factor.wanted(user=person):
            return super().form_valid(form)
        second_step.hold(self.request, person, self.get_success_url())
        return redirect("login-second")

    def form_invalid(self, form: Any) -> HttpResponse:
        response = super().form_invalid(form)
        if form.wait_seconds:
            response.status_code = 429
            response["Retry-After"] = str(form.wait_seconds)
        return response

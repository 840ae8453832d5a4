"""Things with a secret that is shown once: made under the key of a form, never kept in an answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables

from inventory.web.desk import Desk, DeskForm, done


@sensitive_variables("secret", "made")
def shown_once(
    desk: Desk, form: DeskForm, make: Callable[[], str], *, back: str, title: Any, label: Any, what: Any
) -> HttpResponse | None:
    """Make it and show its secret; None when refused, with the faults in the form.

    make: does the work and returns the secret. A form that comes twice makes nothing twice; the secret is
    in the first answer alone, and the page then says what to do.
    """
    made: list[str] = []

    def work() -> str:
        made.append(make())
        return _("It is made.")

    if not form.is_valid() or done(desk, form, work) is None:
        return None
    told = {"title": title, "label": label, "what": what, "secret": made[0] if made else ""}
    told["back"] = reverse(back, args=[desk.lab.slug])
    return desk.render("inventory/made_once.html", told, here="more")

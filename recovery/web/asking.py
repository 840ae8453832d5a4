"""A form on a page of its own: shown, mended, carried out once, and back to where it came from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db.models import Model
from django.http import HttpResponse
from django.shortcuts import redirect

from inventory.web.desk import Desk, DeskForm, done, status_of


@dataclass(frozen=True)
class Words:
    """title and button of the page. before: what to know first. of: of what it is, which links back.

    queue: how it is called while it waits in the browser for the network; "" where it never does.
    """

    title: str
    button: str
    of: str
    before: str = ""
    queue: str = ""


def posted(desk: Desk) -> Any:
    """What was sent; None while the form is only shown."""
    return desk.request.POST if desk.request.method == "POST" else None


def ask(
    desk: Desk,
    form: DeskForm,
    work: Callable[[], str],
    words: Words,
    back: str,
    *,
    here: str,
    leads: str = "",
    about: Model | None = None,
    **more: Any,
) -> HttpResponse:
    """Show a form, or carry it out. back: the address it belongs to. leads: where it goes to once done.

    `work` returns the words for the person. about: the record that it is of. more: what else the page shows.
    """
    if desk.request.method == "POST" and form.is_valid():
        told = done(desk, form, work, about)
        if told is not None:
            messages.success(desk.request, told)
            return redirect(leads or back)
    context = {"form": form, "words": words, "back": back, **more}
    return desk.render("recovery/ask.html", context, here=here, status=status_of(form))

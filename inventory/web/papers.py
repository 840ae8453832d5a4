"""What papers of the inventory have in common: the question of their size, and plain words for cells."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from django import forms
from django.http import HttpResponse
from django.utils.html import strip_tags
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Container
from inventory.rules.paper import Paper, paper_pdf
from inventory.services.bottles import Bottle
from inventory.templatetags.amounts import ml

PAPERS = (("a4", gettext_lazy("A4")), ("letter", gettext_lazy("Letter")))


def paper_field() -> forms.ChoiceField:
    return forms.ChoiceField(label=gettext_lazy("Paper"), required=False, choices=PAPERS)


def amount(volume_ul: int) -> str:
    """A volume as pages write it, without mark-up."""
    return str(strip_tags(ml(volume_ul)))


def day(found: date | None, missing: Any = "–") -> str:
    """A day that reads the same everywhere, as 2026-11-26."""
    return str(missing) if found is None else found.isoformat()


def opened_words(bottle: Bottle, write: Callable[[date], str] = date.isoformat) -> str:
    """write: how the day is told, on paper as everywhere there."""
    if not bottle.solvent:
        return "–"
    if bottle.opened == Container.Opened.UNOPENED:
        return _("not yet")
    return _("day not known") if bottle.opened_on is None else write(bottle.opened_on)


def pdf_answer(paper: Paper, size: str, name: str) -> HttpResponse:
    """The PDF to look at. name: of the file, without its ending."""
    response = HttpResponse(paper_pdf(paper, size or "a4"), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return response

"""Waste goes into one waste container: what it holds, what speaks against it, and the form."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.translation import gettext as _

from inventory.models import Container
from inventory.rules.errors import InputError
from inventory.rules.waste import CAUTIONS, FIRST, FORMER_CAUTION, FORMER_LEFT_ALONE
from inventory.services.catalogue import solvents_of
from inventory.services.facts import containers_with
from inventory.services.speaking import shown_order
from inventory.services.verdicts import judged
from inventory.web.desk import Desk, desk_page
from inventory.web.finding import container_coded
from inventory.web.language import spoken
from inventory.web.places import form_page
from inventory.web.scan import code_in
from inventory.web.waste import told_of, waste_or_404
from recovery.web.asking import posted
from recovery.web.standing import headline
from recovery.web.waste_forms import FillForm, fill


@desk_page("waste.log", "POST")
def put_in(desk: Desk, waste: str) -> HttpResponse:
    """Into this waste container, outside a run. `?container=` names a bottle to begin with."""
    found = waste_or_404(desk.caller, waste)
    own = reverse("waste", args=[desk.lab.slug, found.code])
    if found.collected_at is not None and desk.request.method != "POST":
        return redirect(own)
    form = FillForm(posted(desk), desk=desk)
    full_ul = found.capacity_ul * found.full_percent // 100
    names = sorted(solvents_of(desk.lab).values_list("name", flat=True), key=shown_order)
    held = {**told_of(found), **_from(desk, form), "room_ul": max(0, full_ul - found.volume_ul)}
    # Whatever goes in next may form peroxides, so that is said before anything is named.
    held["heeded"] = (FORMER_LEFT_ALONE if held.get("alone") else FORMER_CAUTION, *CAUTIONS)
    return form_page(
        desk, form, lambda: fill(desk, found, form), lambda: own, found,
        template="recovery/waste_fill.html", queue=f"{_('Put waste in')} · {found.code}", names=names,
        before=spoken(FIRST), **held,
    )  # fmt: skip


def _from(desk: Desk, form: FillForm) -> dict[str, Any]:
    """The bottle that was scanned or told, with what the house says of drawing from it."""
    code = str(form["container"].value() or "")
    try:
        found: Container | None = container_coded(desk.caller, code_in(code))
    except InputError:
        found = None
    if found is None or found.lot_id is None:
        return {"scanned": found}
    (held,) = containers_with([found.pk])
    _due, verdicts = judged(held, desk.today)
    return {"scanned": held, "verdict": verdicts["draw"], **headline(held, verdicts, desk.today)}

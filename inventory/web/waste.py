"""A waste container: what is in it, what speaks against moving it, and its handing over for disposal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django import forms
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.access import Caller
from inventory.models import Solvent, WasteContainer
from inventory.rules.waste import CAUTIONS, FORMER_CAUTION, SUSPECT_CAUTIONS
from inventory.services.containers import code_is
from inventory.services.waste import collect, contents, days_source_words
from inventory.services.waste_suspect import Suspicion, suspicions
from inventory.web.bench_forms import WhenForm
from inventory.web.desk import Desk, desk_page
from inventory.web.finding import CODE_MAX
from inventory.web.places import form_page, posted


class HandOverForm(WhenForm):
    """It leaves for good, with all that is in it. What is suspect is told first to whoever takes it."""

    field_of = {"waste": ""}

    told = forms.BooleanField(
        label=gettext_lazy("The disposer was told what speaks against it before it was moved, and takes it.")
    )
    sure = forms.BooleanField(
        label=gettext_lazy("A licensed disposer has taken it over, with all that is in it.")
    )

    def __init__(self, *args: Any, suspect: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not suspect:
            del self.fields["told"]
        self.order_fields(["told", "sure"])


def waste_or_404(caller: Caller, code: str) -> WasteContainer:
    """The lab's waste container with that code in any capitals."""
    if not code.isprintable() or len(code) > CODE_MAX:
        raise Http404
    found = WasteContainer.objects.filter(code_is(code), lab=caller.lab)
    one = found.select_related("location", "lab__policy").first()
    if one is None:
        raise Http404
    return one


def _solvents(waste: WasteContainer) -> list[tuple[Solvent, int]]:
    """What is in it by solvent, most first, in µl."""
    inside: dict[int, int] = {}
    for (solvent_id, _lot), volume_ul in contents(waste).items():
        inside[solvent_id] = inside.get(solvent_id, 0) + volume_ul
    rows = Solvent.objects.defer("facts").filter(pk__in=inside)
    return sorted(((row, inside[row.pk]) for row in rows), key=lambda pair: (-pair[1], pair[0].name))


def _heeded(solvents: Iterable[tuple[Solvent, int]]) -> Sequence[tuple[str, str]]:
    former = (FORMER_CAUTION,) if any(solvent.is_former for solvent, _ul in solvents) else ()
    return (*former, *CAUTIONS)


def told_of(waste: WasteContainer) -> dict[str, Any]:
    """What every page of it says."""
    inside = _solvents(waste)
    suspect: list[Suspicion] = suspicions(waste)
    return {
        "waste": waste,
        "keeping": days_source_words(waste.days_source),
        "inside": inside,
        "suspect": suspect,
        "first": SUSPECT_CAUTIONS if suspect else (),
        "heeded": _heeded(inside),
    }


@desk_page("stock.read")
def waste_page(desk: Desk, waste: str) -> HttpResponse:
    """One waste container, here or collected."""
    found = waste_or_404(desk.caller, waste)
    return desk.render("inventory/waste.html", told_of(found), here="more")


@desk_page("waste.edit", "POST")
def hand_over(desk: Desk, waste: str) -> HttpResponse:
    """It is handed over for disposal: what was in it leaves the records' stock that day."""
    found = waste_or_404(desk.caller, waste)
    told = told_of(found)
    form = HandOverForm(posted(desk), suspect=bool(told["suspect"]))
    own = reverse("waste", args=[desk.lab.slug, found.code])
    if found.collected_at is not None and desk.request.method != "POST":
        return redirect(own)

    def work() -> str:
        collect(**desk.by, waste=found, **form.moment())
        return _("%(code)s is recorded as handed over for disposal.") % {"code": found.code}

    return form_page(
        desk, form, work, lambda: own, found, template="inventory/waste_hand_over.html",
        queue=f"{_('Hand over for disposal')} · {found.code}", **told,
    )  # fmt: skip

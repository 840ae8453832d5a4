"""The page of one container: may I, what is in it, what happened to it, and what can be done now."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _

from inventory.models import Container, LotParent
from inventory.rules.cautions import CAUTIONS
from inventory.rules.levels import USE_WORDS, Use
from inventory.rules.verdict import Verdict
from inventory.selectors.loosening import loosened
from inventory.selectors.timeline import SHOWN, timeline
from inventory.services.facts import containers_with
from inventory.services.facts import gathered as facts_now
from inventory.services.verdicts import judged, judged_in
from inventory.services.waste_filling import cautions_for
from inventory.web.desk import Desk, desk_page, done, status_of
from inventory.web.finding import container_or_404
from recovery.models import Run
from recovery.web.container_past import mark, past_of, placed
from recovery.web.deed import Deed
from recovery.web.deeds import DEEDS, deeds_for
from recovery.web.standing import ASKED, headline, offered


@desk_page("stock.read")
def container(desk: Desk, code: str) -> HttpResponse:
    """Everything about one container; the draw form stands open on it."""
    found = container_or_404(desk.caller, code)
    deeds = deeds_for(desk, found)
    first = next((deed for deed in deeds if deed.key in ("draw", "put-in")), None)
    form = None if first is None else first.make(desk, found, None)
    told = _facts(desk, found)
    return desk.render(
        "recovery/container.html",
        {**told, **offered(deeds, first, told["worst"].level), "first": first, "form": form},
        here="shelf",
    )


def _facts(desk: Desk, found: Container) -> dict[str, Any]:
    gathered = facts_now(containers_with([found.pk]))
    (held,) = gathered.containers
    due, verdicts = judged_in(gathered, desk.today)
    before = placed(desk.request.GET.get("before", ""))
    rows = timeline(container=held, before=before)
    return {
        **past_of(desk, gathered),
        "container": held,
        "lot": held.lot,
        "due": due,
        "answers": [verdicts[use] for use in ASKED],
        "use_words": USE_WORDS,
        **(said := headline(held, verdicts, desk.today)),
        "spoken_against": said["alone"] or (not verdicts["draw"].allowed and held.volume_ul > 0),
        "cautions": _cautions(verdicts.values()),
        "parents": _parents(held),
        "loosened": loosened(held),
        "timeline": rows,
        "earlier": mark(rows[-1]) if len(rows) == SHOWN else "",
        "is_earlier": before is not None,
    }


def _cautions(verdicts: Any) -> list[str]:
    """Each caution once, in the order of the table."""
    wanted = {code for verdict in verdicts for code in verdict.cautions}
    return [words for code, words in CAUTIONS.items() if code in wanted]


def _parents(held: Container) -> list[LotParent]:
    if held.lot is None:
        return []
    return list(
        LotParent.objects.filter(lot=held.lot).select_related("parent__solvent").order_by("-volume_ul")
    )


@desk_page("stock.read", "POST")
def deed(desk: Desk, code: str, deed: str) -> HttpResponse:
    """One deed on a page of its own; what is refused stands there with all that was typed."""
    chosen = DEEDS.get(deed)
    if chosen is None:
        raise Http404
    desk.require(chosen.permission)
    found = container_or_404(desk.caller, code)
    request = desk.request
    form = chosen.make(desk, found, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        words = done(desk, form, lambda: chosen.carry_out(desk, found, form), found)
        if words is not None:
            messages.success(request, words)
            return redirect("container", slug=desk.lab.slug, code=found.code)
    return desk.render(
        "recovery/deed.html", _asked(desk, found, chosen, form), here="shelf", status=status_of(form)
    )


def _asked(desk: Desk, found: Container, chosen: Deed, form: Any) -> dict[str, Any]:
    (held,) = containers_with([found.pk])
    _due, verdicts = judged(held, desk.today)
    use: Use = _USE_OF.get(chosen.key, "draw")
    against: Verdict = verdicts[use]
    runs = Run.objects.filter(lab=desk.lab, closed_at=None)
    said = headline(held, verdicts, desk.today)
    lot = held.lot if chosen.key == "into-waste" else None
    return {
        **said,
        "container": held,
        "deed": chosen,
        "form": form,
        "verdict": against,
        "against": [reason for reason in against.reasons if reason.level != "use"],
        "cautions": _cautions([against]),
        "heeded": () if lot is None else cautions_for(lot.solvent, alone=said["alone"]),
        "no_runs": chosen.key in ("draw", "put-in") and not runs.exists(),
        "title": _("%(deed)s · %(code)s") % {"deed": chosen.title, "code": held.code},
    }


_USE_OF: dict[str, Use] = {"open": "open", "test": "open", "move": "move", "weigh": "move"}

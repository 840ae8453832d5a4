"""Deeds to and on what is in a container: inhibitor, peroxides taken out, dried, checked for quality."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Container, Movement
from inventory.rules.errors import InputError
from inventory.rules.inhibitor import CURES_NOTHING
from inventory.services import treatments
from inventory.services.treating_against import spoke_against
from inventory.services.treating_told import inhibitor_told
from inventory.services.treatments import TEST_AFTERWARDS
from inventory.web.desk import Desk, DeskForm
from inventory.web.language import spoken
from recovery.models import Run
from recovery.services.heel import is_former
from recovery.services.quality import check_record
from recovery.services.return_states import state_tell
from recovery.templatetags.drawn import outcome_words, property_words
from recovery.web.deed import Deed
from recovery.web.run_balance import plain
from recovery.web.run_more import overtaken_words
from recovery.web.treating_forms import CheckForm, DriedForm, InhibitorForm, PeroxidesForm

_T = gettext_lazy
RETURNS_SHOWN = 20


def _inhibitor_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    known = container.lot.inhibitor if container.lot else ""
    return InhibitorForm(data, initial={"treated_on": desk.today, "inhibitor": known, "unit": "mg"})


def _inhibitor(desk: Desk, container: Container, form: InhibitorForm) -> str:
    may = desk.caller.may("safety.loosen")
    told = {**form.told(), **inhibitor_told(**form.added())}
    row = treatments.inhibitor_add(**desk.by, container=container, may_loosen=may, **told)
    said = [*spoke_against(row), *treatments.warnings(row)]
    return " ".join([_("Recorded."), *map(spoken, said)])


def _peroxides_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return PeroxidesForm(data, initial={"treated_on": desk.today})


def _peroxides(desk: Desk, container: Container, form: PeroxidesForm) -> str:
    may = desk.caller.may("safety.loosen")
    row = treatments.peroxides_remove(**desk.by, container=container, may_loosen=may, **form.told())
    said = [*spoke_against(row), *treatments.warnings(row)]
    return " ".join([_("Recorded."), *map(spoken, said)])


def returns_into(container: Container) -> list[Movement]:
    """What came back from runs and is in a container now, the newest first."""
    if container.lot_id is None:
        return []
    rows = Movement.objects.filter(
        destination_id=container.place_id, lot_id=container.lot_id, kind="return", reversed_by=None
    )
    return list(rows.order_by("-happened_at", "-id")[:RETURNS_SHOWN])


def _dried_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    rows = returns_into(container)
    named = [(str(row.entry), f"{plain(row.volume_ul, row.u_volume_ul or 0)}, {_day(row)}") for row in rows]
    return DriedForm(data, returns=named)


def _day(row: Movement) -> str:
    return str(date_format(localtime(row.happened_at), "DATE_FORMAT"))


def _dried(desk: Desk, container: Container, form: DriedForm) -> str:
    told = form.cleaned_data
    row = next(one for one in returns_into(container) if str(one.entry) == told["entry"])
    run = Run.objects.get(place_id=row.source_id)
    what = {"entry": UUID(told["entry"]), "state": "dried", "drying_agent": told["drying_agent"]}
    state = state_tell(**desk.by, run=run, **what, told_at=form.tapped())
    if state.recorded_at != desk.now:
        return overtaken_words()
    return _("Recorded. A word proves nothing: check the water that is left in it.")


def _check_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return CheckForm(data)


def _check(desk: Desk, container: Container, form: CheckForm) -> str:
    what = form.cleaned_data["what"]
    row = check_record(
        **desk.by, container=container, what=what, entered=form.entered(), run=_run(desk), **form.moment()
    )
    said = {"what": property_words(what), "outcome": outcome_words(row.outcome)}
    return _("Recorded: %(what)s %(outcome)s.") % said


def _run(desk: Desk) -> Run | None:
    """The run that the address names, out of which it came."""
    ref = desk.request.GET.get("run", "")
    if not (ref.isdigit() and len(ref) < 19):
        return None
    found = Run.objects.filter(lab=desk.lab, pk=int(ref)).first()
    if found is None:
        raise InputError("run", "unknown-run", "This lab has no such run.", "Leave it out.")
    return found


TREATING = (
    Deed(
        "check", _T("Check its quality"), _T("Check quality"), "safety.test", _check_form, _check,
        before=_T("It counts for the lot. It says nothing of peroxides, and changes no verdict."),
    ),
    Deed(
        "inhibitor", _T("Record inhibitor that was added"), _T("Inhibitor added"), "safety.treat",
        _inhibitor_form, _inhibitor, before=CURES_NOTHING,
    ),
    Deed(
        "peroxides-out", _T("Record that peroxides were taken out"), _T("Peroxides taken out"),
        "safety.treat", _peroxides_form, _peroxides, before=TEST_AFTERWARDS,
    ),
    Deed(
        "dried", _T("Record that it was dried"), _T("Dried"), "runs.log", _dried_form, _dried,
        before=_T("Of what came back from a run. A word proves nothing: check its water afterwards."),
    ),
)  # fmt: skip


def fitting(container: Container, deeds: list[Deed]) -> list[Deed]:
    """Those that make sense for what is in it: only formers are treated, only what came back is dried."""
    lot = container.lot
    former = lot is not None and is_former(lot.solvent)
    back = lot is not None and lot.origin in ("recovered", "blend") and bool(returns_into(container))
    off = {*(() if former else ("inhibitor", "peroxides-out")), *(() if back else ("dried",))}
    return [deed for deed in deeds if deed.key not in off]
